"""Restricted mean service life: the mean number of days a pad is on out of the first so many.

It is the area under the survival curve up to a fixed day, so it needs no tail and no model. Choose the day
before looking at the data.

source  Irwin 1949; Royston and Parmar, BMC Med. Res. Methodol. 13 (2013) 152 (from memory); standard error by
        the infinitesimal jackknife, which for separate pads is the classical formula
        sum over losses of (area beyond the day)^2 d / (n (n - d))
"""

from __future__ import annotations

from dataclasses import dataclass

import numpy as np
import numpy.typing as npt

from hoofsense.survival.censored_times import (
    DEFAULT_CONFIDENCE_RATIO,
    FloatArray,
    NotEstimable,
    checked_confidence,
    numbered,
    right_censored,
)
from hoofsense.survival.infinitesimal_jackknife import (
    counts_by_horse,
    critical_value,
    event_table,
    log_survival_influence,
    two_sided_p,
)
from hoofsense.survival.kaplan_meier import none_of_limit


@dataclass(frozen=True, slots=True)
class RestrictedMean:
    """Mean days on out of the first until_d days, with its interval.

    horses  independent units behind the interval; None when each pad was taken for one
    """

    until_d: float
    mean_d: float
    standard_error_d: float
    low_d: float
    high_d: float
    pads: int
    losses: int
    horses: int | None
    confidence_ratio: float


@dataclass(frozen=True, slots=True)
class RestrictedMeanDifference:
    """Second less first, in days out of the first until_d days; p_value for no difference."""

    until_d: float
    difference_d: float
    standard_error_d: float
    low_d: float
    high_d: float
    p_value: float
    confidence_ratio: float


def restricted_mean(
    followed_d: npt.ArrayLike,
    lost: npt.ArrayLike,
    until_d: float,
    *,
    horse: npt.ArrayLike | None = None,
    confidence_ratio: float = DEFAULT_CONFIDENCE_RATIO,
) -> RestrictedMean:
    """Mean days on up to a fixed day, from right-censored lives.

    until_d  above 0 and not beyond the last day of follow-up, unless every pad is known lost by then
    horse    labels; when given, horses are the independent units and the interval uses Student's t
    returns  mean with its normal-theory interval, which ends at 0 and until_d at the most; with no loss at
             all the low end supposes that as many as the exact binomial limit allows were lost at once
    raises   NotEstimable when nobody was followed up to that day, or for a single pad; ValueError for bad
             arguments
    """
    checked_confidence(confidence_ratio)
    mean_d, influence, losses = _mean_and_influence(followed_d, lost, until_d, horse)
    horses = None if horse is None else influence.size
    critical = critical_value(confidence_ratio, None if horses is None else horses - 1)
    standard_error_d = float(np.sqrt(np.sum(influence**2)))
    if influence.size == 1:
        raise NotEstimable("a single pad has no interval: gather more")
    if losses == 0:
        low_d = until_d * none_of_limit(influence.size, confidence_ratio)
    else:
        low_d = max(0.0, mean_d - critical * standard_error_d)
    return RestrictedMean(
        float(until_d),
        mean_d,
        standard_error_d,
        low_d,
        min(float(until_d), mean_d + critical * standard_error_d),
        int(np.asarray(followed_d).size),
        losses,
        horses,
        confidence_ratio,
    )


def restricted_mean_difference(
    followed_d: npt.ArrayLike,
    lost: npt.ArrayLike,
    in_second: npt.ArrayLike,
    until_d: float,
    *,
    horse: npt.ArrayLike | None = None,
    confidence_ratio: float = DEFAULT_CONFIDENCE_RATIO,
) -> RestrictedMeanDifference:
    """How many more days the pads of the second group are on than those of the first, up to a fixed day.

    in_second  shape (pads,), True for the second group
    horse      labels; a horse with pads in both groups counts once, so the comparison within it is kept
    raises     NotEstimable when a group is empty or not followed up to that day
    """
    checked_confidence(confidence_ratio)
    days, was_lost = right_censored(followed_d, lost)
    second = np.asarray(in_second, dtype=np.bool_)
    if second.shape != days.shape:
        raise ValueError(f"{second.size} group marks for {days.size} pads: give one for each pad")
    if not np.any(second) or np.all(second):
        raise NotEstimable("one of the two groups has no pads: there is nothing to compare")
    if horse is None:
        units = np.arange(days.size)
        count = days.size
    else:
        count, units = numbered(horse, days.size, "horse")
    total = np.zeros(count)
    means = []
    for sign, chosen in ((-1.0, ~second), (1.0, second)):
        own, numbers = np.unique(units[chosen], return_inverse=True)
        mean_d, influence, _ = _mean_and_influence(days[chosen], was_lost[chosen], until_d, numbers)
        total[own] += sign * influence
        means.append(mean_d)
    difference_d = means[1] - means[0]
    standard_error_d = float(np.sqrt(np.sum(total**2)))
    degrees = None if horse is None else count - 2
    critical = critical_value(confidence_ratio, degrees)
    if standard_error_d == 0.0:
        raise NotEstimable("neither group lost a pad before that day: the difference has no interval")
    return RestrictedMeanDifference(
        float(until_d),
        difference_d,
        standard_error_d,
        difference_d - critical * standard_error_d,
        difference_d + critical * standard_error_d,
        two_sided_p(difference_d / standard_error_d, degrees),
        confidence_ratio,
    )


def _mean_and_influence(
    followed_d: npt.ArrayLike, lost: npt.ArrayLike, until_d: float, horse: npt.ArrayLike | None
) -> tuple[float, FloatArray, int]:
    """Area under the curve, the influence of each horse (or pad) on it, and the losses up to that day."""
    days, was_lost = right_censored(followed_d, lost)
    if not 0.0 < until_d < np.inf:
        raise ValueError(f"a mean up to day {until_d} cannot be: choose a day after the pour")
    table = event_table(days, was_lost)
    survival = np.cumprod(1.0 - table.n_lost / table.n_at_risk)
    if until_d > table.days[-1] and survival[-1] > 0.0:
        raise NotEstimable(
            f"no pad was followed up to day {until_d:g}: ask for a day up to {table.days[-1]:g}"
        )
    width = np.diff(np.append(np.minimum(table.days, until_d), until_d))
    area = survival * width
    mean_d = float(min(table.days[0], until_d) + np.sum(area))
    losses = int(np.sum(table.n_lost[table.days <= until_d]))
    if horse is None:
        # The area beyond each day, over the pads then left on, is what one loss that day costs the mean.
        beyond = np.cumsum(area[::-1])[::-1]
        left_on = table.n_at_risk - table.n_lost
        cost = np.divide(beyond, left_on, out=np.zeros_like(beyond), where=left_on > 0.0)
        expected = np.cumsum(cost * table.n_lost / table.n_at_risk)
        return mean_d, expected[table.place] - was_lost * cost[table.place], losses
    horses, which = numbered(horse, days.size, "horse")
    parts = [
        log_survival_influence(table, counted[0], at_risk) @ area
        for counted, at_risk in counts_by_horse(table, was_lost.astype(np.intp), 1, which, horses)
    ]
    return mean_d, np.concatenate(parts), losses
