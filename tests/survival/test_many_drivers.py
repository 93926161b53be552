"""How much may be read out of few losses: refusals, detectable effects, false discoveries, permutations."""

from __future__ import annotations

import math
from collections.abc import Callable

import numpy as np
import pytest

from hoofsense.survival.censored_times import NotEstimable
from hoofsense.survival.detectable_effect import detectable_hazard_ratio, losses_needed
from hoofsense.survival.enough_losses import Method, most_drivers, permission
from hoofsense.survival.false_discovery import adjusted_p_values
from hoofsense.survival.interval_logrank import interval_logrank_scores
from hoofsense.survival.permutation_reference import permutation_reference
from hoofsense.survival.unknown_fates import unknown_fate_bounds

Columns = dict[str, np.ndarray]


@pytest.mark.parametrize(
    ("losses", "ratio"),
    [(10, 5.88), (20, 3.50), (30, 2.78), (50, 2.21), (100, 1.75), (200, 1.49), (500, 1.28)],
)
def test_detectable_hazard_ratios_follow_schoenfeld(losses: int, ratio: float) -> None:
    # 80 % power, 5 % two-sided, half the pads in each group; Schoenfeld 1983, reckoned to two decimals.
    assert detectable_hazard_ratio(losses) == pytest.approx(ratio, abs=0.005)
    assert losses_needed(detectable_hazard_ratio(losses) * 1.000001) == losses
    assert losses_needed(1.0 / detectable_hazard_ratio(losses) / 1.000001) == losses


def test_uneven_groups_and_pads_that_go_together_cost_power() -> None:
    even = math.log(detectable_hazard_ratio(50))
    assert math.log(detectable_hazard_ratio(50, share_in_group=0.1)) == pytest.approx(even * 0.5 / 0.3)
    assert math.log(detectable_hazard_ratio(50, design_effect=4.0)) == pytest.approx(2.0 * even)


@pytest.mark.parametrize(
    ("arguments", "said"),
    [
        ({"losses": 0}, "detect nothing"),
        ({"losses": 10, "share_in_group": 1.0}, "share 1.0"),
        ({"losses": 10, "power_ratio": 0.01}, "below half the level"),
        ({"losses": 10, "design_effect": 0.5}, "below 1"),
    ],
)
def test_effects_that_cannot_be_looked_for_are_refused(arguments: dict[str, float], said: str) -> None:
    with pytest.raises(ValueError, match=said):
        detectable_hazard_ratio(**arguments)
    with pytest.raises(ValueError, match="cannot be looked for"):
        losses_needed(1.0)


@pytest.mark.parametrize(
    ("method", "losses", "horses", "drivers", "granted", "said"),
    [
        (Method.CURVE, 0, 1, 1, True, "0 losses on 1 horse: counts and the curve only, not enough yet"),
        (Method.COMPARISON, 9, 30, 1, False, "not enough yet for one comparison"),
        (Method.COMPARISON, 10, 30, 1, True, "10 losses on 30 horses: enough"),
        (Method.COMPARISON, 10, 5, 1, False, "too few horses"),
        (Method.MEAN, 1, 30, 1, False, "1 loss on 30 horses: not enough yet for mean days on"),
        (Method.REGRESSION, 9, 30, 2, False, "which needs 40 losses"),
        (Method.REGRESSION, 29, 30, 1, False, "needs 30 losses; make one comparison stated beforehand"),
        (Method.REGRESSION, 30, 30, 1, True, "enough for a regression on 1 driver"),
        (Method.REGRESSION, 59, 30, 4, False, "needs 60 losses; ask for 3 at most"),
        (Method.REGRESSION, 60, 15, 4, False, "which needs 16"),
        (Method.FRAILTY, 60, 39, 4, False, "which needs 40"),
        (Method.FRAILTY, 60, 40, 4, True, "enough for a regression on 4 drivers"),
    ],
)
def test_each_method_is_granted_or_refused_with_its_reason(
    method: Method, losses: int, horses: int, drivers: int, granted: bool, said: str
) -> None:
    answer = permission(method, losses=losses, horses=horses, drivers=drivers)
    assert answer.granted is granted
    assert said in answer.reason


def test_permission_never_is_lost_by_gathering_more() -> None:
    for method in Method:
        for drivers in (1, 3):
            granted = [permission(method, losses=n, horses=n, drivers=drivers).granted for n in range(120)]
            assert granted == sorted(granted)
            assert granted[-1]
    assert [most_drivers(losses) for losses in (0, 29, 30, 64)] == [0, 0, 1, 4]
    with pytest.raises(ValueError, match="count again"):
        permission(Method.CURVE, losses=-1, horses=3)


def test_adjusted_p_values_of_the_paper_flag_its_four_hypotheses() -> None:
    # Benjamini and Hochberg 1995, section 4: 15 ordered p values of a trial; at 5 % the first four are
    # flagged.
    p_values = [
        0.0001, 0.0004, 0.0019, 0.0095, 0.0201, 0.0278, 0.0298, 0.0344,
        0.0459, 0.3240, 0.4262, 0.5719, 0.6528, 0.7590, 1.0000,
    ]  # fmt: skip
    shuffled = np.random.default_rng(1).permutation(15)
    adjusted = adjusted_p_values(np.array(p_values)[shuffled])
    flagged = np.sort(np.array(p_values)[shuffled][adjusted <= 0.05])
    assert flagged.tolist() == p_values[:4]
    assert adjusted[shuffled == 3][0] == pytest.approx(0.0095 * 15 / 4)
    assert np.all(adjusted >= np.array(p_values)[shuffled])
    assert adjusted_p_values([]).size == 0
    with pytest.raises(ValueError, match="from 0 to 1"):
        adjusted_p_values([0.5, math.nan])


def _best_cut(score: np.ndarray, exposure: np.ndarray, cuts: np.ndarray) -> float:
    """Greatest log-rank statistic over the cuts, from scores that add up to 0."""
    below = np.cumsum(score[np.argsort(exposure, kind="stable")])[cuts - 1]
    pads = score.size
    variance = np.sum(score**2) / (pads - 1) * cuts * (pads - cuts) / pads
    return float(np.max(below**2 / variance))


def test_the_best_of_seventeen_cuts_deceives_unless_whole_horses_are_permuted(
    invented_pads: Callable[..., Columns],
) -> None:
    trials, naive, referred = 120, 0, 0
    cuts = np.linspace(0.1, 0.9, 17) * 180
    for seed in range(trials):
        pads = invented_pads(seed, horses=30, pads_each=6, horse_spread=0.4)
        score = interval_logrank_scores(pads["last_on_d"], pads["noticed_off_d"])
        exposure = np.random.default_rng(seed).normal(0.0, 1.0, 30)[pads["horse"]]
        exposure = exposure + np.random.default_rng(seed + 10_000).normal(0.0, 1.0, 180)

        def best(rows: np.ndarray, score: np.ndarray = score, exposure: np.ndarray = exposure) -> float:
            return _best_cut(score, exposure[rows], cuts.astype(int))

        reference = permutation_reference(best, pads["horse"], np.random.default_rng(seed), permutations=59)
        naive += reference.observed > 3.841  # 5 % point of chi-squared with one degree, tables
        referred += reference.p_value <= 0.05
    # Nothing is planted: 34.5 % and 6 % were seen in an earlier, larger run. 5 % of 120 is 6; 13 has a chance
    # < 1 %.
    assert naive / trials > 0.25
    assert referred < 13


def test_a_planted_effect_is_found_and_the_p_value_is_counted_plainly(
    invented_pads: Callable[..., Columns],
) -> None:
    pads = invented_pads(3, horses=40, log_time_ratio=-1.2, x_of_horse=True)
    score = interval_logrank_scores(pads["last_on_d"], pads["noticed_off_d"])
    answer = permutation_reference(
        lambda rows: float(score @ pads["x"][rows]), pads["horse"], np.random.default_rng(4), permutations=199
    )
    assert answer.p_value == (1 + answer.as_great) / 200
    assert answer.p_value <= 0.01
    assert answer.low <= answer.as_great / 199 <= answer.high
    again = permutation_reference(
        lambda rows: float(score @ pads["x"][rows]), pads["horse"], np.random.default_rng(4), permutations=199
    )
    assert np.array_equal(again.permuted, answer.permuted)


def test_permuting_keeps_each_horses_exposures_together_and_inside_its_practice() -> None:
    horse = np.repeat(np.arange(12), 3)
    practice = np.repeat([0, 1], 18)
    seen: list[np.ndarray] = []

    def watch(rows: np.ndarray) -> float:
        seen.append(rows)
        return 0.0

    permutation_reference(watch, horse, np.random.default_rng(1), strata=practice, permutations=20)
    assert seen[0].tolist() == list(range(36))
    for rows in seen:
        assert sorted(rows) == list(range(36))
        assert np.array_equal(practice[rows], practice)
        assert all(np.unique(horse[rows].reshape(12, 3)[number]).size == 1 for number in range(12))
    assert any(not np.array_equal(rows, seen[0]) for rows in seen[1:])
    with pytest.raises(NotEstimable, match="too few to permute"):
        permutation_reference(watch, horse % 5, np.random.default_rng(1))
    with pytest.raises(ValueError, match="two strata"):
        permutation_reference(watch, horse, np.random.default_rng(1), strata=np.arange(36) % 2)


def test_unknown_fates_widen_what_the_curve_may_be() -> None:
    last_on_d = [10.0, 20.0, 5.0, 42.0, 42.0]
    off_d = [15.0, math.inf, math.inf, math.inf, math.inf]
    bounds = unknown_fate_bounds(last_on_d, off_d, [False, True, True, False, False], until_d=42.0)
    at_42 = [curve.survival_at(42.0)[0] for curve in (bounds.worst, bounds.censored, bounds.best)]
    # By hand: 3 of 5 lost; Kaplan-Meier 1 - 1/4; 1 of 5 lost.
    assert at_42 == pytest.approx([0.4, 0.75, 0.8])
    assert bounds.unknown == 2
    with pytest.raises(ValueError, match="one or the other"):
        unknown_fate_bounds(last_on_d, off_d, [True, False, False, False, False], until_d=42.0)
