"""The only place that converts units. Names are UCUM codes.

source: Unified Code for Units of Measure (UCUM) 2.1; inch and Fahrenheit by their exact definitions.
"""

from __future__ import annotations

from hoofsense.records import Quantity

# unit -> (dimension, factor, offset): SI = value * factor + offset
_TO_SI: dict[str, tuple[str, float, float]] = {
    "K": ("temperature", 1.0, 0.0),
    "Cel": ("temperature", 1.0, 273.15),
    "[degF]": ("temperature", 5.0 / 9.0, 273.15 - 32.0 * 5.0 / 9.0),
    "m": ("length", 1.0, 0.0),
    "cm": ("length", 1e-2, 0.0),
    "mm": ("length", 1e-3, 0.0),
    "[in_i]": ("length", 0.0254, 0.0),
    "1": ("ratio", 1.0, 0.0),
    "%": ("ratio", 0.01, 0.0),
    "Pa": ("pressure", 1.0, 0.0),
    "hPa": ("pressure", 100.0, 0.0),
    "m/s": ("speed", 1.0, 0.0),
    "s": ("time", 1.0, 0.0),
    "min": ("time", 60.0, 0.0),
    "h": ("time", 3600.0, 0.0),
    "mL": ("volume", 1e-6, 0.0),
    "m3": ("volume", 1.0, 0.0),
}


def dimension_of(unit: str) -> str:
    """Name of the dimension a UCUM unit measures; ValueError for a unit this program does not know."""
    try:
        return _TO_SI[unit][0]
    except KeyError:
        known = ", ".join(sorted(_TO_SI))
        raise ValueError(f"unit {unit!r} is not known: use one of {known}") from None


def si_from(value: float, unit: str) -> float:
    """Value in the coherent SI unit of its dimension (K, m, 1, Pa, m/s, s, m3)."""
    dimension_of(unit)
    _, factor, offset = _TO_SI[unit]
    return value * factor + offset


def value_in(si_value: float, unit: str) -> float:
    """SI value expressed in unit."""
    dimension_of(unit)
    _, factor, offset = _TO_SI[unit]
    return (si_value - offset) / factor


def si_difference_from(value: float, unit: str) -> float:
    """A difference (or an uncertainty) in SI: the offset of a temperature scale does not apply."""
    dimension_of(unit)
    return value * _TO_SI[unit][1]


def difference_in(si_difference: float, unit: str) -> float:
    """A difference in SI expressed in unit, without the scale's offset."""
    dimension_of(unit)
    return si_difference / _TO_SI[unit][1]


def value_for(quantity: Quantity, value: float, unit: str) -> float:
    """Value in the quantity's own unit; ValueError when unit measures something else."""
    if dimension_of(unit) != dimension_of(quantity.unit):
        raise ValueError(
            f"{quantity.value} cannot be given in {unit!r} ({dimension_of(unit)}): "
            f"send a unit of {dimension_of(quantity.unit)}"
        )
    return si_from(value, unit)
