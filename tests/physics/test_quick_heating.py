"""Heat to the quick against closed forms, its own refined grid, and the project's tables."""

from __future__ import annotations

import math

import numpy as np
import pytest
from scipy.special import erfc

from hoofsense.physics import quick_heating as quick
from hoofsense.physics.constants import ICE_POINT_K
from hoofsense.physics.thermal_dose import cem43_of_ramp_min

START_K = 29.0 + ICE_POINT_K
# horn mm, surface degC, seconds to 2 CEM43 at the quick; project simulation with unstated horn properties,
# reproduced here with the fast end of the diffusivity prior and 29 degC at the start.
TO_TWO_MINUTES_S = (
    (4, 50, 334), (4, 60, 133), (4, 80, 62), (4, 100, 43),
    (6, 60, 259), (6, 80, 127), (6, 100, 90),
    (8, 60, 418), (8, 80, 212), (8, 100, 153),
    (10, 60, 612), (10, 80, 316), (10, 100, 229),
)  # fmt: skip
# horn mm, seconds from the start of one pulse of 80 degC for 30 s to the peak at the quick; same source
PEAK_AFTER_PULSE_S = ((4, 59.0), (6, 105.0), (10, 234.0))


@pytest.mark.parametrize("duration_s", [20.0, 60.0, 120.0])
@pytest.mark.parametrize("horn_mm", [4.0, 6.0])
def test_a_steady_hot_surface_gives_the_half_space_solution(horn_mm: float, duration_s: float) -> None:
    # Carslaw and Jaeger 1959, 2.4(10): (T - T0)/(Ts - T0) = erfc(x / (2 sqrt(a t))); from memory
    model = quick.quick_model(horn_mm * 1e-3)
    nodes = quick.read_step_K(model, quick.at_rest_K(model, 300.0, 300.0), 340.0, 340.0, duration_s)
    depth = horn_mm * 1e-3 / (2.0 * math.sqrt(quick.DIFFUSIVITY_m2_per_s * duration_s))
    assert nodes[model.quick] == pytest.approx(300.0 + 40.0 * float(erfc(depth)), abs=0.1)


def test_a_cooling_surface_gives_the_half_space_solution() -> None:
    # Carslaw and Jaeger 1959, 2.7(1) at the surface: theta = exp(b^2) erfc(b), b = h sqrt(a t)/k; from memory
    model = quick.quick_model(0.004)
    nodes = quick.free_step_K(model, quick.at_rest_K(model, 320.0, 320.0), 290.0, 100.0)
    b = quick.STILL_AIR_W_per_m2_K * math.sqrt(quick.DIFFUSIVITY_m2_per_s * 100.0)
    b /= quick.CONDUCTIVITY_W_per_m_K
    assert nodes[0] == pytest.approx(290.0 + 30.0 * math.exp(b * b) * float(erfc(b)), abs=0.03)


def test_halving_the_cells_quarters_the_error() -> None:
    exact = 300.0 + 40.0 * float(erfc(0.006 / (2.0 * math.sqrt(quick.DIFFUSIVITY_m2_per_s * 60.0))))

    def error(cells: int) -> float:
        model = quick.quick_model(0.006, horn_cells=cells)
        nodes = quick.read_step_K(model, quick.at_rest_K(model, 300.0, 300.0), 340.0, 340.0, 60.0)
        return abs(float(nodes[model.quick]) - exact)

    assert 3.0 < error(6) / error(12) < 5.0


def test_one_long_step_equals_many_short_ones() -> None:
    model = quick.quick_model(0.005)
    one = quick.read_step_K(model, quick.at_rest_K(model, 290.0, 303.0), 290.0, 340.0, 25.0)
    many = quick.at_rest_K(model, 290.0, 303.0)
    for i in range(100):
        many = quick.read_step_K(model, many, 290.0 + i / 2, 290.5 + i / 2, 0.25)
    assert np.allclose(one, many, atol=1e-8)


def test_heat_lost_by_the_body_is_heat_given_to_the_air() -> None:
    model = quick.quick_model(0.005)
    nodes = quick.read_step_K(model, quick.at_rest_K(model, 300.0, 300.0), 350.0, 350.0, 20.0)
    before = quick.heat_content_J_per_m2(model, nodes)
    lost, step_s = 0.0, 0.5
    for _ in range(200):
        after = quick.free_step_K(model, nodes, 290.0, step_s)
        mean_surface = quick.free_step_K(model, nodes, 290.0, step_s / 2)[0]
        lost += quick.STILL_AIR_W_per_m2_K * (mean_surface - 290.0) * step_s
        nodes = after
    assert before - quick.heat_content_J_per_m2(model, nodes) == pytest.approx(lost, rel=1e-3)


def test_looking_forward_equals_stepping_forward() -> None:
    model = quick.quick_model(0.006)
    nodes = quick.read_step_K(model, quick.at_rest_K(model, 295.0, 303.0), 345.0, 345.0, 15.0)
    ahead = quick.forward_K(model, nodes, 293.0)
    assert model.forward_s[-1] == 300.0
    stepped = quick.free_step_K(model, nodes, 293.0, float(model.forward_s[30]))
    assert ahead[30] == pytest.approx(stepped[model.quick], abs=1e-9)


@pytest.mark.parametrize(("horn_mm", "surface_degC", "expected_s"), TO_TWO_MINUTES_S)
def test_two_equivalent_minutes_take_the_times_of_the_table(
    horn_mm: float, surface_degC: float, expected_s: float
) -> None:
    model = quick.quick_model(horn_mm * 1e-3)
    surface_K = surface_degC + ICE_POINT_K
    nodes = quick.at_rest_K(model, START_K, START_K)
    dose, elapsed_s, last_K = 0.0, 0.0, START_K
    while dose < 2.0 and elapsed_s < 1000.0:
        nodes = quick.read_step_K(model, nodes, surface_K, surface_K, 1.0)
        now_K = float(nodes[model.quick])
        dose += cem43_of_ramp_min(last_K, now_K, 1.0)
        elapsed_s, last_K = elapsed_s + 1.0, now_K
    assert elapsed_s == pytest.approx(expected_s, rel=0.03)


@pytest.mark.parametrize(("horn_mm", "expected_s"), PEAK_AFTER_PULSE_S)
def test_the_quick_peaks_after_the_gun_goes_off(horn_mm: float, expected_s: float) -> None:
    model = quick.quick_model(horn_mm * 1e-3)
    nodes = quick.at_rest_K(model, START_K, START_K)
    nodes = quick.read_step_K(model, nodes, 80.0 + ICE_POINT_K, 80.0 + ICE_POINT_K, 30.0)
    peak_s = 30.0 + float(model.forward_s[int(np.argmax(quick.forward_K(model, nodes, 293.15)))])
    assert peak_s == pytest.approx(expected_s, rel=0.04)


@pytest.mark.parametrize(
    "impossible",
    [
        lambda: quick.quick_model(0.0),
        lambda: quick.quick_model(float("nan")),
        lambda: quick.read_step_K(quick.quick_model(), np.full(3, 300.0), 300.0, 300.0, -1.0),
        lambda: quick.free_step_K(quick.quick_model(), np.full(3, 300.0), 300.0, -1.0),
    ],
)
def test_what_cannot_be_is_refused_with_a_sentence(impossible: object) -> None:
    assert callable(impossible)
    with pytest.raises(ValueError, match=": "):
        impossible()
