"""Turnbull's curve against the published masses, the conditions of a maximum, and Kaplan-Meier."""

from __future__ import annotations

import math
from collections.abc import Callable

import numpy as np
import pytest

from hoofsense.survival.censored_times import NotEstimable
from hoofsense.survival.kaplan_meier import kaplan_meier
from hoofsense.survival.turnbull import GRADIENT_GAP, turnbull
from hoofsense.survival.turnbull_resampling import mean_on_difference, turnbull_resampled

Columns = dict[str, np.ndarray]


def _greatest_gradient(
    lower: np.ndarray, upper: np.ndarray, left: np.ndarray, right: np.ndarray, mass: np.ndarray
) -> float:
    """Mean over pads of (cell allowed) / (chance of the pad's bounds), the greatest over day-to-day cells."""
    allowed = (lower[:, None] <= left) & (right <= upper[:, None])
    allowed &= (lower[:, None] < right) | (left == right)
    chance = allowed @ mass
    days = np.unique(np.concatenate((lower, upper)))
    cells = (lower[:, None] <= days[:-1]) & (days[1:] <= upper[:, None])
    return float(np.max(np.mean(cells / chance[:, None], axis=0)))


def test_published_masses_of_the_breast_cosmesis_set_are_met(public_data: Callable[[str], Columns]) -> None:
    data = public_data("breast_cosmesis")
    alone = data["chemotherapy"] == 0.0
    curve = turnbull(data["left"][alone], data["right"][alone])
    # Finkelstein and Wolfe 1985, radiotherapy alone; the masses are printed in several texts to 4 digits.
    published = {
        (4, 5): 0.0463, (6, 7): 0.0334, (7, 8): 0.0887, (11, 12): 0.0708,
        (24, 25): 0.0926, (33, 34): 0.0818, (38, 40): 0.1209, (46, 48): 0.4656,
    }  # fmt: skip
    found = dict(zip(zip(curve.left_d, curve.right_d, strict=True), curve.mass, strict=True))
    assert found.keys() == published.keys()
    for cell, mass in published.items():
        assert found[cell] == pytest.approx(mass, abs=5e-5)
    assert (curve.pads, curve.losses) == (46, 21)


def test_no_cell_outside_the_support_would_raise_the_likelihood(
    invented_pads: Callable[..., Columns],
) -> None:
    pads = invented_pads(7, visit_d=5)
    rng = np.random.default_rng(7)
    lower = np.maximum(pads["last_on_d"] - rng.integers(0, 5, pads["horse"].size), 0.0)
    curve = turnbull(lower, pads["noticed_off_d"])
    gradient = _greatest_gradient(lower, pads["noticed_off_d"], curve.left_d, curve.right_d, curve.mass)
    assert gradient <= 1.0 + 10.0 * GRADIENT_GAP
    assert curve.gap <= lower.size * GRADIENT_GAP


def test_whole_days_and_fractions_of_days_take_different_roads_to_one_curve(
    invented_pads: Callable[..., Columns],
) -> None:
    pads = invented_pads(8, visit_d=9)
    whole = turnbull(pads["last_on_d"], pads["noticed_off_d"])
    parts = turnbull(pads["last_on_d"] / 7.0, pads["noticed_off_d"] / 7.0)
    assert parts.mass == pytest.approx(whole.mass, abs=1e-6)
    assert parts.right_d * 7.0 == pytest.approx(whole.right_d)


def test_losses_known_to_the_moment_give_kaplan_meier(public_data: Callable[[str], Columns]) -> None:
    data = public_data("leukemia_remission")
    weeks, relapsed = data["weeks"], data["relapsed"] == 1.0
    curve = turnbull(weeks, np.where(relapsed, weeks, math.inf))
    product_limit = kaplan_meier(weeks, relapsed)
    for week in np.unique(weeks[relapsed]):
        assert curve.survival_at(week)[0] == pytest.approx(product_limit.survival_at(week)[0], abs=1e-6)
    at = np.searchsorted(product_limit.days, curve.left_d[:-1])
    assert curve.n_known_on[:-1] == pytest.approx(product_limit.n_at_risk[at])


def test_inside_a_cell_the_curve_says_what_it_leaves_open() -> None:
    curve = turnbull([0.0, 10.0, 20.0], [10.0, 20.0, math.inf])
    assert curve.survival_at(15.0) == (pytest.approx(0.5), pytest.approx(1 / 3), pytest.approx(2 / 3))
    assert curve.survival_at(10.0) == (pytest.approx(2 / 3),) * 3
    # Evenly spread: (5 + 15 + 20) / 3; lost at once after each sighting: 10; at the last moment: 50 / 3.
    assert curve.restricted_mean_d(20.0) == (
        pytest.approx(40 / 3),
        pytest.approx(10.0),
        pytest.approx(50 / 3),
    )
    assert curve.restricted_mean_d(15.0)[0] == pytest.approx((5.0 + 13.75 + 15.0) / 3)
    with pytest.raises(NotEstimable, match="after day 20"):
        curve.survival_at(21.0)
    with pytest.raises(NotEstimable, match="up to then"):
        curve.restricted_mean_d(21.0)


def test_none_all_tied_first_censored_and_single_pads() -> None:
    none = turnbull([10.0, 20.0], [math.inf, math.inf])
    assert (none.left_d.tolist(), none.mass.tolist(), none.losses) == ([20.0], [1.0], 0)
    assert none.survival_at(20.0)[0] == 1.0
    everyone = turnbull([0.0, 5.0], [5.0, 9.0])
    assert everyone.survival_at(9.0) == (0.0, 0.0, 0.0)
    tied = turnbull([5.0] * 4, [9.0, 9.0, math.inf, math.inf])
    assert tied.mass[0] == pytest.approx(1.0)  # those last seen on day 5 may well have gone by day 9
    first = turnbull([1.0, 4.0], [math.inf, 9.0])
    assert (first.left_d.tolist(), first.mass.tolist()) == ([4.0], [1.0])
    single = turnbull([3.0], [8.0])
    assert single.survival_at(5.5) == (pytest.approx(0.5), 0.0, 1.0)
    at_the_pour = turnbull([0.0, 0.0], [0.0, 3.0])
    assert at_the_pour.survival_at(0.0)[0] == pytest.approx(0.5)


def test_known_on_and_in_doubt_are_counted_at_the_start_of_each_cell() -> None:
    # Cells (2, 3], (5, 6] and (8, 9]. At 5: two seen on then or later, one gone by 3, two of whom nobody
    # knows.
    curve = turnbull([4.0, 8.0, 5.0, 0.0, 2.0], [6.0, 9.0, math.inf, 3.0, math.inf])
    at = {left: number for number, left in enumerate(curve.left_d)}
    assert (curve.n_known_on[at[5.0]], curve.n_in_doubt[at[5.0]]) == (2.0, 2.0)
    assert (curve.n_known_on[at[8.0]], curve.n_in_doubt[at[8.0]]) == (1.0, 2.0)


@pytest.mark.parametrize(
    ("last_on", "off", "said"),
    [
        ([5.0], [4.0], "noticed off at day 4.0, before that"),
        ([5.0], [math.nan], "before that"),
        ([-1.0], [4.0], "last seen on at day -1.0"),
        ([math.inf], [math.inf], "last seen on at day inf"),
        ([1.0, 2.0], [3.0], "give both"),
    ],
)
def test_bounds_that_cannot_be_are_refused(last_on: list[float], off: list[float], said: str) -> None:
    with pytest.raises(ValueError, match=said):
        turnbull(last_on, off)


def test_resampled_horses_give_intervals_that_widen_when_pads_go_together(
    invented_pads: Callable[..., Columns],
) -> None:
    pads = invented_pads(9, horses=30, pads_each=6, horse_spread=1.5)
    bounds = pads["last_on_d"], pads["noticed_off_d"]
    by_horse = turnbull_resampled(*bounds, pads["horse"], np.random.default_rng(1), resamples=80)
    by_pad = turnbull_resampled(*bounds, range(180), np.random.default_rng(1), resamples=80)
    one, other = by_horse.share_on(35.0), by_pad.share_on(35.0)
    assert one.value == other.value == turnbull(*bounds).survival_at(35.0)[0]
    assert one.low < other.low < one.value < other.high < one.high
    mean = by_horse.mean_on(35.0)
    assert 0.0 < mean.low_d < mean.least_d < mean.mean_d < mean.greatest_d < mean.high_d < 35.0


def test_resampling_is_reproducible_and_refuses_what_it_cannot_do(
    invented_pads: Callable[..., Columns],
) -> None:
    pads = invented_pads(10, horses=6, pads_each=3)
    bounds = pads["last_on_d"], pads["noticed_off_d"]
    draws = [
        turnbull_resampled(*bounds, pads["horse"], np.random.default_rng(5), resamples=40).masses
        for _ in range(2)
    ]
    assert np.array_equal(*draws)
    with pytest.raises(NotEstimable, match="too few to draw again"):
        turnbull_resampled(*bounds, pads["horse"] % 2, np.random.default_rng(5))
    with pytest.raises(ValueError, match="too few for an interval"):
        turnbull_resampled(*bounds, pads["horse"], np.random.default_rng(5), resamples=5)


def test_no_loss_keeps_a_low_end_from_the_number_of_horses() -> None:
    answer = turnbull_resampled([30.0] * 8, [math.inf] * 8, range(8), np.random.default_rng(1), resamples=40)
    share = answer.share_on(30.0)
    assert (share.value, share.high) == (1.0, 1.0)
    assert share.low == pytest.approx(0.025 ** (1 / 8))
    assert answer.mean_on(30.0).low_d == pytest.approx(30.0 * 0.025 ** (1 / 8))


def test_a_planted_difference_in_mean_days_on_is_found(invented_pads: Callable[..., Columns]) -> None:
    pads = invented_pads(11, horses=40, pads_each=6, log_time_ratio=-1.0, x_of_horse=True)
    answer = mean_on_difference(
        pads["last_on_d"],
        pads["noticed_off_d"],
        pads["x"] == 1.0,
        42.0,
        pads["horse"],
        np.random.default_rng(2),
        resamples=80,
    )
    assert answer.low_d < answer.difference_d < answer.high_d < 0.0
    assert answer.difference_d == pytest.approx(answer.second_mean_d - answer.first_mean_d)
    with pytest.raises(NotEstimable, match="no pads"):
        mean_on_difference(
            pads["last_on_d"],
            pads["noticed_off_d"],
            np.zeros(240, bool),
            42.0,
            pads["horse"],
            np.random.default_rng(2),
        )
