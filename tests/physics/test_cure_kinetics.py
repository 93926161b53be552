"""Kinetics against closed forms: orders, adiabatic rise, gel points, equal equivalent age."""

from __future__ import annotations

import numpy as np
import pytest
from scipy.integrate import quad, solve_ivp

from hoofsense.physics.cure_kinetics import (
    Kinetics,
    adiabatic_rise_K,
    arrest_factor,
    cure_rate_per_s,
    gel_degree,
    glass_transition_K,
    isothermal_time_s,
    kinetics_of,
    nth_order_degree,
    plateau_degree,
    reduced_time,
)
from hoofsense.physics.equivalent_age import equivalent_age_s

REFERENCE_K = 294.15


def one(**changes: float) -> Kinetics:
    values = {"rate_per_s": 0.0024, "activation_energy_J_per_mol": 52e3, "b": 0.2, "m": 1.0, "n": 2.0}
    values.update(changes)
    return kinetics_of(1, reference_K=REFERENCE_K, **values)


@pytest.mark.parametrize("order", [0.5, 1.0, 1.5, 2.0])
def test_isothermal_nth_order_cure_follows_its_closed_form(order: float) -> None:
    # b >> degree^m makes the law b k (1 - degree)^n; m large keeps degree^m away.
    kinetics = one(b=1.0, m=60.0, n=order, rate_per_s=1e-3)
    course = solve_ivp(
        lambda _t, a: cure_rate_per_s(a, REFERENCE_K, kinetics), (0.0, 800.0), [0.0], rtol=1e-9, atol=1e-12
    )
    assert course.y[0, -1] == pytest.approx(float(nth_order_degree(order, 0.8)), abs=2e-6)


@pytest.mark.parametrize("shape", [(0.03, 1.0, 1.2), (0.2, 1.0, 2.0), (1.2, 1.0, 2.6), (0.02, 0.5, 3.8)])
def test_reduced_time_agrees_with_adaptive_quadrature(shape: tuple[float, float, float]) -> None:
    b, m, n = shape
    exact = quad(
        lambda a: 1.0 / ((b + a**m) * (1.0 - a) ** n), 0.0, 0.9, epsabs=0.0, epsrel=1e-11, limit=300
    )[0]
    assert float(reduced_time(0.0, 0.9, b, m, n)) == pytest.approx(exact, rel=1e-8)


def test_reduced_time_adds_up_and_turns_round() -> None:
    whole = reduced_time(0.0, 0.8, 0.2, 1.0, 2.0)
    parts = reduced_time(0.0, 0.3, 0.2, 1.0, 2.0) + reduced_time(0.3, 0.8, 0.2, 1.0, 2.0)
    assert float(whole) == pytest.approx(float(parts), rel=1e-9)
    assert float(reduced_time(0.8, 0.3, 0.2, 1.0, 2.0)) < 0.0
    with pytest.raises(ValueError, match="outside 0 to 1"):
        reduced_time(0.0, 1.0, 0.2, 1.0, 2.0)


def test_the_kinetics_of_a_quarter_hour_pour_need_37_minutes_isothermally() -> None:
    # Computed with E = 50 kJ/mol and the rate that makes 8 mm at 21 degC firm in 15 min: 37 min at 21 degC.
    kinetics = one(activation_energy_J_per_mol=50e3, rate_per_s=0.0025078)
    assert float(isothermal_time_s(0.80, REFERENCE_K, kinetics)[0]) / 60.0 == pytest.approx(37.0, abs=0.1)


def test_with_one_energy_equal_equivalent_age_is_equal_cure_whatever_the_path() -> None:
    kinetics = one()
    energy = 52e3

    def path_K(time_s: float) -> float:
        return 278.0 + 35.0 * np.exp(-(((time_s - 700.0) / 300.0) ** 2))

    course = solve_ivp(
        lambda t, a: cure_rate_per_s(a, path_K(t), kinetics), (0.0, 2400.0), [0.0], rtol=1e-10, atol=1e-13
    )
    midpoints = np.arange(0.5, 2400.0)
    age_s = equivalent_age_s(path_K(midpoints), 1.0, energy, REFERENCE_K)
    isothermal = float(isothermal_time_s(course.y[0, -1], REFERENCE_K, kinetics)[0])
    assert isothermal == pytest.approx(age_s, rel=1e-5)


@pytest.mark.parametrize(("groups", "degree"), [((3.0, 2.0), 0.7071), ((4.0, 2.0), 0.577), ((3.0, 3.0), 0.5)])
def test_gel_points_of_common_networks(groups: tuple[float, float], degree: float) -> None:
    # C. W. Macosko and D. R. Miller 1976; computed values, four and three decimals.
    assert gel_degree(*groups) == pytest.approx(degree, abs=5e-4)


def test_a_mix_of_two_ended_molecules_never_gels() -> None:
    with pytest.raises(ValueError, match="never gel"):
        gel_degree(2.0, 2.0)


def test_adiabatic_rise_of_the_default_heat() -> None:
    # Computed: 110 J/g over 1.8 J/(g K) is 61 K.
    assert adiabatic_rise_K(110e3, 1800.0) == pytest.approx(61.1, abs=0.05)
    with pytest.raises(ValueError, match="positive"):
        adiabatic_rise_K(110e3, 0.0)


def test_every_kelvin_warmer_cures_faster_at_every_degree() -> None:
    temperatures = np.linspace(253.15, 353.15, 101)
    for degree in (0.0, 0.3, 0.8, 0.99):
        rates = [float(cure_rate_per_s(np.array([degree]), np.array([t]), one())[0]) for t in temperatures]
        assert np.all(np.diff(rates) > 0.0)


def test_nothing_is_left_to_react_at_full_cure_or_beyond() -> None:
    rates = cure_rate_per_s(np.array([[1.0], [1.0 + 1e-6]]), np.full((2, 1), 300.0), one())
    assert rates == pytest.approx(0.0, abs=1e-20)


def glassy() -> Kinetics:
    return kinetics_of(
        1, rate_per_s=0.0024, activation_energy_J_per_mol=52e3, reference_K=REFERENCE_K, b=0.2, n=2.0,
        glass_start_K=213.15, glass_full_K=333.15,
    )  # fmt: skip


def test_the_glass_transition_rises_from_mixed_to_fully_cured() -> None:
    kinetics = glassy()
    degrees = np.linspace(0.0, 1.0, 21)
    transition = glass_transition_K(degrees, kinetics.glass_start_K, kinetics.glass_full_K)
    assert transition[0] == pytest.approx(213.15)
    assert transition[-1] == pytest.approx(333.15)
    assert np.all(np.diff(transition) > 0.0)


def test_cure_stalls_at_the_plateau_in_the_cold_and_not_in_the_warm() -> None:
    kinetics = glassy()
    plateau = float(plateau_degree(268.15, kinetics)[0])
    assert 0.0 < plateau < 0.9
    at_plateau = arrest_factor(
        np.array([plateau]), np.array([268.15]), kinetics.glass_start_K, kinetics.glass_full_K
    )
    assert float(at_plateau[0]) == pytest.approx(0.5, abs=1e-9)
    assert float(plateau_degree(340.0, kinetics)[0]) == 1.0
    free = float(cure_rate_per_s(np.array([0.9]), np.array([268.15]), one())[0])
    held = float(cure_rate_per_s(np.array([0.9]), np.array([268.15]), glassy())[0])
    assert held < 0.1 * free


def test_without_a_known_glass_transition_nothing_is_arrested() -> None:
    assert float(plateau_degree(230.0, one())[0]) == 1.0
    factor = arrest_factor(np.array([0.99]), np.array([230.0]), np.zeros(1), np.zeros(1))
    assert float(factor[0]) == 1.0


@pytest.mark.parametrize("field", ["rate_per_s", "b", "n", "m"])
def test_kinetics_that_cannot_be_are_refused(field: str) -> None:
    with pytest.raises(ValueError, match=field):
        one(**{field: 0.0})
    with pytest.raises(ValueError, match="not a number"):
        one(activation_energy_J_per_mol=float("nan"))
