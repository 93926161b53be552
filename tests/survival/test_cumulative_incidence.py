"""Aalen-Johansen against a published set, against Kaplan-Meier, and in the awkward cases."""

from __future__ import annotations

from collections.abc import Callable

import numpy as np
import pytest

from hoofsense.survival.censored_times import NotEstimable
from hoofsense.survival.cumulative_incidence import cumulative_incidence
from hoofsense.survival.kaplan_meier import kaplan_meier

Columns = dict[str, np.ndarray]
CAUSES = ("lost", "taken off")


def test_published_incidences_of_the_marrow_transplants_are_met(
    public_data: Callable[[str], Columns],
) -> None:
    data = public_data("marrow_transplant")
    curves = cumulative_incidence(data["months"], data["status"].astype(int), ("transplant", "relapse"))
    # Scrucca et al. 2007, at 72 months, to 4 digits; intervals from scikit-survival 0.28.0 (log-log, its
    # "Dinse_Approx" variance, which is the delta method used here).
    assert curves.incidence_at("transplant", 72.0) == pytest.approx((0.27284, 0.13527, 0.43027), abs=5e-5)
    assert curves.incidence_at("relapse", 72.0) == pytest.approx((0.48127, 0.29901, 0.64210), abs=5e-5)


def test_shares_by_cause_and_still_on_add_up_to_one(invented_pads: Callable[..., Columns]) -> None:
    pads = invented_pads(1, horses=50)
    cause = np.where(pads["lost"], 1 + (np.arange(pads["lost"].size) % 2), 0)
    for horse in (None, pads["horse"]):
        curves = cumulative_incidence(pads["followed_d"], cause, CAUSES, horse=horse)
        assert curves.incidence.sum(axis=0) + curves.still_on == pytest.approx(1.0, abs=1e-12)
        assert np.all((curves.low <= curves.incidence) & (curves.incidence <= curves.high))


def test_one_cause_alone_is_kaplan_meier_upside_down(invented_pads: Callable[..., Columns]) -> None:
    pads = invented_pads(2)
    curve = kaplan_meier(pads["followed_d"], pads["lost"])
    alone = cumulative_incidence(pads["followed_d"], pads["lost"].astype(int), ("lost",))
    assert alone.incidence[0] == pytest.approx(1.0 - curve.survival, abs=1e-12)
    # Greenwood's standard error, worked from the table of the curve.
    step = curve.n_lost / (curve.n_at_risk * (curve.n_at_risk - curve.n_lost))
    assert alone.standard_error[0] == pytest.approx(curve.survival * np.sqrt(np.cumsum(step)), abs=1e-12)


def test_running_sums_and_horses_of_one_pad_give_the_same_standard_error(
    invented_pads: Callable[..., Columns],
) -> None:
    pads = invented_pads(6, horses=80, pads_each=1)
    cause = np.where(pads["lost"], 1 + (np.arange(80) % 2), 0)
    alone = cumulative_incidence(pads["followed_d"], cause, CAUSES)
    by_horse = cumulative_incidence(pads["followed_d"], cause, CAUSES, horse=pads["horse"])
    assert alone.standard_error == pytest.approx(by_horse.standard_error, abs=1e-12)


def test_counting_planned_removal_as_censored_gives_the_larger_share() -> None:
    followed_d = [10.0, 20.0, 30.0, 30.0, 40.0, 40.0]
    cause = [2, 1, 2, 0, 1, 0]
    came_off = cumulative_incidence(followed_d, cause, CAUSES).incidence_at("lost", 40.0)[0]
    would_have = 1.0 - kaplan_meier(followed_d, [kind == 1 for kind in cause]).survival_at(40.0)[0]
    # By hand: 5/6 * 1/5 + 3/6 * 1/2 = 0.41667 came off; 1 - 4/5 * 1/2 = 0.6 would have.
    assert came_off == pytest.approx(5 / 6 / 5 + 1 / 4)
    assert would_have == pytest.approx(0.6)


def test_no_loss_all_lost_and_a_single_pad_have_honest_ends() -> None:
    none = cumulative_incidence([10.0, 20.0], [0, 0], CAUSES)
    assert np.all(none.incidence == 0.0)
    assert none.high[0] == pytest.approx([1.0 - 0.025**0.5, 0.975])
    single = cumulative_incidence([10.0], [1], CAUSES)
    assert single.incidence_at("lost", 10.0) == (1.0, pytest.approx(0.025), 1.0)
    assert single.incidence_at("taken off", 99.0)[0] == 0.0
    tied = cumulative_incidence([10.0] * 4, [1, 1, 2, 0], CAUSES)
    assert tied.incidence[:, 0] == pytest.approx([0.5, 0.25])
    first_censored = cumulative_incidence([1.0, 2.0], [0, 1], CAUSES)
    assert first_censored.incidence[0] == pytest.approx([0.0, 1.0])


def test_what_follow_up_or_the_names_cannot_tell_is_refused() -> None:
    curves = cumulative_incidence([10.0, 20.0], [1, 0], CAUSES)
    with pytest.raises(NotEstimable, match="beyond day 20"):
        curves.incidence_at("lost", 21.0)
    with pytest.raises(ValueError, match="not one of lost, taken off"):
        curves.incidence_at("stolen", 5.0)
    with pytest.raises(ValueError, match="from 0"):
        cumulative_incidence([10.0], [3], CAUSES)
    with pytest.raises(ValueError, match="whole number"):
        cumulative_incidence([10.0], [0.5], CAUSES)
    with pytest.raises(ValueError, match="no cause"):
        cumulative_incidence([10.0], [0], ())
