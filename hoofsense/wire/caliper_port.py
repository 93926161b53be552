"""Frames of caliper data ports, given as the hex digits a bridge read from clock and data.

24 bits, least significant bit first on the wire; 6 hex digits of the word here:
    bits 0-19  magnitude, 0.01 mm or 0.0005 in a count
    bit 20     sign (some ports use bit 21); the bits between are 0
    bit 23     1 = inch
    one more bit, always 1, comes first from some ports: the bridge must drop it
52 bits, 13 nibbles, each least significant bit first; 13 hex digits here:
    d1-d4 F    d5 sign: 0 or 8    d6-d11 digits, most significant first    d12 decimals, 0 to 5
    d13 0 mm, 1 in

There is no published standard and write-ups disagree, so a frame whose unused bits are set is refused
rather than read, and every port is checked with 0, a gauge block, a negative value and the inch key before
it is trusted (firmware_notes/caliper_ports.md).

Document: common practice, several public write-ups (read); no standard.
"""

from __future__ import annotations

import re
from dataclasses import dataclass

from hoofsense.wire.errors import FrameError

_WORD_DIGITS = re.compile(rb"[0-9A-Fa-f]{6}")
_NIBBLE_DIGITS = re.compile(rb"[0-9A-Fa-f]{13}")
_MAGNITUDE = 0x0FFFFF  # bits 0-19
_INCH_BIT = 23
SIGN_BITS = (20, 21)
_MM_PER_COUNT_DIVISOR = 100  # 0.01 mm a count
_INCH_PER_COUNT_DIVISOR = 2000  # 0.0005 in a count
_HEADER = "FFFF"
_NEGATIVE = 8
_MOST_DECIMALS = 5
_DIGITS = 6
_WORD_LENGTH, _NIBBLE_COUNT = 6, 13  # hex digits


@dataclass(frozen=True, slots=True)
class CaliperValue:
    """One length: value in unit ("mm" or "[in_i]"), resolution in the same unit."""

    value: float
    unit: str
    resolution: float


def decode_caliper24(payload: bytes, sign_bit: int = 20) -> CaliperValue:
    """Length of a 24-bit frame given as 6 hex digits; FrameError short, long or field.

    sign_bit  20 or 21, found once for each caliper by the guided check
    """
    if sign_bit not in SIGN_BITS:
        raise ValueError(f"sign bit {sign_bit}: a caliper port uses 20 or 21")
    _need_hex(payload, _WORD_DIGITS, _WORD_LENGTH)
    word = int(payload, 16)
    negative, inch = word >> sign_bit & 1, word >> _INCH_BIT & 1
    if word & ~(_MAGNITUDE | 1 << sign_bit | 1 << _INCH_BIT):
        raise FrameError(
            f"caliper word {word:#08x} uses bits this port should not: repeat the check of this caliper",
            payload,
            "field",
        )
    count = -(word & _MAGNITUDE) if negative else word & _MAGNITUDE
    divisor = _INCH_PER_COUNT_DIVISOR if inch else _MM_PER_COUNT_DIVISOR
    return CaliperValue(count / divisor, "[in_i]" if inch else "mm", 1 / divisor)


def encode_caliper24(value: float, unit: str, sign_bit: int = 20) -> bytes:
    """Six hex digits of a length rounded to the port's count; ValueError when it does not fit."""
    if sign_bit not in SIGN_BITS:
        raise ValueError(f"sign bit {sign_bit}: a caliper port uses 20 or 21")
    inch = _is_inch(unit)
    count = round(value * (_INCH_PER_COUNT_DIVISOR if inch else _MM_PER_COUNT_DIVISOR))
    if abs(count) > _MAGNITUDE:
        raise ValueError(f"{value} {unit} does not fit 20 bits: no caliper is that long")
    return b"%06X" % (abs(count) | (count < 0) << sign_bit | inch << _INCH_BIT)


def decode_caliper52(payload: bytes) -> CaliperValue:
    """Length of a 52-bit frame given as 13 hex digits; FrameError short, long or field."""
    _need_hex(payload, _NIBBLE_DIGITS, _NIBBLE_COUNT)
    text = payload.decode("ascii").upper()
    sign, digits, decimals, inch = int(text[4], 16), text[5:11], int(text[11], 16), int(text[12], 16)
    if (
        not text.startswith(_HEADER)
        or sign not in (0, _NEGATIVE)
        or not digits.isdigit()
        or decimals > _MOST_DECIMALS
        or inch > 1
    ):
        raise FrameError(
            f"caliper frame {text} breaks the 13-nibble layout: repeat the check of this caliper",
            payload,
            "field",
        )
    count = -int(digits) if sign else int(digits)
    divisor = 10**decimals
    return CaliperValue(count / divisor, "[in_i]" if inch else "mm", 1 / divisor)


def encode_caliper52(value: float, unit: str, decimals: int) -> bytes:
    """Thirteen hex digits of a length with so many decimals (0 to 5); ValueError when it does not fit."""
    inch = _is_inch(unit)
    if not 0 <= decimals <= _MOST_DECIMALS:
        raise ValueError(f"{decimals} decimals: a caliper port sends 0 to {_MOST_DECIMALS}")
    count = round(value * 10**decimals)
    if abs(count) >= 10**_DIGITS:
        raise ValueError(
            f"{value} with {decimals} decimals has more than {_DIGITS} digits: use fewer decimals"
        )
    return b"FFFF%X%06d%d%d" % (_NEGATIVE if count < 0 else 0, abs(count), decimals, inch)


def _need_hex(payload: bytes, digits: re.Pattern[bytes], length: int) -> None:
    if digits.fullmatch(payload) is None:
        raise FrameError(
            f"{len(payload)} bytes are not the {length} hex digits of a caliper frame: check the bridge",
            payload,
            "short" if len(payload) < length else "long" if len(payload) > length else "field",
        )


def _is_inch(unit: str) -> int:
    if unit not in ("mm", "[in_i]"):
        raise ValueError(f"unit {unit!r}: a caliper port sends mm or [in_i]")
    return 1 if unit == "[in_i]" else 0
