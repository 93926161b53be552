"""A visit that is told to end does so, also while the Bluetooth service hangs and a port is gone."""

from __future__ import annotations

import os
import pathlib
import signal
import subprocess
import sys
import time
from collections.abc import Callable, Iterator

import pytest
from bluetooth_bench import thermometer
from fake_radio import Radio

PATIENCE_S = 30.0
ROOT = pathlib.Path(__file__).parents[2]


@pytest.fixture
def visit(radio: Radio, tmp_path: pathlib.Path) -> Iterator[subprocess.Popen[str]]:
    program = subprocess.Popen(
        [
            sys.executable, "-m", "hoofsense.cli", "visit", "--horse", "Invented Horse E", "--no-page",
            "--serial", str(tmp_path / "ttyNONE"), "--store", str(tmp_path / "visits.sqlite3"),
        ],
        stdin=subprocess.PIPE, stdout=subprocess.PIPE, stderr=subprocess.STDOUT, text=True,
        env={**os.environ, "PYTHONPATH": str(ROOT), "PYTHONUNBUFFERED": "1"},
    )  # fmt: skip
    yield program
    if program.poll() is None:
        program.kill()
    program.communicate()


def until(condition: Callable[[], bool], what: str) -> None:
    give_up_s = time.monotonic() + PATIENCE_S
    while not condition():
        assert time.monotonic() < give_up_s, f"waited {PATIENCE_S:.0f} s for {what}"
        time.sleep(0.02)


def ended(visit: subprocess.Popen[str]) -> None:
    asked_s = time.monotonic()
    visit.send_signal(signal.SIGINT)
    output, _ = visit.communicate(timeout=PATIENCE_S)
    print(f"ended after {time.monotonic() - asked_s:.2f} s")
    assert visit.returncode == 0, output
    assert "left open; run hoofsense visit again" in output
    assert "Traceback" not in output


@pytest.mark.parametrize("hung", [False, True])
def test_ctrl_c_ends_a_visit_cleanly(radio: Radio, visit: subprocess.Popen[str], hung: bool) -> None:
    instrument = thermometer(radio)
    radio.on_air(instrument)
    until(lambda: bool(instrument.char(0x2A1C).subscribers), "the thermometer to be read")
    if hung:
        radio.bluez.unanswered |= {
            "Device1.Disconnect",
            "Adapter1.StopDiscovery",
            "ObjectManager.GetManagedObjects",
        }
    ended(visit)


def test_ctrl_c_ends_a_visit_that_waits_for_a_connection(radio: Radio, visit: subprocess.Popen[str]) -> None:
    radio.bluez.unanswered |= {"Device1.Connect", "Device1.Disconnect"}
    radio.on_air(thermometer(radio))
    until(lambda: "Device1.Connect" in radio.bluez.calls, "an attempt to connect")
    ended(visit)
