"""Key events: the digits a cable types come out as typed, and nothing else can pass for a number."""

from __future__ import annotations

import random
import struct
import sys

import pytest

from hoofsense.wire.errors import FrameError
from hoofsense.wire.key_events import (
    EVENT,
    STRANGE,
    KeyEvent,
    KeyLine,
    decode_key_event,
    encode_key_event,
    events_of,
    with_event,
)

SHIFT, CONTROL, C, X, ENTER, TAB, BACKSPACE, ESCAPE = 42, 29, 46, 45, 28, 15, 14, 1


def typed(*events: KeyEvent, line: KeyLine | None = None) -> tuple[KeyLine, list[str]]:
    now, lines = line or KeyLine(), []
    for event in events:
        now, text = with_event(now, event)
        if text is not None:
            lines.append(text)
    return now, lines


def press(*codes: int) -> list[KeyEvent]:
    return [KeyEvent(1, code, value) for code in codes for value in (1, 0)]


@pytest.mark.skipif(sys.maxsize < 2**32, reason="the layout below is that of a 64-bit machine")
def test_the_bytes_of_a_pressed_1_as_linux_lays_them_out() -> None:
    # input.h: struct timeval (2 x 8 bytes), __u16 type = EV_KEY, __u16 code = KEY_1, __s32 value
    payload = struct.pack("=qqHHi", 1_773_475_200, 250_000, 1, 2, 1)
    assert len(payload) == EVENT.size
    assert decode_key_event(payload) == KeyEvent(1, 2, 1)


@pytest.mark.parametrize(
    "text", ["12.34", "12,34", "-0.05", "0", "1234567890", "12.34 mm", "0.486in", "1.2cm"]
)
def test_what_a_cable_types_comes_out_as_typed(text: str) -> None:
    events = [decode_key_event(encode_key_event(event)) for event in events_of(text)]
    assert typed(*events) == (KeyLine(), [text])


def test_the_number_block_types_the_same_digits() -> None:
    block = {"7": 71, "8": 72, "9": 73, "4": 75, "5": 76, "6": 77, "1": 79, "2": 80, "3": 81, "0": 82}
    _, lines = typed(*press(74, *(block[digit] for digit in "1234567890"), 83, 82, 96))
    assert lines == ["-1234567890.0"]


def test_a_repeated_key_and_the_letting_go_type_nothing() -> None:
    held = [KeyEvent(1, 2, 1), KeyEvent(1, 2, 2), KeyEvent(1, 2, 2), KeyEvent(1, 2, 0)]
    assert typed(*held, *press(ENTER))[1] == ["1"]


def test_tab_ends_a_line_too_and_an_empty_line_is_none() -> None:
    assert typed(*press(ENTER, TAB, 57, ENTER, 2, TAB))[1] == ["1"]


def test_backspace_and_escape_take_back() -> None:
    assert typed(*press(2, 3, BACKSPACE, ENTER, 4, ESCAPE, 5, ENTER))[1] == ["1", "4"]


@pytest.mark.parametrize(
    "events",
    [
        press(X),
        [KeyEvent(1, SHIFT, 1), *press(4), KeyEvent(1, SHIFT, 0)],  # "#"
        [KeyEvent(0, 3, 0)],  # the system lost events
    ],
)
def test_a_strange_key_or_lost_events_leave_no_number(events: list[KeyEvent]) -> None:
    (line,) = typed(*press(2), *events, *press(3, ENTER))[1]
    assert line == f"1{STRANGE}2"


def test_shift_types_a_plus_and_an_inch_mark() -> None:
    shifted = [KeyEvent(1, SHIFT, 1), *press(13), KeyEvent(1, SHIFT, 0)]
    inch = [KeyEvent(1, SHIFT, 1), *press(40), KeyEvent(1, SHIFT, 0)]
    assert typed(*shifted, *press(2), *inch, *press(ENTER))[1] == ['+1"']


def test_ctrl_c_gives_a_keyboard_back() -> None:
    line, lines = typed(*press(2), KeyEvent(1, CONTROL, 1), *press(C), KeyEvent(1, CONTROL, 0))
    assert (line, lines) == (KeyLine(released=True), [])


def test_a_line_without_end_is_cut() -> None:
    line, _ = typed(*press(*[2] * 1000))
    assert len(line.text) < 50


@pytest.mark.parametrize("length", [*range(EVENT.size), EVENT.size + 1])
def test_any_other_length_is_a_frame_error(length: int) -> None:
    with pytest.raises(FrameError) as refused:
        decode_key_event(bytes(length))
    assert refused.value.reason == ("short" if length < EVENT.size else "long")


def test_random_events_never_raise() -> None:
    rng = random.Random(5)
    line = KeyLine()
    for _ in range(20_000):
        line, _ = with_event(line, decode_key_event(rng.randbytes(EVENT.size)))
        line, _ = with_event(line, KeyEvent(rng.randrange(2), rng.randrange(130), rng.randrange(3)))


def test_what_does_not_fit_an_event_is_refused() -> None:
    with pytest.raises(ValueError, match="does not fit"):
        encode_key_event(KeyEvent(1, 70_000, 1))
    with pytest.raises(ValueError, match="no key of a length"):
        events_of("12x")
