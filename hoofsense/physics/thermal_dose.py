"""Thermal dose of living tissue: cumulative equivalent minutes at 43 degC, and the Henriques damage integral.

No limit for the tissue under a hoof was found anywhere; both scales come from other tissues. Use them to
compare and to stay far away, never as a promise of harmlessness.

source: S. A. Sapareto and W. C. Dewey, Thermal dose determination in cancer therapy, Int. J. Radiat. Oncol.
        Biol. Phys. 10 (1984) 787 (CEM43); F. C. Henriques, Studies of thermal injury V, Arch. Pathol. 43
        (1947) 489 (damage integral; constants from memory)
"""

from __future__ import annotations

import math
from typing import TypeVar

import numpy as np
from numpy.typing import NDArray

from hoofsense.physics.constants import ICE_POINT_K

Array = NDArray[np.float64]
Value = TypeVar("Value", float, Array)

REFERENCE_K = ICE_POINT_K + 43.0  # Sapareto and Dewey 1984: the temperature dose is counted at
RATIO_ABOVE = 0.5  # per degree at and above 43 degC, Sapareto and Dewey 1984
RATIO_BELOW = 0.25  # per degree below 43 degC, Sapareto and Dewey 1984
_LN_ABOVE = -math.log(RATIO_ABOVE)
_LN_BELOW = -math.log(RATIO_BELOW)
_S_PER_MIN = 60.0

_LN_HENRIQUES_PER_S = math.log(3.1e98)  # Henriques 1947, from memory
_HENRIQUES_K = 75000.0  # activation temperature, Henriques 1947, from memory

LOW_K, HIGH_K = 200.0, 500.0  # far outside anything tissue meets; beyond it a reading is a fault


def _checked(temperature_K: float | Array) -> Array:
    t = np.asarray(temperature_K, dtype=np.float64)
    if not bool(np.all((t >= LOW_K) & (t <= HIGH_K))):
        raise ValueError(
            f"tissue at {temperature_K} K is outside {LOW_K:g} to {HIGH_K:g} K: check the thermometer"
        )
    return t


def cem43_rate_min_per_s(temperature_K: Value) -> Value:
    """Equivalent minutes at 43 degC gathered per second at a steady temperature (200 to 500 K), min/s."""
    above = _checked(temperature_K) - REFERENCE_K
    rate = np.exp(above * np.where(above >= 0.0, _LN_ABOVE, _LN_BELOW)) / _S_PER_MIN
    return rate if isinstance(temperature_K, np.ndarray) else float(rate)


def _branch_min(start: float, end: float, per_K: float, duration_s: float) -> float:
    """Dose of a ramp that stays on one side of 43 degC; start and end in K above 43 degC."""
    half = 0.5 * per_K * (end - start)
    # sinh(h)/h = 1 + h^2/6 to 1e-9 for the smallest h, where the quotient itself loses digits
    spread = 1.0 + half * half / 6.0 if abs(half) < 1e-4 else math.sinh(half) / half
    return duration_s / _S_PER_MIN * math.exp(0.5 * per_K * (start + end)) * spread


def _ramp_min(start: float, end: float, duration_s: float) -> float:
    if start >= 0.0 and end >= 0.0:
        return _branch_min(start, end, _LN_ABOVE, duration_s)
    if start < 0.0 and end < 0.0:
        return _branch_min(start, end, _LN_BELOW, duration_s)
    low, high = min(start, end), max(start, end)
    below_s = duration_s * low / (low - high)
    return _branch_min(low, 0.0, _LN_BELOW, below_s) + _branch_min(0.0, high, _LN_ABOVE, duration_s - below_s)


_ramps_min = np.frompyfunc(_ramp_min, 3, 1)


def cem43_of_ramp_min(start_K: Value, end_K: float | Array, duration_s: float | Array) -> Value:
    """Equivalent minutes at 43 degC of temperatures that run evenly from start to end, exactly.

    start_K, end_K  200 to 500 K; end_K and duration_s (0 s or more) broadcast to the shape of start_K
    returns         min; the two branches are split where the ramp crosses 43 degC
    """
    if isinstance(start_K, float) and isinstance(end_K, float) and isinstance(duration_s, float):
        if LOW_K <= start_K <= HIGH_K and LOW_K <= end_K <= HIGH_K and duration_s >= 0.0:
            return _ramp_min(start_K - REFERENCE_K, end_K - REFERENCE_K, duration_s)
    a, b = _checked(start_K) - REFERENCE_K, _checked(end_K) - REFERENCE_K
    duration = np.asarray(duration_s, dtype=np.float64)
    if not bool(np.all(duration >= 0.0)):
        raise ValueError(f"duration {duration_s} s must be 0 or more: put the readings in order of time")
    dose = np.asarray(_ramps_min(a, b, duration), dtype=np.float64)
    return np.broadcast_to(dose, start_K.shape).copy() if isinstance(start_K, np.ndarray) else float(dose)


def _checked_trace(times_s: Array, temperatures_K: Array) -> tuple[Array, Array]:
    times = np.asarray(times_s, dtype=np.float64)
    values = np.asarray(temperatures_K, dtype=np.float64)
    if times.ndim != 1 or times.shape != values.shape or times.size == 0:
        raise ValueError(
            f"times {times.shape} and temperatures {values.shape} differ: give equal rows of 1 or more"
        )
    if bool(np.any(np.diff(times) < 0.0)):
        raise ValueError("the times step back: put the readings in order of time")
    return times, values


def cem43_of_trace_min(times_s: Array, temperatures_K: Array) -> float:
    """Equivalent minutes at 43 degC of a trace joined by straight lines.

    times_s         shape (n,), rising or level, n >= 1
    temperatures_K  shape (n,), 200 to 500 K
    """
    times, values = _checked_trace(times_s, temperatures_K)
    return float(np.sum(cem43_of_ramp_min(values[:-1], values[1:], np.diff(times))))


def henriques_rate_per_s(temperature_K: Value) -> Value:
    """Rate of the damage integral at a steady temperature (200 to 500 K), 1/s; 1 in all is lasting damage."""
    rate = np.exp(_LN_HENRIQUES_PER_S - _HENRIQUES_K / _checked(temperature_K))
    return rate if isinstance(temperature_K, np.ndarray) else float(rate)


def henriques_of_trace(times_s: Array, temperatures_K: Array) -> float:
    """Damage integral of a trace, by the trapezoid of its rate: sample steps of 1 K or finer.

    times_s, temperatures_K  as for cem43_of_trace_min
    """
    times, values = _checked_trace(times_s, temperatures_K)
    return float(np.trapezoid(henriques_rate_per_s(values), times))
