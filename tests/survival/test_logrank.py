"""Log-rank tests against published statistics, with losses known to the day and between two sightings."""

from __future__ import annotations

import math
from collections.abc import Callable

import numpy as np
import pytest

from hoofsense.survival.censored_times import NotEstimable
from hoofsense.survival.interval_logrank import interval_logrank, interval_logrank_scores
from hoofsense.survival.logrank import logrank

Columns = dict[str, np.ndarray]


@pytest.mark.parametrize(
    ("name", "days", "lost", "group", "published"),
    [
        ("leukemia_remission", "weeks", "relapsed", "placebo", 16.792941),
        ("flies", "days", "died", "mir_137", 122.249126),
        ("lung_cancer", "days", "died", "sex", 10.326742),
    ],
)
def test_published_statistics_are_met_to_six_decimals(
    public_data: Callable[[str], Columns], name: str, days: str, lost: str, group: str, published: float
) -> None:
    data = public_data(name)
    test = logrank(data[days], data[lost], data[group])
    assert test.chi_squared == pytest.approx(published, abs=5.1e-7)
    assert test.degrees_of_freedom == 1


def test_expected_relapses_are_the_published_ones(public_data: Callable[[str], Columns]) -> None:
    data = public_data("leukemia_remission")
    test = logrank(data["weeks"], data["relapsed"], data["placebo"])
    # Observed 9 and 21, expected 19.25 and 10.75 (Kleinbaum and Klein, Survival Analysis, chapter 2).
    assert test.losses.tolist() == [9.0, 21.0]
    assert test.expected == pytest.approx([19.25, 10.75], abs=5e-3)
    assert test.p_value == pytest.approx(4.17e-5, abs=5e-8)


def test_the_published_interval_censored_test_is_met(public_data: Callable[[str], Columns]) -> None:
    data = public_data("breast_cosmesis")
    test = interval_logrank(data["left"], data["right"], data["chemotherapy"])
    # Fay and Shaw 2010, J. Stat. Softw. 36(2), Sun's scores, permutation form (from memory): score -9.141846
    # for radiotherapy alone, Z = -2.6684, p = 0.007622.
    assert test.excess == pytest.approx([-9.141846, 9.141846], abs=5e-6)
    assert math.sqrt(test.chi_squared) == pytest.approx(2.6684, abs=5e-5)
    assert test.p_value == pytest.approx(0.007622, abs=5e-7)


def test_with_losses_known_to_the_day_both_forms_count_the_same_excess(
    public_data: Callable[[str], Columns],
) -> None:
    data = public_data("leukemia_remission")
    off = np.where(data["relapsed"] == 1.0, data["weeks"], math.inf)
    plain = logrank(data["weeks"], data["relapsed"], data["placebo"])
    interval = interval_logrank(data["weeks"], off, data["placebo"])
    assert interval.excess == pytest.approx(plain.excess, abs=1e-6)
    assert interval_logrank_scores(data["weeks"], off).sum() == pytest.approx(0.0, abs=1e-6)


def test_three_groups_give_two_degrees_and_order_does_not_matter(
    invented_pads: Callable[..., Columns],
) -> None:
    pads = invented_pads(12)
    group = np.arange(pads["lost"].size) % 3
    test = logrank(pads["followed_d"], pads["lost"], group)
    turned = logrank(pads["followed_d"], pads["lost"], (group + 1) % 3)
    assert test.degrees_of_freedom == 2
    assert turned.chi_squared == pytest.approx(test.chi_squared)
    assert test.excess.sum() == pytest.approx(0.0, abs=1e-9)
    interval = interval_logrank(pads["last_on_d"], pads["noticed_off_d"], group, horse=pads["horse"])
    assert (interval.degrees_of_freedom, interval.horses) == (2, 40)


def test_strata_keep_a_bad_practice_from_passing_for_a_bad_material() -> None:
    # By construction: practice a loses half of both materials, practice b a tenth of both, and a uses m
    # mostly.
    followed_d, lost, material, practice = [], [], [], []
    for name, kind, pads, losses in (
        ("a", "m", 40, 20),
        ("a", "n", 10, 5),
        ("b", "m", 10, 1),
        ("b", "n", 40, 4),
    ):
        followed_d += [10.0] * losses + [30.0] * (pads - losses)
        lost += [True] * losses + [False] * (pads - losses)
        material += [kind] * pads
        practice += [name] * pads
    off = np.where(lost, followed_d, math.inf)
    assert logrank(followed_d, lost, material).p_value < 0.02
    assert logrank(followed_d, lost, material, strata=practice).chi_squared == pytest.approx(0.0, abs=1e-9)
    assert interval_logrank(followed_d, off, material, strata=practice).chi_squared == pytest.approx(
        0.0, abs=1e-9
    )


def test_horses_that_go_together_make_the_test_more_careful(invented_pads: Callable[..., Columns]) -> None:
    flagged = {"pads": 0, "horses": 0}
    for seed in range(150):
        pads = invented_pads(seed, horses=30, horse_spread=1.0, x_of_horse=True)
        bounds = pads["last_on_d"], pads["noticed_off_d"], pads["x"]
        flagged["pads"] += interval_logrank(*bounds).p_value < 0.05
        flagged["horses"] += interval_logrank(*bounds, horse=pads["horse"]).p_value < 0.05
    # No effect is planted. 5 % of 150 is 7.5; 15 or more has a chance below 1 %.
    assert flagged["pads"] > 20
    assert flagged["horses"] < 15


def test_what_cannot_be_compared_is_refused_with_the_reason() -> None:
    with pytest.raises(NotEstimable, match="all pads are in one group"):
        logrank([1.0, 2.0], [True, True], ["m", "m"])
    with pytest.raises(NotEstimable, match="no pad was lost"):
        logrank([1.0, 2.0], [False, False], ["m", "n"])
    with pytest.raises(NotEstimable, match="no pad was lost"):
        interval_logrank([1.0, 2.0], [math.inf, math.inf], ["m", "n"])
    with pytest.raises(NotEstimable, match="too few to compare"):
        interval_logrank([1.0, 2.0], [2.0, math.inf], ["m", "n"], horse=["a", "a"])
    with pytest.raises(ValueError, match="one label for each pad"):
        logrank([1.0, 2.0], [True, True], ["m"])


def test_all_lost_all_tied_first_censored_and_single_pads() -> None:
    # Losing all at once says nothing about who lost more; the last pad alone at risk says nothing either.
    with pytest.raises(NotEstimable, match="no pad was lost"):
        logrank([5.0] * 4, [True] * 4, ["m", "m", "n", "n"])
    half = logrank([5.0] * 4, [True, True, False, False], ["m", "m", "n", "n"])
    # By hand: excess 2 - 2 * 2 / 4 = 1; variance 2 * 2 / 3 * (1 / 4) = 1 / 3.
    assert (half.excess[0], half.chi_squared) == (pytest.approx(1.0), pytest.approx(3.0))
    first = logrank([1.0, 2.0, 3.0], [False, True, True], ["m", "n", "m"])
    assert first.excess[1] == pytest.approx(0.5)
    with pytest.raises(NotEstimable, match="one group"):
        logrank([1.0], [True], ["m"])
