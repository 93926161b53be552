"""Thermal dose against the definition's own round numbers and the damage integral's times."""

from __future__ import annotations

import numpy as np
import pytest

from hoofsense.physics import thermal_dose as dose
from hoofsense.physics.constants import ICE_POINT_K

# degC, min, CEM43 min; computed by hand from Sapareto and Dewey 1984 with R 0.5 above and 0.25 below 43 degC
STEADY = ((43, 60, 60), (44, 30, 60), (42, 60, 15), (45, 10, 40), (41, 60, 3.75), (50, 1, 128), (47, 5, 80))
# degC, seconds to a damage integral of 1; computed from Henriques' constants (from memory)
HENRIQUES = ((44, 16259.0), (47, 1773.0), (50, 201.0), (55, 5.87), (60, 0.19))


@pytest.mark.parametrize(("celsius", "minutes", "expected"), STEADY)
def test_steady_heat_gives_the_equivalent_minutes_of_the_definition(
    celsius: float, minutes: float, expected: float
) -> None:
    steady = celsius + ICE_POINT_K
    assert dose.cem43_rate_min_per_s(steady) * minutes * 60.0 == pytest.approx(expected, rel=1e-9)
    assert dose.cem43_of_ramp_min(steady, steady, minutes * 60.0) == pytest.approx(expected, rel=1e-9)


@pytest.mark.parametrize(("celsius", "expected_s"), HENRIQUES)
def test_the_damage_integral_takes_the_known_times(celsius: float, expected_s: float) -> None:
    assert 1.0 / dose.henriques_rate_per_s(celsius + ICE_POINT_K) == pytest.approx(expected_s, rel=3e-3)


@pytest.mark.parametrize(
    ("start", "end"), [(38.0, 42.5), (42.0, 47.0), (47.0, 42.0), (44.0, 52.0), (43.0, 43.0)]
)
def test_a_ramp_is_the_integral_of_its_rate(start: float, end: float) -> None:
    path = np.linspace(start, end, 400_001) + ICE_POINT_K
    fine = float(np.trapezoid(dose.cem43_rate_min_per_s(path), np.linspace(0.0, 90.0, path.size)))
    exact = dose.cem43_of_ramp_min(start + ICE_POINT_K, end + ICE_POINT_K, 90.0)
    assert exact == pytest.approx(fine, rel=1e-5)


def test_cutting_a_trace_in_two_does_not_change_its_dose() -> None:
    times, path = np.array([0.0, 40.0, 100.0, 130.0]), np.array([310.0, 319.0, 314.0, 317.0])
    middle = np.interp(70.0, times, path)
    cut = dose.cem43_of_trace_min(np.array([0.0, 40.0, 70.0]), np.array([310.0, 319.0, middle]))
    cut += dose.cem43_of_trace_min(np.array([70.0, 100.0, 130.0]), np.array([middle, 314.0, 317.0]))
    assert cut == pytest.approx(dose.cem43_of_trace_min(times, path), rel=1e-12)


def test_a_row_of_ramps_gives_a_row_of_doses() -> None:
    row = dose.cem43_of_ramp_min(np.array([315.0, 317.0]), np.array([318.0, 317.0]), 30.0)
    assert row.shape == (2,)
    assert row[0] == pytest.approx(dose.cem43_of_ramp_min(315.0, 318.0, 30.0))


def test_the_damage_integral_of_a_steady_trace_is_rate_times_time() -> None:
    times = np.array([0.0, 50.0, 201.0])
    assert dose.henriques_of_trace(times, np.full(3, 323.15)) == pytest.approx(1.0, abs=0.01)


@pytest.mark.parametrize(
    "impossible",
    [
        lambda: dose.cem43_rate_min_per_s(45.0),  # a temperature in degC by mistake
        lambda: dose.cem43_of_ramp_min(315.0, float("nan"), 1.0),
        lambda: dose.cem43_of_ramp_min(315.0, 315.0, -1.0),
        lambda: dose.cem43_of_trace_min(np.array([1.0, 0.0]), np.array([315.0, 315.0])),
        lambda: dose.henriques_of_trace(np.array([0.0]), np.array([315.0, 315.0])),
    ],
)
def test_what_cannot_be_is_refused_with_a_sentence(impossible: object) -> None:
    assert callable(impossible)
    with pytest.raises(ValueError, match=": "):
        impossible()
