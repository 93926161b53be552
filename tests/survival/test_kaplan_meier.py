"""Kaplan-Meier and the restricted mean, against published curves, exact limits and the awkward cases."""

from __future__ import annotations

import math
from collections.abc import Callable

import numpy as np
import pytest

from hoofsense.survival.censored_times import NotEstimable
from hoofsense.survival.kaplan_meier import kaplan_meier
from hoofsense.survival.restricted_mean import restricted_mean, restricted_mean_difference

Columns = dict[str, np.ndarray]


def _arm(data: Columns, placebo: int) -> tuple[np.ndarray, np.ndarray]:
    chosen = data["placebo"] == placebo
    return data["weeks"][chosen], data["relapsed"][chosen]


def test_the_published_curve_of_6_mp_is_met(public_data: Callable[[str], Columns]) -> None:
    # Freireich et al. 1963 as printed in Kalbfleisch and Prentice and most textbooks, to 4 digits.
    published = {6: 0.8571, 7: 0.8067, 10: 0.7529, 13: 0.6902, 16: 0.6275, 22: 0.5378, 23: 0.4482}
    curve = kaplan_meier(*_arm(public_data("leukemia_remission"), placebo=0))
    for week, share in published.items():
        assert curve.survival_at(week)[0] == pytest.approx(share, abs=5e-5)
    assert curve.n_at_risk[0] == 21.0
    # Interval on the log(-log) scale at week 10: 0.5032 to 0.8894 (lifelines 0.30.3, its default interval).
    assert curve.survival_at(10)[1:] == pytest.approx((0.503200, 0.889362), abs=1e-5)


@pytest.mark.parametrize(
    ("name", "days", "lost", "group", "medians"),
    [
        ("leukemia_remission", "weeks", "relapsed", "placebo", {0.0: 23.0, 1.0: 8.0}),
        ("flies", "days", "died", "mir_137", {1.0: 26.0, 0.0: 58.0}),
        ("lung_cancer", "days", "died", "sex", {1.0: 270.0, 2.0: 426.0}),
    ],
)
def test_published_medians_are_met(
    public_data: Callable[[str], Columns],
    name: str,
    days: str,
    lost: str,
    group: str,
    medians: dict[float, float],
) -> None:
    data = public_data(name)
    for level, median in medians.items():
        chosen = data[group] == level
        value, low, high = kaplan_meier(data[days][chosen], data[lost][chosen]).median_d()
        assert value == median
        assert low <= value <= high


def test_the_median_interval_of_lung_cancer_is_the_published_one(
    public_data: Callable[[str], Columns],
) -> None:
    # 345 to 524 days for women: lifelines 0.30.3, where the log(-log) interval crosses one half.
    data = public_data("lung_cancer")
    women = data["sex"] == 2.0
    assert kaplan_meier(data["days"][women], data["died"][women]).median_d() == (426.0, 345.0, 524.0)


def test_restricted_means_to_week_35_are_met(public_data: Callable[[str], Columns]) -> None:
    data = public_data("leukemia_remission")
    for placebo, mean in ((0, 23.2874), (1, 8.6667)):
        answer = restricted_mean(*_arm(data, placebo), until_d=35.0)
        assert answer.mean_d == pytest.approx(mean, abs=5e-5)
        assert answer.low_d < mean < answer.high_d
    # 6-MP standard error 2.827 (R survival prints 2.83 for this set, from memory).
    assert restricted_mean(*_arm(data, 0), until_d=35.0).standard_error_d == pytest.approx(2.8275, abs=5e-4)
    difference = restricted_mean_difference(data["weeks"], data["relapsed"], data["placebo"] == 0.0, 35.0)
    assert difference.difference_d == pytest.approx(23.2874 - 8.6667, abs=1e-4)
    assert difference.p_value < 1e-5


def test_each_pad_on_a_horse_of_its_own_gives_greenwood_exactly(
    invented_pads: Callable[..., Columns],
) -> None:
    pads = invented_pads(3, horses=60, pads_each=1)
    alone = kaplan_meier(pads["followed_d"], pads["lost"])
    by_horse = kaplan_meier(pads["followed_d"], pads["lost"], horse=pads["horse"])
    # Only the critical value differs: Student's t of 59 against the normal, 2.00100 / 1.95996 (tables).
    inside = (alone.survival < 1.0) & (alone.survival > 0.0)
    width = [np.log(-np.log(c.low[inside])) - np.log(-np.log(c.survival[inside])) for c in (alone, by_horse)]
    assert width[1] / width[0] == pytest.approx(2.000995 / 1.959964, abs=1e-6)
    means = [
        restricted_mean(pads["followed_d"], pads["lost"], 40.0, horse=horse).standard_error_d
        for horse in (None, pads["horse"])
    ]
    assert means[0] == pytest.approx(means[1], rel=1e-12)


def test_pads_that_go_together_widen_the_interval(invented_pads: Callable[..., Columns]) -> None:
    pads = invented_pads(4, horses=30, pads_each=8, horse_spread=1.0)
    alone = kaplan_meier(pads["followed_d"], pads["lost"]).survival_at(40)
    together = kaplan_meier(pads["followed_d"], pads["lost"], horse=pads["horse"]).survival_at(40)
    assert alone[0] == together[0]
    assert together[2] - together[1] > 1.2 * (alone[2] - alone[1])


def test_copies_of_each_pad_on_one_horse_tell_no_more_than_one_pad(
    invented_pads: Callable[..., Columns],
) -> None:
    pads = invented_pads(5, horses=50, pads_each=1)
    once = kaplan_meier(pads["followed_d"], pads["lost"], horse=pads["horse"])
    thrice = kaplan_meier(
        np.tile(pads["followed_d"], 3), np.tile(pads["lost"], 3), horse=np.tile(pads["horse"], 3)
    )
    assert thrice.low == pytest.approx(once.low, abs=1e-12)
    assert thrice.high == pytest.approx(once.high, abs=1e-12)


def test_no_loss_leaves_the_curve_at_one_with_the_exact_limit() -> None:
    curve = kaplan_meier([10.0, 20.0, 20.0, 30.0], [False] * 4)
    assert np.all(curve.survival == 1.0)
    assert np.all(curve.high == 1.0)
    # Clopper and Pearson for 0 of 4, 3, 1: 0.025 ** (1 / n) = 0.39764, 0.29240, 0.025.
    assert curve.low == pytest.approx([0.397635, 0.292402, 0.025], abs=1e-6)
    assert curve.median_d()[0] == math.inf
    mean = restricted_mean([10.0, 20.0, 20.0, 30.0], [False] * 4, 30.0)
    assert (mean.mean_d, mean.high_d, mean.losses) == (30.0, 30.0, 0)
    assert mean.low_d == pytest.approx(30.0 * 0.397635, abs=1e-4)


def test_all_lost_ends_at_nought_and_the_curve_says_so_for_ever() -> None:
    curve = kaplan_meier([1.0, 2.0, 3.0], [True] * 3)
    assert curve.survival == pytest.approx([2 / 3, 1 / 3, 0.0], abs=1e-12)
    assert curve.survival_at(99.0)[0] == 0.0
    assert curve.low[-1] == 0.0
    assert curve.high[-1] == curve.high[-2]
    assert restricted_mean([1.0, 2.0, 3.0], [True] * 3, 30.0).mean_d == pytest.approx(2.0)


def test_losses_on_one_day_count_together_and_before_the_pads_last_seen_that_day() -> None:
    curve = kaplan_meier([5.0, 5.0, 5.0, 5.0], [True, False, True, False])
    assert (curve.days.tolist(), curve.n_lost.tolist(), curve.n_censored.tolist()) == ([5.0], [2.0], [2.0])
    assert curve.survival[0] == pytest.approx(0.5)
    all_at_once = kaplan_meier([5.0] * 20, [True] * 20)
    # Clopper and Pearson for 0 of 20 still on: 1 - 0.025 ** (1 / 20) = 0.16843.
    assert (all_at_once.survival[0], all_at_once.low[0]) == (0.0, 0.0)
    assert all_at_once.high[0] == pytest.approx(0.16843, abs=1e-5)


def test_a_first_pad_merely_last_seen_does_not_move_the_curve() -> None:
    curve = kaplan_meier([1.0, 2.0, 3.0, 4.0], [False, True, False, True])
    assert curve.survival == pytest.approx([1.0, 2 / 3, 2 / 3, 0.0])
    assert curve.n_at_risk.tolist() == [4.0, 3.0, 2.0, 1.0]


def test_a_single_pad_has_a_curve_but_says_almost_nothing() -> None:
    lost, kept = kaplan_meier([7.0], [True]), kaplan_meier([7.0], [False])
    assert (lost.survival[0], lost.low[0]) == (0.0, 0.0)
    assert lost.high[0] == pytest.approx(0.975)
    assert (kept.survival[0], kept.high[0]) == (1.0, 1.0)
    assert kept.low[0] == pytest.approx(0.025)
    with pytest.raises(NotEstimable, match="single pad"):
        restricted_mean([7.0], [True], 5.0)


def test_what_follow_up_cannot_tell_is_refused_with_the_reason() -> None:
    curve = kaplan_meier([10.0, 20.0], [True, False])
    with pytest.raises(NotEstimable, match="no pad was followed beyond day 20"):
        curve.survival_at(21.0)
    with pytest.raises(NotEstimable, match="up to day 25"):
        restricted_mean([10.0, 20.0], [True, False], 25.0)
    with pytest.raises(NotEstimable, match="degrees of freedom"):
        kaplan_meier([10.0, 20.0], [True, False], horse=["a", "a"])


@pytest.mark.parametrize(
    ("days", "lost", "said"),
    [
        ([], [], "no pads"),
        ([1.0, -2.0], [True, True], "followed for -2.0 days"),
        ([1.0, math.nan], [True, True], "followed for nan days"),
        ([1.0, 2.0], [True], "1 fates for 2 pads"),
        ([1.0, 2.0], [1, 2], "yes or no"),
        ([[1.0, 2.0]], [[1, 0]], "one number for each pad"),
    ],
)
def test_bad_lives_are_refused(days: list[float], lost: list[int], said: str) -> None:
    with pytest.raises(ValueError, match=said):
        kaplan_meier(days, lost)


def test_the_answer_is_frozen_to_its_arrays() -> None:
    curve = kaplan_meier([1.0, 2.0], [True, False])
    with pytest.raises(ValueError, match="read-only"):
        curve.survival[0] = 1.0
