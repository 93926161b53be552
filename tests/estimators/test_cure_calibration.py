"""Calibration by touch: what ten pours teach, what a narrow season does not, and the book of intervals."""

from __future__ import annotations

from dataclasses import replace

import numpy as np
import pytest

from hoofsense.estimators.cure_calibration import (
    FirmTimeSurfaces,
    LoggedPour,
    _grid_material,
    _ln_firm,
    _log_between,
    calibrated,
    calibrated_profile,
    firm_time_surfaces,
    logged_pour,
)
from hoofsense.estimators.cure_ensemble import AirPoint
from hoofsense.estimators.cure_evidence import has_earned
from hoofsense.estimators.cure_smoother import Touch
from hoofsense.estimators.cure_surroundings import cold_sole_K
from hoofsense.materials import load_profile
from hoofsense.records import PourConditions

ICE_K = 273.15
STANDARD = load_profile("standard")
SEED = 20240501

Made = tuple[PourConditions, tuple[AirPoint, ...]]


def season(low_degC: float, high_degC: float, pours: int = 10) -> list[Made]:
    """Pours spread over a season: some with warmed material, some on a warmed sole, 6 to 9 mm thick."""
    made = []
    for i, air in enumerate(np.linspace(low_degC, high_degC, pours)):
        air_K = ICE_K + float(air)
        material_K = air_K if i % 3 else max(air_K, ICE_K + 18.0)
        sole_K = cold_sole_K(air_K) if i % 2 else max(cold_sole_K(air_K), ICE_K + 22.0)
        pour = PourConditions(0, 0.006 + 0.001 * (i % 4), material_K, sole_K, cover_m2_K_per_W=3e-4)
        made.append((pour, (AirPoint(0.0, air_K),)))
    return made


@pytest.fixture(scope="module")
def wide() -> tuple[list[Made], FirmTimeSurfaces]:
    made = season(-5.0, 32.0)
    return made, firm_time_surfaces(STANDARD, [LoggedPour(p, a, 1.0, 2.0) for p, a in made])


@pytest.fixture(scope="module")
def narrow() -> tuple[list[Made], FirmTimeSurfaces]:
    made = season(15.0, 25.0)
    return made, firm_time_surfaces(STANDARD, [LoggedPour(p, a, 1.0, 2.0) for p, a in made])


def touched(
    made: list[Made],
    surfaces: FirmTimeSurfaces,
    generator: np.random.Generator,
    ln_rate: float,
    energy: float,
    scatter: float = 0.08,
) -> list[LoggedPour]:
    """Touches every eighth of the firm time until it is firm, of a material with this rate and energy."""
    rate_z = np.array([ln_rate / STANDARD.ln_rate_u])
    energy_z = np.array(
        [(energy - STANDARD.activation_energy_J_per_mol) / STANDARD.activation_energy_u_J_per_mol]
    )
    log = []
    for i, (pour, air) in enumerate(made):
        firm = float(np.exp(surfaces.ln_firm(i, rate_z, energy_z)[0, 0] + generator.normal(0.0, scatter)))
        touches = np.arange(generator.uniform(0.4, 0.7) * firm, 3.0 * firm, max(60.0, firm / 8.0))
        log.append(logged_pour(pour, air, [Touch(float(t), bool(t >= firm)) for t in touches]))
    return log


def test_ten_pours_over_all_seasons_recover_rate_and_energy(
    wide: tuple[list[Made], FirmTimeSurfaces],
) -> None:
    # Computed in a study of such logs: ten pours over -5 to 32 degC give ln k within 5 %, E within 3 kJ/mol.
    made, surfaces = wide
    generator = np.random.default_rng(SEED)
    rate_errors, energy_errors, scores = [], [], []
    for _ in range(12):
        ln_rate, energy = generator.normal(0.0, 0.25), generator.uniform(42e3, 62e3)
        found = calibrated(STANDARD, touched(made, surfaces, generator, ln_rate, energy), surfaces)
        assert found.energy_claimed
        rate_errors.append(found.ln_rate - ln_rate)
        energy_errors.append(found.energy_J_per_mol - energy)
        scores.append((found.ln_rate - ln_rate) / found.ln_rate_u)
    assert np.sqrt(np.mean(np.square(rate_errors))) < 0.05
    assert np.sqrt(np.mean(np.square(energy_errors))) < 3e3
    assert np.sqrt(np.mean(np.square(scores))) < 1.6, "the stated uncertainty must be an honest one"


def test_a_narrow_season_refuses_to_claim_an_energy_but_learns_the_rate(
    narrow: tuple[list[Made], FirmTimeSurfaces],
) -> None:
    made, surfaces = narrow
    generator = np.random.default_rng(SEED)
    errors = []
    for energy in (44e3, 52e3, 60e3):
        found = calibrated(STANDARD, touched(made, surfaces, generator, 0.2, energy), surfaces)
        assert not found.energy_claimed
        assert found.energy_J_per_mol == STANDARD.activation_energy_J_per_mol
        assert found.energy_u_J_per_mol == STANDARD.activation_energy_u_J_per_mol
        assert "stays as it was" in found.energy_reason
        errors.append(found.ln_rate - 0.2)
    assert np.max(np.abs(errors)) < 0.15


def test_a_wide_season_with_careless_touches_may_not_claim_an_energy_either(
    wide: tuple[list[Made], FirmTimeSurfaces],
) -> None:
    made, surfaces = wide
    careless = [LoggedPour(p, a, None, 40000.0) for p, a in made]
    found = calibrated(STANDARD, careless, surfaces)
    assert not found.energy_claimed
    assert "narrow the energy only" in found.energy_reason
    assert found.ln_rate_u > 0.7 * STANDARD.ln_rate_u


def test_the_polynomial_follows_the_model(wide: tuple[list[Made], FirmTimeSurfaces]) -> None:
    made, surfaces = wide
    rate_z, energy_z = np.array([-1.7, 0.4, 2.3]), np.array([1.4, -2.2, 0.6])
    kinetics, heat = _grid_material(STANDARD, rate_z, energy_z)
    for i in (0, 4, 9):
        logged = LoggedPour(*made[i], 1.0, 2.0)
        exact = _ln_firm(STANDARD, logged, kinetics, heat)
        fitted = np.diag(surfaces.ln_firm(i, rate_z, energy_z))
        # A thumb's own spread is 0.15; an eighth of that is lost beside it.
        assert fitted == pytest.approx(exact, abs=0.02)


def test_open_ends_are_taken_for_what_they_are(wide: tuple[list[Made], FirmTimeSurfaces]) -> None:
    made, surfaces = wide
    middle = [float(np.exp(surfaces.ln_firm(i, np.zeros(1), np.zeros(1))[0, 0])) for i in range(len(made))]
    never_firm = [LoggedPour(p, a, 1.5 * t, None) for (p, a), t in zip(made, middle, strict=True)]
    firm_at_first = [LoggedPour(p, a, None, t / 1.5) for (p, a), t in zip(made, middle, strict=True)]
    assert calibrated(STANDARD, never_firm, surfaces).ln_rate < -0.2
    assert calibrated(STANDARD, firm_at_first, surfaces).ln_rate > 0.2


def test_past_intervals_are_booked_as_covered_missed_or_undecided(
    wide: tuple[list[Made], FirmTimeSurfaces],
) -> None:
    (pour, air), *_ = wide[0]
    said = (600.0, 900.0, 1500.0)
    cases = [
        (LoggedPour(pour, air, 800.0, 900.0, predicted=said), True),
        (LoggedPour(pour, air, 1600.0, 1700.0, predicted=said), False),
        (LoggedPour(pour, air, 1600.0, None, predicted=said), False),
        (LoggedPour(pour, air, None, 500.0, predicted=said), False),
        (LoggedPour(pour, air, 800.0, None, predicted=said), None),
        (LoggedPour(pour, air, 800.0, 900.0), None),
    ]
    found = calibrated(STANDARD, [logged for logged, _ in cases])
    assert [item.covered for item in found.checked] == [verdict for _, verdict in cases]
    assert (found.covered, found.missed, found.undecided) == (1, 3, 2)
    assert found.covered_ratio == pytest.approx(0.25)


def test_a_calibrated_profile_is_narrower_and_can_earn_authority(
    wide: tuple[list[Made], FirmTimeSurfaces],
) -> None:
    made, surfaces = wide
    generator = np.random.default_rng(SEED)
    log = touched(made, surfaces, generator, 0.25, 47e3)
    said = [
        replace(
            item,
            predicted=(
                0.4 * (item.firm_from_s or 1.0),
                item.firm_from_s or 1.0,
                2.5 * (item.firm_from_s or 1.0),
            ),
        )
        for item in log
    ]
    found = calibrated(STANDARD, said, surfaces)
    learned = calibrated_profile(STANDARD, found)
    assert learned.reference_firm_s < 0.9 * STANDARD.reference_firm_s
    assert learned.reference_work_s < STANDARD.reference_work_s
    assert learned.activation_energy_J_per_mol == pytest.approx(47e3, abs=3e3)
    assert learned.ln_rate_u < 0.5 * STANDARD.ln_rate_u
    assert learned.activation_energy_u_J_per_mol < 0.5 * STANDARD.activation_energy_u_J_per_mol
    assert any("10 logged pours" in text for text in learned.assumptions)
    assert has_earned(learned, (AirPoint(0.0, ICE_K + 10.0),))
    assert not has_earned(learned, (AirPoint(0.0, ICE_K - 15.0),))
    again = calibrated_profile(
        learned, replace(found, ln_rate=0.0, energy_J_per_mol=learned.activation_energy_J_per_mol)
    )
    assert again.reference_firm_s == pytest.approx(learned.reference_firm_s, rel=1e-3)


def test_all_touches_of_a_pour_become_one_interval() -> None:
    (pour, air), *_ = season(10.0, 20.0, 2)
    log = logged_pour(
        pour, air, [Touch(300.0, False), Touch(500.0, True), Touch(600.0, False), Touch(900.0, True)]
    )
    assert (log.soft_until_s, log.firm_from_s) == (600.0, 900.0)
    assert logged_pour(pour, air, [Touch(500.0, True), Touch(400.0, True)]).firm_from_s == 400.0
    assert logged_pour(pour, air, [Touch(500.0, False)]).firm_from_s is None


def test_logs_that_say_nothing_or_nonsense_are_refused() -> None:
    (pour, air), *_ = season(10.0, 20.0, 2)
    with pytest.raises(ValueError, match="without any touch"):
        logged_pour(pour, air, [])
    with pytest.raises(ValueError, match="still soft"):
        LoggedPour(pour, air, 900.0, 600.0)
    with pytest.raises(ValueError, match="after the pour"):
        LoggedPour(pour, air, -5.0, 600.0)
    with pytest.raises(ValueError, match="needs its air"):
        LoggedPour(pour, (), 500.0, 600.0)
    with pytest.raises(ValueError, match="not one of"):
        LoggedPour(pour, air, 500.0, 600.0, place="heel")
    with pytest.raises(ValueError, match="log at least 3"):
        calibrated(STANDARD, [LoggedPour(pour, air, 500.0, 600.0)])


def test_interval_probabilities_keep_their_digits_far_out_in_the_tails() -> None:
    # Phi(b) - Phi(a) for a, b far in the upper tail is about phi(a)/a; from the asymptotic series, to 5 %.
    lower, upper = np.array([20.0]), np.array([25.0])
    expected = -0.5 * 20.0**2 - np.log(20.0 * np.sqrt(2.0 * np.pi))
    assert _log_between(lower, upper)[0] == pytest.approx(expected, abs=0.05)
    assert _log_between(-upper, -lower)[0] == pytest.approx(expected, abs=0.05)
    assert _log_between(np.array([-1.0]), np.array([1.0]))[0] == pytest.approx(np.log(0.682689), abs=1e-5)
