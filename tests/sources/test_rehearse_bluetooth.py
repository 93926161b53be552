"""The rehearsal over Bluetooth reaches the real Bluetooth source in another process."""

from __future__ import annotations

import os
import pathlib
import subprocess
import sys
from collections.abc import Iterator

import pytest
from bluetooth_bench import QUICK, Listen, Sink
from fake_radio import DAEMON

PROGRAM = pathlib.Path(__file__).parent / "rehearse_bluetooth.py"


@pytest.fixture
def bus_address() -> Iterator[str]:
    if not os.path.exists(DAEMON):
        needed = f"{DAEMON} is missing: type: sudo apt-get install dbus"
        pytest.fail(needed) if os.environ.get("CI") == "true" else pytest.skip(needed)
    program = subprocess.Popen(
        [sys.executable, str(PROGRAM), "already-dry", "--speed", "60"],
        stdout=subprocess.PIPE,
        text=True,
        env={**os.environ, "PYTHONPATH": str(PROGRAM.parents[2])},
    )
    assert program.stdout is not None
    try:
        yield next(line.split("=", 1)[1].strip() for line in program.stdout if "ADDRESS=" in line)
    finally:
        program.terminate()
        program.communicate(timeout=10)
    assert program.returncode == 0


def test_thermometer_beacon_and_bridge_of_a_scenario_are_heard(
    bus_address: str, listen: Listen, recorder: Sink, monkeypatch: pytest.MonkeyPatch
) -> None:
    from bleak.backends.bluezdbus.version import BlueZFeatures

    monkeypatch.setattr(BlueZFeatures, "checked_bluez_version", True)
    monkeypatch.setenv("DBUS_SYSTEM_BUS_ADDRESS", bus_address)
    listen(timing=QUICK)
    recorder.wait_up("A17")
    recorder.wait_for("line:hs1", 2, "bridge-01")
    recorder.wait_for("advert:fcd2", 2, "ambient")
    recorder.wait_for("gatt:2a1c", 20, "A17")
