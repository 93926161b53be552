"""A caliper value typed by a person or by the caliper's keyboard cable, recorded as checked text.

    body   "<number> <unit>": decimal point or decimal comma, unit mm, cm or in, e.g. 12,34 mm
    tail   "*" and CRC (see checked_text)

The unit is stated by the field the value was typed in, or in the text itself; it is never guessed, and a
text that contradicts its field is refused.

Document: this file, version 1.
"""

from __future__ import annotations

import re
from dataclasses import dataclass

from hoofsense.wire.checked_text import decode_checked, encode_checked
from hoofsense.wire.decimal_text import decimal_from
from hoofsense.wire.errors import FrameError
from hoofsense.wire.gauge_line import UNIT_WORDS

_TYPED = re.compile(r"(?P<number>[+-]?[0-9]+(?:[.,][0-9]+)?)\s*(?P<unit>mm|cm|inch|in|\")?", re.I | re.ASCII)
_WORD_OF = {"mm": "mm", "cm": "cm", "[in_i]": "in"}
_MOST_DIGITS = 9  # either side of the point, as decimal_text reads


@dataclass(frozen=True, slots=True)
class TypedValue:
    """One typed length: value in unit (UCUM), resolution from the digits typed."""

    value: float
    unit: str
    resolution: float


def encode_typed(text: str, unit: str | None = None) -> bytes:
    """Checked text of what was typed; unit is the UCUM unit the field states.

    raises  ValueError, in words for the person who typed, when text is no number, when no unit is stated or
            when the two disagree
    """
    match = _TYPED.fullmatch(text.strip())
    if match is None or max(map(len, re.split("[.,]", match["number"].lstrip("+-")))) > _MOST_DIGITS:
        raise ValueError(f"{text.strip()!r} is not a length such as 12.34 or 12,34: type the number again")
    if unit is not None and unit not in _WORD_OF:
        raise ValueError(f"unit {unit!r} is not a length: choose mm, cm or in")
    typed_unit = UNIT_WORDS[match["unit"].lower()] if match["unit"] else None
    stated = typed_unit or unit
    if stated is None:
        raise ValueError(f"{text.strip()!r} has no unit: choose mm or in")
    if unit is not None and stated != unit:
        raise ValueError(
            f"{text.strip()!r} is not in {_WORD_OF[unit]}, which the field states: change one of them"
        )
    return encode_checked(f"{match['number']} {_WORD_OF[stated]}")


def decode_typed(payload: bytes) -> TypedValue:
    """The typed length; FrameError short, checksum, field, number or unit."""
    number, _, word = decode_checked(payload).partition(" ")
    unit = UNIT_WORDS.get(word)
    if unit is None:
        raise FrameError(f"typed value in {word!r}: state mm, cm or in", payload, "unit")
    value, resolution = decimal_from(number, payload, comma=True)
    return TypedValue(value, unit, resolution)
