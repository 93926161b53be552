"""A visit run live as a person would: a bridge on a socket, words at the terminal, kill -9."""

from __future__ import annotations

import json
import os
import signal
import socket
import subprocess
import sys
import threading
import time
from collections.abc import Callable, Iterator
from pathlib import Path

import pytest

from hoofsense.live_visit import REHEARSAL_FILE_NAME, live_sources, new_visit_id
from hoofsense.store import StoreError, open_reader
from hoofsense.wire.bridge_line import BridgeLine, Kind, encode_bridge_line

PATIENCE_S = 30.0


class TalkingBridge:
    """A bridge that speaks HS1 lines to whoever connects, about twenty a second."""

    def __init__(self) -> None:
        self._listener = socket.create_server(("127.0.0.1", 0))
        self.url = f"socket://127.0.0.1:{self._listener.getsockname()[1]}"
        self._stopping = threading.Event()
        self._number = 0
        self._said: list[tuple[str, str, str]] = []
        threading.Thread(target=self._serve, daemon=True).start()

    def _serve(self) -> None:
        while not self._stopping.is_set():
            try:
                connection, _ = self._listener.accept()
            except OSError:
                return
            with connection:
                self._talk(connection)

    def _talk(self, connection: socket.socket) -> None:
        while not self._stopping.wait(0.05):
            self._number += 1
            usual = (("ir", "11.50", "Cel"), ("air", "9.80", "Cel"), ("rh", "62.0", "%"))[self._number % 3]
            sensor, text, unit = self._said.pop() if self._said else usual
            line = BridgeLine(self._number, self._number * 50, Kind.MEASUREMENT, sensor, text, unit)
            try:
                connection.sendall(encode_bridge_line(line) + b"\r\n")
            except OSError:
                return

    def say(self, sensor: str, text: str, unit: str) -> None:
        """Say this once, instead of the next line."""
        self._said.append((sensor, text, unit))

    def stop(self) -> None:
        self._stopping.set()
        self._listener.close()


@pytest.fixture
def bridge() -> Iterator[TalkingBridge]:
    talking = TalkingBridge()
    yield talking
    talking.stop()


def started(
    programs: list[subprocess.Popen[str]], bridge: TalkingBridge, store: Path | None, *words: str, **env: str
) -> subprocess.Popen[str]:
    kept_in = () if store is None else ("--store", str(store))
    program = subprocess.Popen(
        [
            sys.executable, "-m", "hoofsense.cli", "visit", *words, "--serial", bridge.url,
            "--no-bluetooth", "--no-page", *kept_in,
        ],
        stdin=subprocess.PIPE, stdout=subprocess.PIPE, stderr=subprocess.STDOUT, text=True,
        env={**os.environ, "PYTHONUNBUFFERED": "1", **env},
    )  # fmt: skip
    programs.append(program)
    return program


@pytest.fixture
def programs() -> Iterator[list[subprocess.Popen[str]]]:
    """Programs a test starts; none outlives it, whatever happens."""
    running: list[subprocess.Popen[str]] = []
    yield running
    for program in running:
        if program.poll() is None:
            program.kill()
        program.communicate()


def until(condition: Callable[[], bool], what: str) -> None:
    give_up = time.monotonic() + PATIENCE_S
    while not condition():
        assert time.monotonic() < give_up, f"waited {PATIENCE_S:.0f} s for {what}"
        time.sleep(0.05)


def kept_frames(store: Path) -> int:
    if not store.exists():
        return 0
    try:
        with open_reader(store) as reader:
            visits = reader.visits()
    except StoreError:  # the file is there, its tables are still being made
        return 0
    return visits[0].frames if visits else 0


def say(program: subprocess.Popen[str], *words: str) -> None:
    assert program.stdin is not None
    for word in words:
        program.stdin.write(word + "\n")
    program.stdin.flush()


def test_kill_9_loses_nothing_committed_and_the_visit_goes_on_where_it_was(
    bridge: TalkingBridge, programs: list[subprocess.Popen[str]], tmp_path: Path
) -> None:
    store = tmp_path / "visits.sqlite3"
    first = started(programs, bridge, store, "--horse", "Invented Horse K")
    until(lambda: kept_frames(store) > 20, "frames of the bridge")
    say(first, "clear", "toe", "14,2 mm")
    until(lambda: kept_frames(store) > 60, "more frames")
    before = kept_frames(store)
    first.send_signal(signal.SIGKILL)
    first.wait()
    assert kept_frames(store) >= before

    second = started(programs, bridge, store)
    until(lambda: kept_frames(store) > before + 20, "frames after taking up")
    say(second, "heat on", "heat off", "end")
    output, _ = second.communicate(timeout=PATIENCE_S)
    assert second.returncode == 0, output
    assert "Taking up the visit of Invented Horse K where it was" in output
    assert "ended" in output.splitlines()[-1]

    with open_reader(store) as reader:
        summary = reader.visits()[0]
        frames = list(reader.frames(summary.visit_id))
    assert summary.ended_ns is not None
    marks = [json.loads(f.payload[:-5])["mark"] for f in frames if f.channel == "mark"]
    assert marks == ["begin", "fitness", "hand", "instruments", "heat", "heat", "end"]
    assert [f.channel for f in frames].count("typed") == 1
    times = [f.at_ns for f in frames]
    assert times == sorted(times)

    again = subprocess.run(
        [sys.executable, "-m", "hoofsense.cli", "visits", summary.visit_id, "--store", str(store)],
        capture_output=True, text=True, check=False,
    )  # fmt: skip
    assert again.returncode == 0, again.stdout + again.stderr
    assert "Verdicts as recorded:" in again.stdout


def test_a_visit_of_another_horse_is_not_begun_over_an_open_one(
    bridge: TalkingBridge, programs: list[subprocess.Popen[str]], tmp_path: Path
) -> None:
    store = tmp_path / "visits.sqlite3"
    first = started(programs, bridge, store, "--horse", "Invented Horse K")
    until(lambda: kept_frames(store) > 5, "frames of the bridge")
    first.send_signal(signal.SIGTERM)
    output, _ = first.communicate(timeout=PATIENCE_S)
    assert first.returncode == 0 and "left open" in output, output
    other = started(programs, bridge, store, "--horse", "Invented Horse L")
    output, _ = other.communicate(timeout=PATIENCE_S)
    assert other.returncode == 2
    assert "Invented Horse K" in output and "--close-open" in output and "Traceback" not in output


def test_a_rehearsal_is_labelled_kept_apart_and_tells_how_its_instruments_are_doing(
    bridge: TalkingBridge, programs: list[subprocess.Popen[str]], tmp_path: Path
) -> None:
    store = tmp_path / "hoofsense" / REHEARSAL_FILE_NAME
    words = ("--horse", "Invented Horse R", "--rehearsal")
    program = started(programs, bridge, None, *words, XDG_DATA_HOME=str(tmp_path))
    until(lambda: kept_frames(store) > 20, "frames of the bridge")
    bridge.say("jaw", "14.20", "mm")
    until(lambda: kept_frames(store) > 40, "the caliper's frame")
    say(program, "instruments", "clear", "14,3 mm", "14,3 mm", "end")
    output, _ = program.communicate(timeout=PATIENCE_S)
    assert program.returncode == 0, output
    assert "linked" in output and "last 0 s ago" in output and "caliper not checked" in output
    assert "! The caliper at 127.0.0.1" in output and "run hoofsense caliper-check" in output
    assert "! 14.30 mm came twice within a second and counts once" in output
    with open_reader(store) as reader:
        assert [visit.invented for visit in reader.visits()] == [True]


def test_a_keyboard_cable_without_a_unit_is_refused(tmp_path: Path) -> None:
    with pytest.raises(ValueError, match="add --gauge-unit"):
        live_sources((), None, False, tmp_path / "instruments.json", ("/dev/input/event7",))


def test_visit_ids_are_uuids_of_version_7_that_sort_by_time() -> None:
    import uuid

    first = new_visit_id()
    time.sleep(0.002)
    second = new_visit_id()
    assert uuid.UUID(first).version == uuid.UUID(second).version == 7
    assert uuid.UUID(first).variant == uuid.RFC_4122
    assert first < second
