"""Key events of a caliper's keyboard cable, as Linux hands them over, and the line they type.

    seconds, microseconds  two C longs (of the computer's own clock; not used, frames are stamped on receipt)
    type                   u16: 1 a key, 0 a mark between events
    code                   u16: which key; of type 0: 3 says that events were lost
    value                  i32: 1 pressed, 2 repeated, 0 let go

in the byte order and alignment of the machine: 24 bytes on a 64-bit one. Keys are read as on a US keyboard,
which is what such cables send as they come; the layout set on the computer plays no part. A key that
belongs to no length becomes "?", so that what is left of the line can never pass for a number.

Document: Linux input.h and input-event-codes.h, kernel headers 6.1 (read).
"""

from __future__ import annotations

import struct
from dataclasses import dataclass, replace

from hoofsense.wire.errors import FrameError

EVENT = struct.Struct("@llHHi")
STRANGE = "?"
_EV_SYN, _EV_KEY = 0, 1
_SYN_DROPPED = 3
_RELEASED, _PRESSED = 0, 1
_SHIFTS, _CONTROLS = (42, 54), (29, 97)
_NO_TEXT = (58, 69)  # caps lock and num lock: some cables press them around the digits
_ENDS = (28, 96, 15)  # Enter, Enter of the number block, Tab
_BACKSPACE, _ESCAPE, _C = 14, 1, 46
_LONGEST = 40  # keys of one line kept, our choice: a value has about ten

_ROW = dict(zip(range(2, 12), "1234567890", strict=True))
_BLOCK = dict(zip((71, 72, 73, 75, 76, 77, 79, 80, 81, 82), "7894561230", strict=True))
_SIGNS = {12: "-", 51: ",", 52: ".", 57: " ", 74: "-", 78: "+", 83: ".", 95: ",", 121: ","}
_LETTERS = {23: "i", 35: "h", 46: "c", 49: "n", 50: "m"}
_PLAIN = {**_ROW, **_BLOCK, **_SIGNS, **_LETTERS}
_SHIFTED = {13: "+", 40: '"', **_LETTERS, **_BLOCK, 57: " "}
_CODE_OF = {text: code for codes in (_SIGNS, _ROW, _LETTERS) for code, text in codes.items()} | {
    "-": 12,
    ",": 51,
}


@dataclass(frozen=True, slots=True)
class KeyEvent:
    """One event; code and value as the system gave them."""

    kind: int
    code: int
    value: int


@dataclass(frozen=True, slots=True)
class KeyLine:
    """The line being typed.

    text      typed so far
    shift     a shift key is down
    control   a control key is down
    released  Ctrl-C was typed: this is a person's own keyboard, which must be given back
    """

    text: str = ""
    shift: bool = False
    control: bool = False
    released: bool = False


def decode_key_event(payload: bytes) -> KeyEvent:
    """One event; FrameError short or long."""
    if len(payload) != EVENT.size:
        raise FrameError(
            f"{len(payload)} bytes are not the {EVENT.size} of a key event: unplug the cable and plug it in",
            payload,
            "short" if len(payload) < EVENT.size else "long",
        )
    _, _, kind, code, value = EVENT.unpack(payload)
    return KeyEvent(kind, code, value)


def encode_key_event(event: KeyEvent) -> bytes:
    """Bytes of an event at time 0; ValueError when a number does not fit its field."""
    try:
        return EVENT.pack(0, 0, event.kind, event.code, event.value)
    except struct.error as error:
        raise ValueError(f"{event} does not fit a key event ({error}): use u16, u16 and i32") from None


def with_event(line: KeyLine, event: KeyEvent) -> tuple[KeyLine, str | None]:
    """The line after one event, and its text when Enter or Tab ended it (never an empty one)."""
    if event.kind == _EV_SYN and event.code == _SYN_DROPPED:
        return _typed(line, STRANGE), None
    if event.kind != _EV_KEY:
        return line, None
    if event.code in _SHIFTS:
        return replace(line, shift=event.value != _RELEASED), None
    if event.code in _CONTROLS:
        return replace(line, control=event.value != _RELEASED), None
    if event.value != _PRESSED or event.code in _NO_TEXT:
        return line, None
    if line.control:
        return replace(line, text="", released=line.released or event.code == _C), None
    if event.code in _ENDS:
        return replace(line, text=""), line.text.strip() or None
    if event.code == _ESCAPE:
        return replace(line, text=""), None
    if event.code == _BACKSPACE:
        return replace(line, text=line.text[:-1]), None
    return _typed(line, (_SHIFTED if line.shift else _PLAIN).get(event.code, STRANGE)), None


def events_of(text: str) -> tuple[KeyEvent, ...]:
    """What a cable sends for this text and Enter: each key pressed and let go; ValueError for other keys."""
    codes = []
    for letter in text:
        if letter not in _CODE_OF:
            raise ValueError(
                f"{letter!r} is no key of a length: use digits, a sign, a point or comma, a unit"
            )
        codes.append(_CODE_OF[letter])
    return tuple(
        event
        for code in (*codes, _ENDS[0])
        for event in (
            KeyEvent(_EV_KEY, code, _PRESSED),
            KeyEvent(_EV_SYN, 0, 0),
            KeyEvent(_EV_KEY, code, _RELEASED),
            KeyEvent(_EV_SYN, 0, 0),
        )
    )


def _typed(line: KeyLine, letter: str) -> KeyLine:
    return line if len(line.text) >= _LONGEST else replace(line, text=line.text + letter)
