"""A keyboard cable read through the bytes Linux gives, from a pipe that stands for its device."""

from __future__ import annotations

import errno
import os
from collections.abc import Callable, Iterator
from pathlib import Path
from typing import Any

import pytest

from hoofsense.decoding import measurements_from
from hoofsense.records import RawFrame
from hoofsense.sources.clock import SteadyClock
from hoofsense.sources.keyboard_wedge import (
    GIVEN_BACK,
    NOT_PERMITTED,
    SHARED,
    KeyboardWedge,
    keyboard_identity,
    keyboards,
    sentence_of,
)
from hoofsense.wire.checked_text import decode_checked
from hoofsense.wire.errors import FrameError
from hoofsense.wire.key_events import KeyEvent, encode_key_event, events_of

Recorder = Any  # conftest.Recorder
NAME = "usb-0123_caliper_cable-event-kbd"
IDENTITY = "usb-0123_caliper_cable"


class Cable:
    """A pipe that stands for the device; it types."""

    def __init__(self, folder: Path) -> None:
        self.path = folder / NAME
        self._descriptor: int | None = None
        self.plug_in()

    def plug_in(self) -> None:
        os.mkfifo(self.path)
        self._descriptor = os.open(self.path, os.O_RDWR)

    def unplug(self) -> None:
        self.path.unlink()
        if self._descriptor is not None:
            os.close(self._descriptor)
        self._descriptor = None

    def send(self, *events: KeyEvent) -> None:
        assert self._descriptor is not None
        os.write(self._descriptor, b"".join(encode_key_event(event) for event in events))

    def type(self, text: str) -> None:
        self.send(*events_of(text))


@pytest.fixture
def cable(tmp_path: Path) -> Iterator[Cable]:
    made = Cable(tmp_path)
    yield made
    if made.path.exists():
        made.unplug()


Listen = Callable[..., KeyboardWedge]


@pytest.fixture
def listen(cable: Cable, recorder: Recorder, clock: SteadyClock) -> Iterator[Listen]:
    started: list[KeyboardWedge] = []

    def begin(unit: str = "mm", grab: Callable[[int], None] = lambda _: None) -> KeyboardWedge:
        wedge = KeyboardWedge(str(cable.path), unit, grab)
        started.append(wedge)
        wedge.start(recorder, clock)
        return wedge

    yield begin
    for wedge in started:
        wedge.stop()


def test_what_the_cable_types_is_recorded_in_the_unit_that_was_set(
    cable: Cable, listen: Listen, recorder: Recorder
) -> None:
    wedge = listen()
    recorder.wait_up(IDENTITY)
    for text in ("12.34", "12,3", "-0.02"):
        cable.type(text)
    frames: list[RawFrame] = recorder.wait_for("typed", 3, IDENTITY)
    assert [decode_checked(frame.payload) for frame in frames] == ["12.34 mm", "12,3 mm", "-0.02 mm"]
    assert [measurements_from(frame)[0].value for frame in frames] == [12.34, 12.3, -0.02]
    (status,) = wedge.status()
    assert (status.connected, status.note, status.last_seen_ns) == (True, "", frames[-1].at_ns)


@pytest.mark.parametrize("text", ["12.3.4", "12.34 in", "1,234.5"])
def test_what_is_no_length_in_that_unit_is_recorded_counted_and_said(
    cable: Cable, listen: Listen, recorder: Recorder, text: str
) -> None:
    wedge = listen()
    recorder.wait_up(IDENTITY)
    cable.type(text)
    (frame,) = recorder.wait_for("typed", 1, IDENTITY)
    with pytest.raises(FrameError):
        measurements_from(frame)
    assert text in decode_checked(frame.payload)
    assert text in wedge.status()[0].note
    cable.type("12.34")
    recorder.wait_for("typed", 2, IDENTITY)
    assert wedge.status()[0].note == ""


def test_the_cable_is_asked_for_exclusively(cable: Cable, listen: Listen, recorder: Recorder) -> None:
    asked: list[int] = []
    listen(grab=asked.append)
    recorder.wait_up(IDENTITY)
    assert len(asked) == 1


def test_where_that_is_not_possible_it_is_read_all_the_same_and_said(
    cable: Cable, recorder: Recorder, clock: SteadyClock
) -> None:
    wedge = KeyboardWedge(str(cable.path), "mm")  # a pipe cannot be asked for: ENOTTY
    wedge.start(recorder, clock)
    try:
        recorder.wait_up(IDENTITY)
        assert recorder.links(IDENTITY) == [(True, SHARED.format(cable.path))]
        cable.type("5")
        recorder.wait_for("typed", 1, IDENTITY)
    finally:
        wedge.stop()


def test_one_that_another_program_holds_is_named(cable: Cable, listen: Listen, recorder: Recorder) -> None:
    def held(_: int) -> None:
        raise OSError(errno.EBUSY, "held")

    listen(grab=held)
    recorder.wait_down(IDENTITY, "is in use: close the other program")


def test_an_unplugged_cable_is_told_and_read_again(cable: Cable, listen: Listen, recorder: Recorder) -> None:
    listen()
    recorder.wait_up(IDENTITY)
    cable.type("1")
    recorder.wait_for("typed", 1, IDENTITY)
    cable.unplug()
    recorder.wait_down(IDENTITY, "is not there: plug it in")
    cable.plug_in()
    recorder.wait_up(IDENTITY, 2)
    cable.type("2")
    recorder.wait_for("typed", 2, IDENTITY)


def test_a_keyboard_taken_by_mistake_is_given_back_at_ctrl_c(
    cable: Cable, listen: Listen, recorder: Recorder
) -> None:
    listen()
    recorder.wait_up(IDENTITY)
    cable.send(KeyEvent(1, 29, 1), KeyEvent(1, 46, 1))
    recorder.wait_down(IDENTITY, GIVEN_BACK.format(cable.path))


def test_keyboards_are_listed_with_their_identity(tmp_path: Path) -> None:
    (tmp_path / NAME).touch()
    (tmp_path / "usb-0123_mouse-event-mouse").touch()
    (only,) = keyboards(tmp_path)
    assert (only.source_id, only.name, only.note) == (IDENTITY, "usb-0123 caliper cable", "")
    assert only.port == str(tmp_path / NAME)
    assert keyboards(tmp_path / "none") == ()
    assert keyboard_identity("/dev/input/event7") == "event7"


def test_a_missing_permission_says_what_to_type() -> None:
    refused = sentence_of(PermissionError(errno.EACCES, "no"), "/dev/input/event7")
    assert refused == NOT_PERMITTED.format("/dev/input/event7")
    assert "usermod -aG input" in refused


def test_a_unit_that_is_no_length_is_refused() -> None:
    with pytest.raises(ValueError, match="no length"):
        KeyboardWedge("/dev/input/event7", "Cel")
