"""A rehearsal reaches a real serial reader over a socket and a pseudo-terminal."""

from __future__ import annotations

import threading
import time
from collections.abc import Callable, Iterator

import pytest
from click.testing import CliRunner

from hoofsense.cli import main
from hoofsense.records import RawFrame
from hoofsense.rehearsing import Outlets, Rehearsal, opening, rehearse
from hoofsense.sources.clock import SteadyClock
from hoofsense.sources.link import LinkError
from hoofsense.sources.serial_port import SerialPort
from hoofsense.sources.simulated_scenarios import scenario
from hoofsense.wire.bridge_line import Kind, decode_bridge_line

PATIENCE_S = 20.0
FAST = 400.0


@pytest.fixture
def outlets() -> Iterator[Outlets]:
    made = Outlets(0, pty=True)
    yield made
    made.close()


def until(condition: Callable[[], bool], what: str) -> None:
    give_up_s = time.monotonic() + PATIENCE_S
    while not condition():
        assert time.monotonic() < give_up_s, f"waited {PATIENCE_S:.0f} s for {what}"
        time.sleep(0.02)


@pytest.mark.parametrize("over", ["socket", "terminal"])
def test_a_visit_hears_the_rehearsal_from_its_first_line_on(outlets: Outlets, over: str) -> None:
    stopping, said, frames = threading.Event(), list[str](), list[RawFrame]()
    playing = threading.Thread(
        target=rehearse, args=(Rehearsal("already-dry", 3, speed=FAST), outlets, stopping, said.append)
    )
    playing.start()
    port = outlets.url if over == "socket" else outlets.terminal
    assert port is not None
    reader = SerialPort(port)
    try:
        until(lambda: len(said) == 1, "the opening")
        assert not outlets.listened_to
        reader.start(frames.append, SteadyClock.anchored_now())
        until(lambda: len(frames) > 500, "lines")
        until(lambda: any("type: clear" in line for line in said), "a cue")
    finally:
        stopping.set()
        playing.join(PATIENCE_S)
        reader.stop()
    assert not playing.is_alive()
    lines = [decode_bridge_line(frame.payload) for frame in frames if frame.channel == "line:hs1"]
    assert lines[0].kind is Kind.IDENTITY
    assert [line.sequence for line in lines] == list(range(len(lines)))
    assert {"air", "rh", "ir", "jaw"} <= {line.channel for line in lines}


def heard_lines(outlets: Outlets, clock: SteadyClock) -> bool:
    """Whether a new listener hears lines."""
    frames: list[RawFrame] = []
    reader = SerialPort(outlets.url)
    reader.start(frames.append, clock)
    give_up_s = time.monotonic() + PATIENCE_S
    while not (heard := any(f.channel == "line:hs1" for f in frames)) and time.monotonic() < give_up_s:
        outlets.send(b"$HS1,0,0,I,bridge-01,fw=0.1,boot=7F3A*C810")
        time.sleep(0.02)
    reader.stop()
    return heard


def test_a_listener_that_leaves_does_not_keep_the_next_one_from_hearing(outlets: Outlets) -> None:
    clock = SteadyClock.anchored_now()
    assert heard_lines(outlets, clock)
    assert heard_lines(outlets, clock)


def test_a_rehearsal_nobody_listens_to_ends_when_told(outlets: Outlets) -> None:
    stopping = threading.Event()
    stopping.set()
    said: list[str] = []
    rehearse(Rehearsal("already-dry", 3), outlets, stopping, said.append)
    assert len(said) == 1


def test_the_opening_tells_the_command_to_type(outlets: Outlets) -> None:
    said = opening(scenario("freezing-morning"), outlets)
    assert f"--serial {outlets.url}" in said
    assert "--rehearsal --horse 'Invented Horse B' --feet LF --material cold-weather" in said
    assert outlets.terminal is not None and outlets.terminal in said


def test_a_port_in_use_is_one_sentence(outlets: Outlets) -> None:
    port = int(outlets.url.rpartition(":")[2])
    with pytest.raises(LinkError, match="choose another with --port"):
        Outlets(port, pty=True)


def test_the_command_lists_scenarios_and_refuses_one_it_does_not_know() -> None:
    listed = CliRunner().invoke(main, ["rehearse"])
    assert "mild-two-feet" in listed.output.split()
    refused = CliRunner().invoke(main, ["rehearse", "no-such-day", "--port", "0"])
    assert refused.exit_code == 2
    assert "no-such-day" in refused.output and "mild-two-feet" in refused.output
