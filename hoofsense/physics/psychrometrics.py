"""Moist air: saturation over water and ice, dew and frost point, wet bulb, humidity ratio.

Relative humidity is over liquid water at every temperature, because that is what sensors report (WMO-No. 8,
part I, chapter 4). "Two-phase" means over ice below the triple point and over water above it.

Shapes: the first argument decides the shape of the answer (float in, float out); the other arguments are
floats or arrays that broadcast to it.

source: ASHRAE Handbook Fundamentals 2017, chapter 1: equations 5 and 6 (saturation), 20 (humidity ratio),
        33 and 35 (wet bulb).
departs: the two saturation equations are switched at the triple point, 273.16 K, and not at 0 degC: they
        cross there, and switching earlier leaves a step that no inversion converges through.
"""

from __future__ import annotations

from typing import TypeVar

import numpy as np
from numpy.typing import NDArray

from hoofsense.physics.constants import ICE_POINT_K, TRIPLE_POINT_K, STANDARD_PRESSURE_Pa

Array = NDArray[np.float64]
Value = TypeVar("Value", float, Array)

# ASHRAE 2017 chapter 1 equation 5, over ice: ln p = C1/T + C2 + C3 T + C4 T^2 + C5 T^3 + C6 T^4 + C7 ln T
_ICE = (-5674.5359, 6.3925247, -9.677843e-3, 6.2215701e-7, 2.0747825e-9, -9.484024e-13, 4.1635019)
# ASHRAE 2017 chapter 1 equation 6, over water: ln p = C8/T + C9 + C10 T + C11 T^2 + C12 T^3 + C13 ln T
_WATER = (-5800.2206, 1.3914993, -0.048640239, 4.1764768e-5, -1.4452093e-8, 6.5459673)

ICE_LOW_K = 173.15  # -100 degC, where equation 5 begins
WATER_HIGH_K = 473.15  # 200 degC, where equation 6 ends
# Equation 6 begins at 0 degC; it is read on below that for supercooled water (compared with the WMO formula
# over water in the tests).
SUPERCOOLED_LOW_K = 223.15

# Ratio of the molar masses of water and dry air, ASHRAE 2017 chapter 1 equation 20.
MOLAR_MASS_RATIO = 0.621945

# Enthalpies of ASHRAE 2017 chapter 1 equations 33 and 35, J/kg and J/(kg K), zero at 0 degC.
_DRY_AIR_CP = 1006.0
_VAPOUR_H0, _VAPOUR_CP = 2501e3, 1860.0
_WATER_CP = 4186.0
_EQ33_SLOPE = 2326.0  # = 4186 - 1860
_ICE_SUBLIMATION, _ICE_CP, _EQ35_SLOPE = 2830e3, 2100.0, 240.0

_NEWTON_STEPS = 40  # never reached: six or seven steps reach 1e-9 K
_BISECTIONS = 60  # halves 500 K to below 1e-12 K
_CONVERGED_K = 1e-9


def _within(values: Array, low: float, high: float, what: str, unit: str, next_step: str) -> None:
    """Raise ValueError naming the first value outside low to high (NaN counts as outside)."""
    bad = ~((values >= low) & (values <= high))
    if bool(np.any(bad)):
        worst = float(np.atleast_1d(values)[np.atleast_1d(bad)][0])
        raise ValueError(f"{what} {worst:.6g} {unit} is outside {low:.6g} to {high:.6g} {unit}: {next_step}")


def _shaped(result: Array, like: Value) -> Value:
    if isinstance(like, np.ndarray):
        return np.broadcast_to(result, like.shape).copy()
    return float(result)


def _ln_ice(temperature: Array) -> Array:
    t = temperature
    polynomial = _ICE[1] + t * (_ICE[2] + t * (_ICE[3] + t * (_ICE[4] + t * _ICE[5])))
    return np.asarray(_ICE[0] / t + polynomial + _ICE[6] * np.log(t))


def _ln_water(temperature: Array) -> Array:
    t = temperature
    polynomial = _WATER[1] + t * (_WATER[2] + t * (_WATER[3] + t * _WATER[4]))
    return np.asarray(_WATER[0] / t + polynomial + _WATER[5] * np.log(t))


def _ln_ice_slope(temperature: Array) -> Array:
    t = temperature
    return np.asarray(
        -_ICE[0] / t**2 + _ICE[2] + t * (2 * _ICE[3] + t * (3 * _ICE[4] + t * 4 * _ICE[5])) + _ICE[6] / t
    )


def _ln_water_slope(temperature: Array) -> Array:
    t = temperature
    return np.asarray(-_WATER[0] / t**2 + _WATER[2] + t * (2 * _WATER[3] + t * 3 * _WATER[4]) + _WATER[5] / t)


def saturation_pressure_over_water_Pa(temperature_K: Value) -> Value:
    """Vapour pressure in equilibrium with liquid water, supercooled below 0 degC.

    temperature_K  223.15 to 473.15 K (-50 to 200 degC); ASHRAE 2017 equation 6
    raises         ValueError outside that range
    """
    t = np.asarray(temperature_K, dtype=np.float64)
    _within(t, SUPERCOOLED_LOW_K, WATER_HIGH_K, "temperature", "K", "check the thermometer")
    return _shaped(np.exp(_ln_water(t)), temperature_K)


def saturation_pressure_over_ice_Pa(temperature_K: Value) -> Value:
    """Vapour pressure in equilibrium with ice, Pa; 173.15 to 273.16 K, ASHRAE 2017 equation 5."""
    t = np.asarray(temperature_K, dtype=np.float64)
    _within(
        t, ICE_LOW_K, TRIPLE_POINT_K, "temperature over ice", "K", "ask for saturation over water above it"
    )
    return _shaped(np.exp(_ln_ice(t)), temperature_K)


def saturation_pressure_Pa(temperature_K: Value) -> Value:
    """Two-phase saturation pressure: over ice below 273.16 K, over water from there on.

    temperature_K  173.15 to 473.15 K
    returns        Pa, shape of temperature_K
    raises         ValueError outside that range
    accuracy       3e-4 of the value against ASHRAE 2017 chapter 1 table 3
    """
    t = np.asarray(temperature_K, dtype=np.float64)
    _within(t, ICE_LOW_K, WATER_HIGH_K, "temperature", "K", "check the thermometer")
    return _shaped(np.exp(np.where(t < TRIPLE_POINT_K, _ln_ice(t), _ln_water(t))), temperature_K)


def vapour_pressure_Pa(air_K: Value, relative_humidity_ratio: float | Array) -> Value:
    """Vapour pressure of air whose relative humidity is given over liquid water at every temperature.

    air_K                    223.15 to 473.15 K
    relative_humidity_ratio  0 to 1
    """
    humidity = np.asarray(relative_humidity_ratio, dtype=np.float64)
    _within(humidity, 0.0, 1.0, "relative humidity", "(as a ratio)", "check the humidity sensor")
    saturation = saturation_pressure_over_water_Pa(air_K)
    return _shaped(humidity * np.asarray(saturation, dtype=np.float64), air_K)


def relative_humidity_ratio(vapour_Pa: Value, air_K: float | Array) -> Value:
    """Relative humidity over liquid water, as a ratio, of air at air_K (223.15 to 473.15 K)."""
    saturation = saturation_pressure_over_water_Pa(np.asarray(air_K, dtype=np.float64))
    return _shaped(np.asarray(vapour_Pa, dtype=np.float64) / saturation, vapour_Pa)


def _inverted(pressure: Array, over_ice: bool, low_K: float, high_K: float) -> Array:
    """Temperature at which a saturation curve takes this pressure, by Newton on ln p against 1/T.

    ln p is nearly straight in 1/T, so the steps converge from any start in the range.
    """
    target = np.log(pressure)
    log_pressure, slope = (_ln_ice, _ln_ice_slope) if over_ice else (_ln_water, _ln_water_slope)
    inverse = np.full_like(target, 1.0 / (ICE_POINT_K if not over_ice else 0.5 * (low_K + high_K)))
    for _ in range(_NEWTON_STEPS):
        t = 1.0 / inverse
        step = (target - log_pressure(t)) / (-slope(t) * t**2)
        inverse = np.clip(inverse + step, 1.0 / (high_K + 1.0), 1.0 / (low_K - 1.0))
        if bool(np.all(np.abs(step) * t**2 < _CONVERGED_K)):
            break
    return np.asarray(1.0 / inverse)


def dew_point_K(vapour_Pa: Value) -> Value:
    """Temperature at which this vapour pressure saturates over liquid water, supercooled if below 0 degC.

    vapour_Pa  6.5 to 1.5e6 Pa (-50 to 200 degC)
    returns    K, within 1e-6 K of the exact inverse of saturation_pressure_over_water_Pa
    raises     ValueError outside that range
    """
    p = np.asarray(vapour_Pa, dtype=np.float64)
    ends = np.exp(_ln_water(np.array([SUPERCOOLED_LOW_K, WATER_HIGH_K])))
    _within(p, float(ends[0]), float(ends[1]), "vapour pressure", "Pa", "check the humidity sensor")
    return _shaped(_inverted(p, False, SUPERCOOLED_LOW_K, WATER_HIGH_K), vapour_Pa)


def frost_point_K(vapour_Pa: Value) -> Value:
    """Temperature at which this vapour pressure saturates over ice.

    vapour_Pa  0.0014 to 611.65 Pa (-100 to 0.01 degC)
    raises     ValueError outside that range: above the triple point there is no frost, ask for the dew point
    """
    p = np.asarray(vapour_Pa, dtype=np.float64)
    ends = np.exp(_ln_ice(np.array([ICE_LOW_K, TRIPLE_POINT_K])))
    _within(
        p, float(ends[0]), float(ends[1]), "vapour pressure over ice", "Pa", "ask for the dew point above it"
    )
    return _shaped(_inverted(p, True, ICE_LOW_K, TRIPLE_POINT_K), vapour_Pa)


def condensation_point_K(vapour_Pa: Value) -> Value:
    """The warmest surface on which water settles out of the air: frost point below freezing, else dew point.

    vapour_Pa  0.0014 to 1.5e6 Pa; below the triple point the frost point lies above the dew point
    """
    p = np.asarray(vapour_Pa, dtype=np.float64)
    ends = np.exp(_ln_ice(np.array([ICE_LOW_K]))), np.exp(_ln_water(np.array([WATER_HIGH_K])))
    _within(p, float(ends[0][0]), float(ends[1][0]), "vapour pressure", "Pa", "check the humidity sensor")
    triple_Pa = float(np.exp(_ln_ice(np.array([TRIPLE_POINT_K])))[0])
    frost = _inverted(np.minimum(p, triple_Pa), True, ICE_LOW_K, TRIPLE_POINT_K)
    dew = _inverted(np.maximum(p, triple_Pa), False, SUPERCOOLED_LOW_K, WATER_HIGH_K)
    return _shaped(np.where(p < triple_Pa, frost, dew), vapour_Pa)


def humidity_ratio(vapour_Pa: Value, pressure_Pa: float | Array = STANDARD_PRESSURE_Pa) -> Value:
    """Mass of vapour to mass of dry air, kg/kg (equation 20); ValueError unless vapour is below pressure."""
    p = np.asarray(vapour_Pa, dtype=np.float64)
    total = np.asarray(pressure_Pa, dtype=np.float64)
    if not bool(np.all((p >= 0.0) & (p < total))):
        raise ValueError(
            f"vapour pressure must be 0 Pa or more and below the total pressure, got {vapour_Pa} Pa "
            f"in {pressure_Pa} Pa: check the humidity and the pressure"
        )
    return _shaped(MOLAR_MASS_RATIO * p / (total - p), vapour_Pa)


def vapour_pressure_of_ratio_Pa(
    humidity_ratio_kg_per_kg: Value, pressure_Pa: float | Array = STANDARD_PRESSURE_Pa
) -> Value:
    """Vapour pressure of air with this humidity ratio; the inverse of humidity_ratio. ratio >= 0."""
    w = np.asarray(humidity_ratio_kg_per_kg, dtype=np.float64)
    _within(w, 0.0, np.inf, "humidity ratio", "kg/kg", "check the humidity and the pressure")
    total = np.asarray(pressure_Pa, dtype=np.float64)
    return _shaped(total * w / (MOLAR_MASS_RATIO + w), humidity_ratio_kg_per_kg)


def _ratio_at_wet_bulb(air_C: Array, wet_C: Array, pressure: Array) -> Array:
    """Humidity ratio of air at air_C whose wet bulb is wet_C: equations 33 (water) and 35 (ice)."""
    wet_K = wet_C + ICE_POINT_K
    frozen = wet_K < TRIPLE_POINT_K
    saturation_Pa = np.exp(np.where(frozen, _ln_ice(wet_K), _ln_water(wet_K)))
    saturated = MOLAR_MASS_RATIO * saturation_Pa / (pressure - saturation_Pa)
    cooling = _DRY_AIR_CP * (air_C - wet_C)
    over_water = ((_VAPOUR_H0 - _EQ33_SLOPE * wet_C) * saturated - cooling) / (
        _VAPOUR_H0 + _VAPOUR_CP * air_C - _WATER_CP * wet_C
    )
    over_ice = ((_ICE_SUBLIMATION - _EQ35_SLOPE * wet_C) * saturated - cooling) / (
        _ICE_SUBLIMATION + _VAPOUR_CP * air_C - _ICE_CP * wet_C
    )
    return np.where(frozen, over_ice, over_water)


def wet_bulb_K(
    air_K: Value, vapour_Pa: float | Array, pressure_Pa: float | Array = STANDARD_PRESSURE_Pa
) -> Value:
    """Thermodynamic wet bulb of air at air_K: where evaporating water into it stops cooling it.

    air_K      223.15 K to 673.15 K: the answer is bounded by the boiling point, so hot jets are allowed
    vapour_Pa  0 to the saturation pressure over water at air_K, and below pressure_Pa
    returns    K; a wick that is ice below the triple point
    accuracy   against real-gas moist air (tests): 0.06 K in air to 200 degC, 0.2 K in air at 300 degC,
               where the constant heat capacities of equations 33 and 35 begin to matter
    raises     ValueError outside those ranges
    """
    air, vapour, pressure = np.broadcast_arrays(
        np.asarray(air_K, dtype=np.float64),
        np.asarray(vapour_Pa, dtype=np.float64),
        np.asarray(pressure_Pa, dtype=np.float64),
    )
    _within(air, SUPERCOOLED_LOW_K, WATER_HIGH_K + 200.0, "air temperature", "K", "check the thermometer")
    target = np.asarray(humidity_ratio(vapour, pressure), dtype=np.float64)
    boiling = _inverted(np.minimum(pressure, 1.5e6), False, SUPERCOOLED_LOW_K, WATER_HIGH_K)
    reachable = np.minimum(air, WATER_HIGH_K)
    full = np.exp(_ln_water(reachable))
    too_wet = (air < boiling) & (vapour > full * (1.0 + 1e-9))
    if bool(np.any(too_wet)):
        raise ValueError(
            "vapour pressure is above saturation over water at the air temperature: check the humidity sensor"
        )
    low = np.full(air.shape, ICE_LOW_K) - ICE_POINT_K
    high = np.minimum(air, boiling - 1e-6) - ICE_POINT_K
    for _ in range(_BISECTIONS):
        middle = 0.5 * (low + high)
        too_low = _ratio_at_wet_bulb(air - ICE_POINT_K, middle, pressure) < target
        low = np.where(too_low, middle, low)
        high = np.where(too_low, high, middle)
    return _shaped(0.5 * (low + high) + ICE_POINT_K, air_K)


def adiabatic_saturation_K(
    ambient_K: Value,
    relative_humidity: float | Array,
    jet_K: float | Array,
    pressure_Pa: float | Array = STANDARD_PRESSURE_Pa,
) -> Value:
    """Where a wet surface levels off in a jet of ambient air that was only heated, so keeps its moisture.

    ambient_K          223.15 to 473.15 K, the air the gun draws in
    relative_humidity  0 to 1 over liquid water, of that air
    jet_K              temperature of the heated air at the surface, 223.15 to 673.15 K
    returns            K; the wet bulb of the jet, which is its adiabatic saturation temperature
    """
    vapour = vapour_pressure_Pa(np.asarray(ambient_K, dtype=np.float64), relative_humidity)
    jet = np.asarray(jet_K, dtype=np.float64)
    wet = wet_bulb_K(np.broadcast_to(jet, np.broadcast_shapes(jet.shape, vapour.shape)), vapour, pressure_Pa)
    return _shaped(wet, ambient_K)
