"""Lines of gauges that send ASCII over USB serial: [prefix]+-ddd.ddd[unit], without CR LF.

    prefix  up to 8 letters and digits ("01A"); only before a sign, else it could not be told from the digits
    value   decimal number, its digits are its resolution
    unit    mm, cm, in, inch or " (any case), spaces before it allowed; when missing it must be configured
    other layouts: a pattern, its own text with {value} for the number, {unit} for the unit, ? for any one
    character and ~ for any run of characters, e.g. "N{value}~" or "L:{value} {unit}"

A missing unit is never assumed, and a unit that contradicts the configured one is refused.

Document: common practice of serial gauges (from memory); no standard.
"""

from __future__ import annotations

import re
from dataclasses import dataclass
from functools import lru_cache

from hoofsense.units import dimension_of
from hoofsense.wire.decimal_text import decimal_from, decimal_text
from hoofsense.wire.errors import FrameError

_LONGEST_LINE = 64  # bytes; own choice, gauges send under 20
UNIT_WORDS = {"mm": "mm", "cm": "cm", "in": "[in_i]", "inch": "[in_i]", '"': "[in_i]"}
_WORD_OF = {"mm": "mm", "cm": "cm", "[in_i]": "in"}
_UNIT = r"(?P<unit>mm|cm|inch|in|\")"
_PLAIN = re.compile(
    r"(?:(?P<prefix>[A-Za-z0-9]{0,8})(?=[+-]))?(?P<value>[+-]?[0-9.]+) *" + _UNIT + "?",
    re.IGNORECASE | re.ASCII,
)
_WILD = {"?": ".", "~": ".*", "{value}": r"(?P<value>[+-]? *[0-9.,]+)", "{unit}": _UNIT}
_WILD_SPLIT = re.compile(r"(\{value\}|\{unit\}|[?~])")


@dataclass(frozen=True, slots=True)
class GaugeLine:
    """One length of a gauge: value in unit, resolution from its digits, prefix as sent."""

    value: float
    unit: str
    resolution: float
    prefix: str = ""


@lru_cache(maxsize=32)
def _compiled(pattern: str) -> re.Pattern[str]:
    """The regular expression of a pattern; ValueError unless {value} is in it once."""
    if pattern.count("{value}") != 1 or pattern.count("{unit}") > 1 or pattern.count("~") > 2:
        raise ValueError(
            f"gauge pattern {pattern!r} needs {{value}} once, at most one {{unit}} and two ~: correct it"
        )
    parts = (_WILD.get(part) or re.escape(part) for part in _WILD_SPLIT.split(pattern))
    return re.compile("".join(parts), re.IGNORECASE | re.ASCII)


def decode_gauge_line(
    payload: bytes, configured_unit: str | None = None, pattern: str | None = None
) -> GaugeLine:
    """Length of one line.

    configured_unit  UCUM code for gauges that send none
    pattern          for gauges with another layout (see the head of this file)
    raises           FrameError long, number or unit; ValueError for a pattern or configured unit of no use
    """
    if configured_unit is not None:
        dimension_of(configured_unit)
    expected = _PLAIN if pattern is None else _compiled(pattern)
    if len(payload) > _LONGEST_LINE:
        raise FrameError(
            f"{len(payload)} bytes in a gauge line, {_LONGEST_LINE} at most: check the port's speed",
            payload,
            "long",
        )
    match = expected.fullmatch(payload.decode("ascii", "replace").strip(" "))
    if match is None:
        raise FrameError(
            "this line is not a value of the gauge: check its settings and the port's speed",
            payload,
            "number",
        )
    found = match.groupdict()
    value, resolution = decimal_from(found["value"].replace(" ", ""), payload, comma=pattern is not None)
    word = found.get("unit")
    stated = UNIT_WORDS[word.lower()] if word else None
    unit = stated or configured_unit
    if unit is None:
        raise FrameError("the gauge sends no unit: set mm or in for this port", payload, "unit")
    if configured_unit is not None and unit != configured_unit:
        raise FrameError(
            f"the gauge sends {unit} and {configured_unit} is set for this port: make them agree",
            payload,
            "unit",
        )
    return GaugeLine(value, unit, resolution, found.get("prefix") or "")


def encode_gauge_line(line: GaugeLine, with_unit: bool = True) -> bytes:
    """Bytes of one line without CR LF, sign always written; ValueError for a unit gauges do not send."""
    if line.unit not in _WORD_OF:
        raise ValueError(f"unit {line.unit!r}: a gauge sends one of {', '.join(_WORD_OF)}")
    digits = decimal_text(line.value, line.resolution)
    signed = digits if digits.startswith("-") else "+" + digits
    return (line.prefix + signed + (_WORD_OF[line.unit] if with_unit else "")).encode("ascii")
