"""Calibration by touch: what ten pours teach, what a narrow season does not, and the book of intervals."""

from __future__ import annotations

from dataclasses import replace

import numpy as np
import pytest

from hoofsense.estimators import cure_calibration
from hoofsense.estimators.cure_calibration import (
    SHAPE_N_LEAST_u,
    calibrated,
    calibrated_profile,
)
from hoofsense.estimators.cure_ensemble import AirPoint
from hoofsense.estimators.cure_evidence import has_earned
from hoofsense.estimators.cure_log import LoggedPour, SecondMark, logged_pour, touch_interval
from hoofsense.estimators.cure_mark_times import (
    DEGREES,
    MarkTimes,
    log_between,
    log_likelihood,
    mark_times,
    modelled_ln_times,
    point_material,
    shape_b_of,
    shape_n_of,
    work_scale,
)
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
def wide() -> tuple[list[Made], MarkTimes]:
    made = season(-5.0, 32.0)
    return made, mark_times(STANDARD, [LoggedPour(p, a, 1.0, 2.0) for p, a in made])


@pytest.fixture(scope="module")
def narrow() -> tuple[list[Made], MarkTimes]:
    made = season(15.0, 25.0)
    return made, mark_times(STANDARD, [LoggedPour(p, a, 1.0, 2.0) for p, a in made])


def touched(
    made: list[Made],
    times: MarkTimes,
    generator: np.random.Generator,
    ln_rate: float,
    energy: float,
    scatter: float = 0.08,
    shape_z: tuple[float, float] = (0.0, 0.0),
    seconds: tuple[str, ...] = (),
) -> list[LoggedPour]:
    """Touches every eighth of a time until it is reached, of a material with this rate, energy and shape."""
    energy_z = (energy - STANDARD.activation_energy_J_per_mol) / STANDARD.activation_energy_u_J_per_mol
    z = np.array([[ln_rate / STANDARD.ln_rate_u, energy_z, *shape_z]])

    def felt(true_s: float) -> list[Touch]:
        at_s = np.arange(generator.uniform(0.4, 0.7) * true_s, 3.0 * true_s, max(60.0, true_s / 8.0))
        return [Touch(float(t), bool(t >= true_s)) for t in at_s]

    log = []
    for i, (pour, air) in enumerate(made):
        true_s = np.exp(times.ln_times(i, z)[:, 0] + generator.normal(0.0, scatter))
        marks = [SecondMark(d, *touch_interval(felt(float(true_s[DEGREES.index(d)])))) for d in seconds]
        log.append(logged_pour(pour, air, felt(float(true_s[DEGREES.index("firm")])), seconds=marks))
    return log


def test_ten_pours_over_all_seasons_recover_rate_and_energy(
    wide: tuple[list[Made], MarkTimes],
) -> None:
    # Computed in a study of such logs: ten pours over -5 to 32 degC give ln k within 5 %, E within 3 kJ/mol.
    made, times = wide
    generator = np.random.default_rng(SEED)
    rate_errors, energy_errors, scores = [], [], []
    for _ in range(12):
        ln_rate, energy = generator.normal(0.0, 0.25), generator.uniform(42e3, 62e3)
        found = calibrated(STANDARD, touched(made, times, generator, ln_rate, energy), times)
        assert found.energy.claimed
        rate_errors.append(found.ln_rate - ln_rate)
        energy_errors.append(found.energy.value - energy)
        scores.append((found.ln_rate - ln_rate) / found.ln_rate_u)
    assert np.sqrt(np.mean(np.square(rate_errors))) < 0.05
    assert np.sqrt(np.mean(np.square(energy_errors))) < 3e3
    assert np.sqrt(np.mean(np.square(scores))) < 1.6, "the stated uncertainty must be an honest one"


def test_a_narrow_season_refuses_to_claim_an_energy_but_learns_the_rate(
    narrow: tuple[list[Made], MarkTimes],
) -> None:
    made, times = narrow
    generator = np.random.default_rng(SEED)
    errors = []
    for energy in (44e3, 52e3, 60e3):
        found = calibrated(STANDARD, touched(made, times, generator, 0.2, energy), times)
        assert not found.energy.claimed
        assert found.energy.value == STANDARD.activation_energy_J_per_mol
        assert found.energy.u == STANDARD.activation_energy_u_J_per_mol
        assert "stays as it was" in found.energy.reason
        errors.append(found.ln_rate - 0.2)
    assert np.max(np.abs(errors)) < 0.15


def test_a_wide_season_with_careless_touches_may_not_claim_an_energy_either(
    wide: tuple[list[Made], MarkTimes],
) -> None:
    made, times = wide
    careless = [LoggedPour(p, a, None, 40000.0) for p, a in made]
    found = calibrated(STANDARD, careless, times)
    assert not found.energy.claimed
    assert "narrow the energy only" in found.energy.reason
    assert found.ln_rate_u > 0.7 * STANDARD.ln_rate_u


def test_the_polynomial_follows_the_model(wide: tuple[list[Made], MarkTimes]) -> None:
    made, times = wide
    z = np.array([[-1.7, 1.4, 0.5, -1.0], [0.4, -1.2, -1.5, 1.6], [1.8, 0.6, 1.0, 0.3]])
    kinetics, heat = point_material(STANDARD, z)
    scale = work_scale(STANDARD)
    for i in (0, 4, 9):
        logged = LoggedPour(*made[i], 1.0, 2.0)
        exact = modelled_ln_times(STANDARD, logged, kinetics, heat, scale)
        # Pours scatter by 0.1 and a thumb errs by 0.05; 0.035 two standard uncertainties out is lost in that.
        assert times.ln_times(i, z) == pytest.approx(exact, abs=0.035)


def test_the_fixed_points_give_the_posterior_that_a_grid_gives(
    wide: tuple[list[Made], MarkTimes], monkeypatch: pytest.MonkeyPatch
) -> None:
    monkeypatch.setattr(cure_calibration, "_SCATTERS_ln", (0.15,))
    monkeypatch.setattr(cure_calibration, "_SCATTER_SHARE_MOST", 1.1)
    made, times = wide
    few = [made[i] for i in (0, 5, 9)]
    picked = MarkTimes(times.coefficients[[0, 5, 9]])
    log = touched(few, picked, np.random.default_rng(SEED), 0.2, 47e3, seconds=("load",))
    grid = np.linspace(-3.3, 3.3, 13)
    z = np.stack([axis.ravel() for axis in np.meshgrid(grid, grid, grid, grid, indexing="ij")], axis=1)
    total = log_likelihood(picked, log, z, 0.15) - 0.5 * np.sum(z**2, axis=1)
    weights = np.exp(total - total.max())
    weights /= weights.sum()
    mean = weights @ z
    sd = np.sqrt(weights @ (z - mean) ** 2)
    found = calibrated(STANDARD, log, picked)
    # 13 points across hold a posterior of this width (a third to a half of the prior) to a few hundredths.
    assert found.ln_rate / STANDARD.ln_rate_u == pytest.approx(mean[0], abs=0.06)
    assert found.ln_rate_u / STANDARD.ln_rate_u == pytest.approx(sd[0], rel=0.15)
    assert found.energy.claimed
    assert (found.energy.value - 52e3) / 8e3 == pytest.approx(mean[1], abs=0.06)
    assert found.energy.u / 8e3 == pytest.approx(sd[1], rel=0.15)
    assert found.shape_n.value == pytest.approx(float(shape_n_of(STANDARD, mean[3])), abs=0.06)


def test_marks_of_a_second_degree_tell_the_shape_and_firm_alone_does_not(
    narrow: tuple[list[Made], MarkTimes],
) -> None:
    made, times = narrow[0][:6], narrow[1]
    generator = np.random.default_rng(SEED)
    errors: dict[str, list[float]] = {"b": [], "n": []}
    for shape_z in ((1.0, 1.2), (-1.2, -1.0)):
        true_b, true_n = shape_b_of(STANDARD, shape_z[0]), shape_n_of(STANDARD, shape_z[1])
        alone = calibrated(STANDARD, touched(made, times, generator, 0.1, 52e3, 0.08, shape_z), times)
        assert not alone.shape_n.claimed and not alone.ln_shape_b.claimed
        assert alone.shape_n.value == STANDARD.shape_n and alone.shape_n.u == STANDARD.shape_n_u
        assert "shape needs 3" in alone.shape_n.reason
        end = calibrated(
            STANDARD, touched(made, times, generator, 0.1, 52e3, 0.08, shape_z, ("load",)), times
        )
        assert end.shape_n.claimed
        assert end.shape_n.u < 0.7 * STANDARD.shape_n_u
        assert end.shape_n.value == pytest.approx(float(true_n), abs=0.5)
        log = touched(made, times, generator, 0.1, 52e3, 0.08, shape_z, ("work", "load"))
        both = calibrated(STANDARD, log, times)
        assert both.shape_n.claimed and both.ln_shape_b.claimed
        errors["b"].append(both.ln_shape_b.value - float(np.log(true_b)))
        errors["n"].append(both.shape_n.value - float(true_n))
    assert np.sqrt(np.mean(np.square(errors["b"]))) < 0.5 * STANDARD.shape_b_u_ln
    assert np.sqrt(np.mean(np.square(errors["n"]))) < 0.4 * STANDARD.shape_n_u


def test_a_late_tail_that_was_logged_is_carried_into_the_profile(
    narrow: tuple[list[Made], MarkTimes],
) -> None:
    made, times = narrow
    log = touched(made, times, np.random.default_rng(SEED), 0.0, 52e3, 0.05, (-0.5, 1.8), ("work", "load"))
    learned = calibrated_profile(STANDARD, calibrated(STANDARD, log, times))
    assert learned.shape_n > STANDARD.shape_n + STANDARD.shape_n_u
    assert learned.shape_n_u >= SHAPE_N_LEAST_u
    assert learned.shape_b < STANDARD.shape_b
    assert not any(text.startswith("shape n ") for text in learned.assumptions)


def test_two_marks_of_one_pour_are_not_two_pours(wide: tuple[list[Made], MarkTimes]) -> None:
    """What a pour's marks share (its thickness, its mix) is counted once: the rate is hardly surer."""
    made, times = wide
    once, twice = (
        calibrated(
            STANDARD, touched(made[:4], times, np.random.default_rng(SEED), 0.1, 52e3, 0.2, seconds=s), times
        )
        for s in ((), ("load",))
    )
    assert twice.ln_rate_u > 0.75 * once.ln_rate_u


def test_a_log_that_no_one_material_explains_is_refused(wide: tuple[list[Made], MarkTimes]) -> None:
    made, times = wide
    middle = [float(np.exp(times.ln_times(i, np.zeros((1, 4)))[1, 0])) for i in range(len(made))]
    wild = [
        LoggedPour(p, a, t * factor, t * factor * 1.1)
        for (p, a), t, factor in zip(made, middle, (0.3, 3.0) * 5, strict=True)
    ]
    with pytest.raises(ValueError, match="scatter by more than 33 % between pours"):
        calibrated(STANDARD, wild, times)


def test_open_ends_are_taken_for_what_they_are(wide: tuple[list[Made], MarkTimes]) -> None:
    made, times = wide
    middle = [float(np.exp(times.ln_times(i, np.zeros((1, 4)))[1, 0])) for i in range(len(made))]
    never_firm = [LoggedPour(p, a, 1.5 * t, None) for (p, a), t in zip(made, middle, strict=True)]
    firm_at_first = [LoggedPour(p, a, None, t / 1.5) for (p, a), t in zip(made, middle, strict=True)]
    assert calibrated(STANDARD, never_firm, times).ln_rate < -0.2
    assert calibrated(STANDARD, firm_at_first, times).ln_rate > 0.2


def test_past_intervals_are_booked_as_covered_missed_or_undecided(
    wide: tuple[list[Made], MarkTimes],
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
    assert [logged.covered for logged, _ in cases] == [verdict for _, verdict in cases]
    made, times = wide
    log = touched(made, times, np.random.default_rng(SEED), 0.0, 52e3)
    before = [replace(item, predicted=said) for item in log[:4]]
    early = [replace(item, predicted=(1.0, 2.0, item.soft_until_s or 0.0)) for item in log[4:6]]
    found = calibrated(STANDARD, [*before, *early, *log[6:]], times)
    verdicts = [logged.covered for logged in (*before, *early, *log[6:])]
    assert [item.covered for item in found.checked] == verdicts
    assert (found.covered, found.missed, found.undecided) == tuple(
        verdicts.count(v) for v in (True, False, None)
    )
    assert found.missed >= 2 and found.undecided == 4
    assert found.covered_ratio == pytest.approx(found.covered / (found.covered + found.missed))
    # Only intervals that could be told right or wrong count towards authority.
    assert calibrated_profile(STANDARD, found).logged_pours == 6


def test_a_calibrated_profile_is_narrower_and_can_earn_authority(
    wide: tuple[list[Made], MarkTimes],
) -> None:
    made, times = wide
    generator = np.random.default_rng(SEED)
    log = touched(made, times, generator, 0.25, 47e3)
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
    found = calibrated(STANDARD, said, times)
    learned = calibrated_profile(STANDARD, found)
    assert learned.reference_firm_s < 0.9 * STANDARD.reference_firm_s
    assert learned.reference_work_s < STANDARD.reference_work_s
    assert learned.activation_energy_J_per_mol == pytest.approx(47e3, abs=3e3)
    assert learned.ln_rate_u < 0.5 * STANDARD.ln_rate_u
    assert learned.activation_energy_u_J_per_mol < 0.5 * STANDARD.activation_energy_u_J_per_mol
    assert any("10 logged pours" in text for text in learned.assumptions)
    assert has_earned(learned, (AirPoint(0.0, ICE_K + 10.0),))
    assert not has_earned(learned, (AirPoint(0.0, ICE_K - 15.0),))
    nothing_new = replace(
        found,
        ln_rate=0.0,
        energy=replace(found.energy, value=learned.activation_energy_J_per_mol),
        shape_n=replace(found.shape_n, value=learned.shape_n),
    )
    again = calibrated_profile(learned, nothing_new)
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
    with pytest.raises(ValueError, match="degree 'firm' is not one of"):
        SecondMark("firm", 500.0, 600.0)
    with pytest.raises(ValueError, match="without any time"):
        SecondMark("load", None, None)
    with pytest.raises(ValueError, match="not yet reached at 600 s but reached at 500 s"):
        SecondMark("load", 600.0, 500.0)
    with pytest.raises(ValueError, match="log at least 3"):
        calibrated(STANDARD, [LoggedPour(pour, air, 500.0, 600.0)])


def test_interval_probabilities_keep_their_digits_far_out_in_the_tails() -> None:
    # Phi(b) - Phi(a) for a, b far in the upper tail is about phi(a)/a; from the asymptotic series, to 5 %.
    lower, upper = np.array([20.0]), np.array([25.0])
    expected = -0.5 * 20.0**2 - np.log(20.0 * np.sqrt(2.0 * np.pi))
    assert log_between(lower, upper)[0] == pytest.approx(expected, abs=0.05)
    assert log_between(-upper, -lower)[0] == pytest.approx(expected, abs=0.05)
    assert log_between(np.array([-1.0]), np.array([1.0]))[0] == pytest.approx(np.log(0.682689), abs=1e-5)
