"""Maturity functions against published and computed values."""

from __future__ import annotations

import numpy as np
import pytest

from hoofsense.physics.constants import ICE_POINT_K, GAS_CONSTANT_J_per_mol_K
from hoofsense.physics.equivalent_age import (
    age_factor,
    doubling_energy_J_per_mol,
    equivalent_age_s,
    freiesleben_hansen_energy_J_per_mol,
    nurse_saul_index_K_s,
)

DAY_s = 86400.0
HOUR_s = 3600.0
# E / R = 5000 K is a customary quotient in ASTM C1074 guides.
Q5000_J_per_mol = 5000.0 * GAS_CONSTANT_J_per_mol_K


def K(degC: float) -> float:
    return ICE_POINT_K + degC


def test_nurse_saul_of_28_days_at_15_degC_over_a_datum_of_minus_11_is_728_degC_days() -> None:
    # Published worked example (ASTM C1074 practice guide): 28 d x (15 - (-11)) = 728 degC d, exact.
    index = nurse_saul_index_K_s(np.full(28, K(15.0)), DAY_s, K(-11.0))
    assert index / DAY_s == pytest.approx(728.0, rel=1e-12)


def test_nurse_saul_3500_degC_hours_is_152_hours_at_23_degC_and_72_hours_needs_49_degC() -> None:
    # Published worked example (maturity guide), rounded there to 1 h and 1 degC.
    per_hour = nurse_saul_index_K_s([K(23.0)], HOUR_s, K(0.0)) / HOUR_s
    assert 3500.0 / per_hour == pytest.approx(152.0, abs=0.5)
    assert 3500.0 / 72.0 == pytest.approx(49.0, abs=0.5)
    assert nurse_saul_index_K_s(np.full(72, K(3500.0 / 72.0)), HOUR_s, K(0.0)) / HOUR_s == pytest.approx(
        3500.0
    )


def test_nothing_is_counted_at_or_below_the_nurse_saul_datum() -> None:
    history_K = np.array([K(-20.0), K(-10.0), K(0.0)])
    assert nurse_saul_index_K_s(history_K, 10.0, K(-10.0)) == pytest.approx(100.0)


@pytest.mark.parametrize(
    ("degC", "factor"), [(0.0, 0.2868), (10.0, 0.5475), (20.0, 1.0), (30.0, 1.7553), (40.0, 2.9723)]
)
def test_age_factors_for_q_5000_at_20_degC(degC: float, factor: float) -> None:
    # Computed from the formula with 273.15; four decimals.
    assert float(age_factor(K(degC), Q5000_J_per_mol, K(20.0))) == pytest.approx(factor, abs=5e-5)


@pytest.mark.parametrize(
    ("degC", "factor"), [(-10.0, 0.0265), (0.0, 0.1511), (10.0, 0.4974), (30.0, 1.5736), (40.0, 2.4056)]
)
def test_freiesleben_hansen_factors(degC: float, factor: float) -> None:
    # P. Freiesleben Hansen and E. J. Pedersen energies from memory; factors computed, four decimals.
    energy = freiesleben_hansen_energy_J_per_mol(K(degC))
    assert float(age_factor(K(degC), energy, K(20.0))) == pytest.approx(factor, abs=5e-5)


def test_doubling_per_ten_degrees_is_a_different_energy_at_every_temperature() -> None:
    # Computed: 44.6 kJ/mol over 0 to 10 degC, 51.2 over 20 to 30 degC.
    assert doubling_energy_J_per_mol(K(0.0), K(10.0)) == pytest.approx(44.6e3, abs=50.0)
    assert doubling_energy_J_per_mol(K(20.0), K(30.0)) == pytest.approx(51.2e3, abs=50.0)
    energy = doubling_energy_J_per_mol(K(0.0), K(10.0))
    assert float(age_factor(K(10.0), energy, K(0.0))) == pytest.approx(2.0, rel=1e-12)


def test_equivalent_age_at_the_reference_temperature_is_the_time_itself() -> None:
    assert equivalent_age_s(np.full(9, K(21.0)), 100.0, 52e3, K(21.0)) == pytest.approx(900.0, rel=1e-12)


def test_equivalent_age_adds_over_the_pieces_of_a_history() -> None:
    history_K = K(0.0) + np.linspace(0.0, 30.0, 61)
    steps_s = np.linspace(5.0, 15.0, 61)
    whole = equivalent_age_s(history_K, steps_s, 52e3, K(21.0))
    parts = equivalent_age_s(history_K[:20], steps_s[:20], 52e3, K(21.0)) + equivalent_age_s(
        history_K[20:], steps_s[20:], 52e3, K(21.0)
    )
    assert whole == pytest.approx(parts, rel=1e-12)


def test_every_kelvin_warmer_ages_faster() -> None:
    factors = age_factor(K(0.0) + np.arange(-20.0, 50.0), 52e3, K(21.0))
    assert np.all(np.diff(factors) > 0.0)


def test_degrees_given_for_kelvin_and_time_running_backwards_are_refused() -> None:
    with pytest.raises(ValueError, match="absolute zero"):
        age_factor(-10.0, 52e3, K(21.0))
    with pytest.raises(ValueError, match="backwards"):
        equivalent_age_s([K(1.0)], [-1.0], 52e3, K(21.0))
    with pytest.raises(ValueError, match="lower to a higher"):
        doubling_energy_J_per_mol(K(10.0), K(0.0))
