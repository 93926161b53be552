"""Cox regression against published fits, by brute force on weights, and in the awkward cases."""

from __future__ import annotations

from collections.abc import Callable

import numpy as np
import pytest

from hoofsense.survival.censored_times import NotEstimable
from hoofsense.survival.cox import CoxFit, cox
from hoofsense.survival.effects import variance_inflation
from hoofsense.survival.logrank import logrank

Columns = dict[str, np.ndarray]
RECIDIVISM = ("fin", "age", "race", "wexp", "mar", "paro", "prio")


def _recidivism(data: Columns) -> np.ndarray:
    return np.stack([data[name] for name in RECIDIVISM], axis=1)


def _log_ratios(fit: CoxFit) -> list[float]:
    return [effect.log_ratio for effect in fit.effects]


def test_the_published_fit_of_6_mp_is_met(public_data: Callable[[str], Columns]) -> None:
    data = public_data("leukemia_remission")
    fit = cox(data["weeks"], data["relapsed"], data["placebo"], ("placebo",))
    # Efron's method: R survival and lifelines agree on 1.572125, SE 0.412397, log-likelihood -85.008425.
    assert fit.effects[0].log_ratio == pytest.approx(1.572125, abs=5.1e-7)
    assert fit.effects[0].standard_error == pytest.approx(0.412397, abs=5.1e-7)
    assert fit.log_likelihood == pytest.approx(-85.008425, abs=5.1e-7)
    low, high = fit.effects[0].ratio_interval
    assert low < fit.effects[0].ratio < high
    assert (fit.pads, fit.losses, fit.horses) == (42, 30, None)


def test_the_published_fit_of_recidivism_is_met(public_data: Callable[[str], Columns]) -> None:
    data = public_data("recidivism")
    fit = cox(data["week"], data["arrest"], _recidivism(data), RECIDIVISM)
    published = [-0.379422, -0.057438, 0.313900, -0.149796, -0.433704, -0.084871, 0.091497]
    assert _log_ratios(fit) == pytest.approx(published, abs=5.1e-7)
    assert fit.log_likelihood == pytest.approx(-658.747659, abs=6e-7)


def test_strata_agree_with_another_program(public_data: Callable[[str], Columns]) -> None:
    data = public_data("recidivism")
    names = tuple(name for name in RECIDIVISM if name != "wexp")
    matrix = np.stack([data[name] for name in names], axis=1)
    fit = cox(data["week"], data["arrest"], matrix, names, strata=data["wexp"])
    # lifelines 0.30.3, strata=["wexp"].
    other = [-0.3801541, -0.05821348, 0.30656945, -0.45387163, -0.08273891, 0.09074364]
    assert _log_ratios(fit) == pytest.approx(other, abs=1e-7)
    assert fit.log_likelihood == pytest.approx(-580.8857465, abs=1e-7)


def test_the_sandwich_by_cluster_agrees_with_another_program(public_data: Callable[[str], Columns]) -> None:
    data = public_data("recidivism")
    row = np.arange(432)
    fit = cox(data["week"] + row / 1000.0, data["arrest"], _recidivism(data), RECIDIVISM, horse=row % 80)
    # lifelines 0.30.3, cluster_col, on the same weeks made distinct. With ties it departs from Efron's method
    # in
    # these residuals; ours are checked by brute force below.
    other = [0.20348506, 0.02635864, 0.27774828, 0.23679022, 0.38060161, 0.20684415, 0.02914393]
    assert np.sqrt(np.diag(fit.sandwich)) == pytest.approx(other, abs=1e-7)
    assert (fit.horses, fit.degrees_of_freedom) == (80, 73)
    # The correction for few horses widens every interval a little.
    widened = np.diag(fit.covariance) / np.diag(fit.sandwich)
    assert np.all((widened > 1.0) & (widened < 1.5))


def _efron_score(days: np.ndarray, lost: np.ndarray, x: np.ndarray, weight: np.ndarray, beta: float) -> float:
    """Efron's score with case weights, straight from its definition."""
    score = 0.0
    for day in np.unique(days[lost]):
        tied, at_risk = lost & (days == day), days >= day
        risk = weight * np.exp(beta * x)
        score += float(np.sum(weight[tied] * x[tied]))
        for turn in range(int(tied.sum())):
            left = risk * (at_risk - tied * turn / tied.sum())
            score -= float(np.mean(weight[tied]) * np.sum(left * x) / np.sum(left))
    return score


def test_each_horse_moves_the_fit_as_far_as_its_weight_does(invented_pads: Callable[..., Columns]) -> None:
    pads = invented_pads(21, horses=12, pads_each=5, log_time_ratio=-0.6)
    days, lost = pads["followed_d"], pads["lost"].astype(bool)
    x = np.random.default_rng(21).normal(0.0, 1.0, days.size)
    fit = cox(days, lost, x, ("x",), horse=pads["horse"])
    assert np.unique(days[lost]).size < lost.sum()  # ties there are
    beta, step = fit.effects[0].log_ratio, 1e-5
    assert _efron_score(days, lost, x, np.ones(days.size), beta) == pytest.approx(0.0, abs=1e-8)
    information = -(
        _efron_score(days, lost, x, np.ones(days.size), beta + step)
        - _efron_score(days, lost, x, np.ones(days.size), beta - step)
    ) / (2.0 * step)
    moved = []
    for horse in range(12):
        nudge = step * (pads["horse"] == horse)
        up, down = (_efron_score(days, lost, x, 1.0 + sign * nudge, beta) for sign in (1.0, -1.0))
        moved.append((up - down) / (2.0 * step) / information)
    assert fit.sandwich[0, 0] == pytest.approx(np.sum(np.square(moved)), rel=1e-6)


def test_a_planted_driver_is_found_within_horses(invented_pads: Callable[..., Columns]) -> None:
    pads = invented_pads(22, horses=80, log_time_ratio=-0.7, horse_spread=0.8)
    fit = cox(pads["followed_d"], pads["lost"], pads["x"], ("x",), strata=pads["horse"], horse=pads["horse"])
    # Weibull shape 1.5: ln hazard ratio 0.7 * 1.5 = 1.05 by construction.
    assert fit.effects[0].low < 1.05 < fit.effects[0].high
    assert fit.effects[0].p_value < 1e-4


def test_without_ties_the_score_test_of_two_groups_is_the_log_rank() -> None:
    rng = np.random.default_rng(23)
    days, x = rng.exponential(30.0, 80), np.arange(80) % 2
    lost = rng.random(80) < 0.6
    fit = cox(days, lost, x, ("x",))
    wald = (fit.effects[0].log_ratio / fit.effects[0].standard_error) ** 2
    ratio = 2.0 * (fit.log_likelihood - fit.log_likelihood_without)
    # All three tests agree to a few percent near no effect.
    assert ratio == pytest.approx(wald, rel=0.05, abs=0.01)
    assert ratio == pytest.approx(logrank(days, lost, x).chi_squared, rel=0.05, abs=0.01)


def test_adding_a_constant_or_changing_units_changes_nothing_else(
    public_data: Callable[[str], Columns],
) -> None:
    data = public_data("recidivism")
    plain = cox(data["week"], data["arrest"], data["age"], ("age",))
    moved = cox(data["week"] * 7.0, data["arrest"], 12.0 * data["age"] + 5000.0, ("age",))
    assert moved.effects[0].log_ratio * 12.0 == pytest.approx(plain.effects[0].log_ratio, rel=1e-9)
    assert moved.log_likelihood == pytest.approx(plain.log_likelihood, abs=1e-8)


def test_all_lost_first_censored_and_all_tied_are_fitted_or_refused() -> None:
    rng = np.random.default_rng(24)
    days, x = np.ceil(rng.exponential(20.0, 60)), rng.normal(0.0, 1.0, 60)
    everyone = cox(days, np.ones(60, bool), x, ("x",))
    assert everyone.losses == 60
    first_censored = np.arange(60) != int(np.argmin(days))
    assert np.isfinite(cox(days, first_censored, x, ("x",)).effects[0].log_ratio)
    # All lost on one day: the risk set is the tie, whatever x says nothing.
    with pytest.raises(NotEstimable, match="apart"):
        cox(np.full(4, 5.0), [True] * 4, [1.0, 2.0, 3.0, 5.0], ("x",), strata=range(4))


@pytest.mark.parametrize(
    ("days", "lost", "x", "said"),
    [
        ([5.0, 6.0, 7.0], [False] * 3, [1.0, 2.0, 3.0], "no pad was lost"),
        ([5.0, 6.0, 7.0], [True] * 3, [1.0, 1.0, 1.0], "x is the same for all pads"),
        ([5.0], [True], [1.0], "x is the same for all pads"),
        (
            [5.0, 6.0, 7.0, 8.0],
            [True, True, False, False],
            [1.0, 1.0, 0.0, 0.0],
            "every loss lies on one side",
        ),
    ],
)
def test_what_cannot_be_fitted_is_refused_with_the_reason(
    days: list[float], lost: list[bool], x: list[float], said: str
) -> None:
    with pytest.raises(NotEstimable, match=said):
        cox(days, lost, x, ("x",))


def test_copies_missing_values_and_lone_horses_are_refused_by_name(
    invented_pads: Callable[..., Columns],
) -> None:
    pads = invented_pads(25, horses=12)
    days, lost, x = pads["followed_d"], pads["lost"], pads["x"]
    wet = np.random.default_rng(25).normal(0.0, 1.0, days.size)
    with pytest.raises(NotEstimable, match="x and dry say the same thing"):
        cox(days, lost, np.stack((x, wet, 1.0 - x), axis=1), ("x", "wet", "dry"))
    with pytest.raises(ValueError, match="wet has a missing value"):
        cox(days, lost, np.stack((x, np.full(days.size, np.nan)), axis=1), ("x", "wet"))
    with pytest.raises(ValueError, match="one row for each pad"):
        cox(days, lost, x[:-1], ("x",))
    with pytest.raises(NotEstimable, match="degrees of freedom"):
        cox(days, lost, np.stack((x, wet), axis=1), ("x", "wet"), horse=pads["horse"] % 2)
    # Drivers that move together: variance inflated by 1 / (1 - r^2).
    near = wet + 0.5 * np.random.default_rng(26).normal(0.0, 1.0, days.size)
    r = np.corrcoef(wet, near)[0, 1]
    inflation = variance_inflation(np.stack((wet, near), axis=1), ("wet", "cold"))
    assert inflation == pytest.approx([1.0 / (1.0 - r**2)] * 2)
