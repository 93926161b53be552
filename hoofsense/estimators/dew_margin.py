"""How far a surface stands above the temperature at which the air's water settles on it.

"Substrate at least 3 K above the dew point" is a common margin of the coatings trade, written for steel,
which does not absorb. A freshly heated sole passes trivially, so ask again for the surface temperatures
expected while the pad cures: dew_point_margin_through.
"""

from __future__ import annotations

import math
from dataclasses import dataclass

import numpy as np

from hoofsense.physics.psychrometrics import (
    SUPERCOOLED_LOW_K,
    WATER_HIGH_K,
    condensation_point_K,
    vapour_pressure_Pa,
)
from hoofsense.records import AirConditions, Estimate
from hoofsense.units import value_in

REQUIRED_MARGIN_K = 3.0  # common coatings-industry margin; read in secondary sources only
COVERAGE_90 = 1.645  # standard deviations either side that hold 90 % of a normal distribution
SURFACE_LOW_K, SURFACE_HIGH_K = 223.15, 423.15  # what a sole or a pad can be; beyond it a reading is a fault
_NAME = "dew_point_margin"
_MODEL = "two-phase saturation, 3 K coatings margin"
_PROBE_K = 0.5  # step of the numerical slope of the condensation point


@dataclass(frozen=True, slots=True)
class SurfaceForecast:
    """A surface temperature expected after_s seconds from now, with its standard uncertainty."""

    after_s: float
    surface_K: float
    surface_u_K: float


def _unknown(reason: str) -> Estimate:
    return Estimate(_NAME, None, None, None, "K", _MODEL, False, reason)


def _condensation_point(air: AirConditions) -> tuple[float, float] | str:
    """Condensation point and its standard uncertainty in K, or the sentence that says why there is none."""
    if air.air_K is None or air.relative_humidity_ratio is None:
        missing = "temperature" if air.air_K is None else "humidity"
        return f"the air's {missing} is not known: put the air sensor beside the foot"
    air_K, humidity = air.air_K, air.relative_humidity_ratio
    if not SUPERCOOLED_LOW_K + _PROBE_K <= air_K <= WATER_HIGH_K - _PROBE_K:
        return f"air at {value_in(air_K, 'Cel'):.0f} degC is outside -49 to 199 degC: check the air sensor"
    if not 0.01 <= humidity <= 1.0:
        return f"humidity {value_in(humidity, '%'):.1f} % is outside 1 to 100 %: check the humidity sensor"
    # the point itself and its slopes: u_dew^2 = (d dew/d air u_air)^2 + (d dew/d ln p u_rh/rh)^2
    pressures = np.asarray(vapour_pressure_Pa(np.array([air_K, air_K + _PROBE_K, air_K]), humidity))
    pressures[2] *= 1.0 + 0.01
    try:
        points = condensation_point_K(pressures)
    except ValueError as why:
        return str(why)
    per_K = (points[1] - points[0]) / _PROBE_K
    per_ln_p = (points[2] - points[0]) / math.log1p(0.01)
    u = math.hypot(per_K * air.air_u_K, per_ln_p * air.relative_humidity_u_ratio / humidity)
    return float(points[0]), u


def _margin(surface_K: float, surface_u_K: float, point_K: float, point_u_K: float, when: str) -> Estimate:
    if not (SURFACE_LOW_K <= surface_K <= SURFACE_HIGH_K and 0.0 <= surface_u_K < math.inf):
        raise ValueError(
            f"surface {surface_K} K with uncertainty {surface_u_K} K is outside {SURFACE_LOW_K:g} to "
            f"{SURFACE_HIGH_K:g} K with 0 K or more: screen the reading first"
        )
    margin = surface_K - point_K
    half = COVERAGE_90 * math.hypot(surface_u_K, point_u_K)
    because = (
        f"{when}surface {value_in(surface_K, 'Cel'):.1f} degC, "
        f"water settles below {value_in(point_K, 'Cel'):.1f} degC"
    )
    return Estimate(_NAME, margin, margin - half, margin + half, "K", _MODEL, True, because)


def dew_point_margin(surface_K: float, surface_u_K: float, air: AirConditions) -> Estimate:
    """Surface temperature minus the air's condensation point (frost point below freezing), in K.

    surface_K, surface_u_K  223.15 to 423.15 K and its standard uncertainty, 0 K or more; ValueError beyond
    air                     temperature and humidity must both be known, else the value is None with a reason
    returns                 Estimate in K; low and high hold 90 % of the instruments' uncertainty. Gate on
                            low >= REQUIRED_MARGIN_K: it is never laxer than (Ts - u) - (dew point + u)
    """
    found = _condensation_point(air)
    return _unknown(found) if isinstance(found, str) else _margin(surface_K, surface_u_K, *found, "")


def dew_point_margin_through(forecast: tuple[SurfaceForecast, ...], air: AirConditions) -> Estimate:
    """The margin at its lowest along a forecast of the surface, e.g. from now until the pad is firm.

    forecast  one or more expected surface temperatures; the air is taken as staying as it is now
    returns   the Estimate whose low end is the lowest; its reason says when
    """
    if not forecast:
        return _unknown("no surface temperature is forecast: say how the foot will be covered")
    found = _condensation_point(air)
    if isinstance(found, str):
        return _unknown(found)
    margins = [
        _margin(step.surface_K, step.surface_u_K, *found, f"in {value_in(step.after_s, 'min'):.0f} min: ")
        for step in forecast
    ]
    return min(margins, key=lambda margin: margin.low if margin.low is not None else math.inf)
