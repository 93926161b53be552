"""Decimal numbers as instruments and people write them: the digits say the resolution.

    [+|-] digits [ (.|,) digits ]     ASCII digits only; no exponent, no thousands separator

"12.340" is 12.34 with a least count of 0.001. Used by bridge_line, gauge_line and typed.

Document: this file, version 1.
"""

from __future__ import annotations

import re

from hoofsense.wire.errors import FrameError

# Nine digits either side hold every instrument here (a u32 has ten, a caliper six): own choice.
_DECIMAL = re.compile(r"[+-]?(?:[0-9]{1,9})(?:[.]([0-9]{1,9}))?", re.ASCII)
_TENTHS = tuple(float(f"1e-{places}") for places in range(10))


def decimal_from(text: str, payload: bytes, comma: bool = False) -> tuple[float, float]:
    """Value and least count of a decimal text; comma says whether a decimal comma is accepted too.

    raises  FrameError number, carrying payload
    """
    dotted = text.replace(",", ".") if comma else text
    match = _DECIMAL.fullmatch(dotted)
    if match is None:
        raise FrameError(
            f"{text!r} is not a plain decimal number such as 12.34: check what is sent", payload, "number"
        )
    places = match.group(1)
    value = float(dotted)
    return (value if value != 0.0 else 0.0), _TENTHS[len(places) if places else 0]


def decimal_text(value: float, resolution: float) -> str:
    """Value written with as many decimals as resolution (a power of ten, 1 to 1e-9) has.

    raises  ValueError for a resolution that decimals cannot show
    """
    for places, tenth in enumerate(_TENTHS):
        if resolution == tenth:
            text = f"{value:.{places}f}"
            return text.removeprefix("-") if float(text) == 0.0 else text
    raise ValueError(f"resolution {resolution} is not 1, 0.1 ... 1e-9: give the value as decimals show it")
