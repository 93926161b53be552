"""Standard errors of curves by the infinitesimal jackknife, horse by horse.

The change of an estimate when one horse's weight is nudged is that horse's influence; the sum of its squares
over horses is the variance. With every pad on a horse of its own it gives Greenwood's variance exactly.

source  Efron, Censored data and the bootstrap, JASA 76 (1981) 312, for the identity with Greenwood's formula;
        Williams, Product-limit survival functions with correlated survival times, Lifetime Data Anal. 1
        (1995) 171, for clusters (both from memory)
"""

from __future__ import annotations

from collections.abc import Iterator
from dataclasses import dataclass

import numpy as np
from scipy import special

from hoofsense.survival.censored_times import BoolArray, FloatArray, IndexArray, NotEstimable

# Horses are taken in blocks so that a block's table of horses by days stays below this many numbers (32 MB).
MOST_CELLS = 4_000_000


@dataclass(frozen=True, slots=True)
class EventTable:
    """What happened on each distinct day of follow-up, in order.

    days        shape (days,), the distinct follow-up times
    n_at_risk   pads still on and in sight just before that day
    n_lost      pads lost on it
    n_censored  pads last seen (still on) on it; those lost that same day count before them
    place       shape (pads,), each pad's number among the days
    """

    days: FloatArray
    n_at_risk: FloatArray
    n_lost: FloatArray
    n_censored: FloatArray
    place: IndexArray


def event_table(followed_d: FloatArray, lost: BoolArray) -> EventTable:
    """The event table of checked follow-up."""
    days, place = np.unique(followed_d, return_inverse=True)
    ended = np.bincount(place, minlength=days.size).astype(np.float64)
    n_lost = np.bincount(place, weights=lost, minlength=days.size).astype(np.float64)
    n_at_risk = np.cumsum(ended[::-1])[::-1].copy()
    return EventTable(days, n_at_risk, n_lost, ended - n_lost, place.astype(np.intp))


def counts_by_horse(
    table: EventTable, cause: IndexArray, causes: int, horse: IndexArray, horses: int
) -> Iterator[tuple[FloatArray, FloatArray]]:
    """For block after block of horses: losses by cause, shape (causes, horses, days), and pads at risk,
    (horses, days).

    cause  shape (pads,), 0 for censored, 1 to causes for lost
    """
    days = table.days.size
    order = np.argsort(horse, kind="stable")
    first_row = np.searchsorted(horse[order], np.arange(horses + 1))
    per_block = max(1, MOST_CELLS // days)
    for start in range(0, horses, per_block):
        stop = min(start + per_block, horses)
        rows = order[first_row[start] : first_row[stop]]
        cell = (horse[rows] - start) * days + table.place[rows]
        shape = (stop - start, days)
        ended = np.bincount(cell, minlength=shape[0] * days).reshape(shape)
        at_risk = np.cumsum(ended[:, ::-1], axis=1)[:, ::-1].astype(np.float64)
        lost = np.empty((causes, *shape))
        for number in range(causes):
            counted = cell[cause[rows] == number + 1]
            lost[number] = np.bincount(counted, minlength=shape[0] * days).reshape(shape)
        yield lost, at_risk


def log_survival_influence(table: EventTable, lost: FloatArray, at_risk: FloatArray) -> FloatArray:
    """Each horse's influence on the logarithm of the survival curve, shape (horses, days).

    Where the curve has reached 0 the influence is left at its last finite value: log 0 has no derivative.
    """
    left_on = table.n_at_risk - table.n_lost
    share = np.divide(1.0, left_on, out=np.zeros_like(left_on), where=left_on > 0.0)
    surprise = lost - at_risk * (table.n_lost / table.n_at_risk)
    return np.asarray(-np.cumsum(surprise * share, axis=1))


def horses_at_risk(at_risk: FloatArray) -> FloatArray:
    """How many of a block's horses still have a pad at risk on each day, shape (days,)."""
    return np.asarray(np.sum(at_risk > 0.0, axis=0, dtype=np.float64))


def critical_value(confidence_ratio: float, degrees_of_freedom: float | None) -> float:
    """Two-sided critical value: Student's t with so many degrees of freedom, or the standard normal for None.

    raises NotEstimable below one degree of freedom
    """
    upper = 0.5 * (1.0 + confidence_ratio)
    if degrees_of_freedom is None:
        return float(special.ndtri(upper))
    if degrees_of_freedom < 1:
        raise NotEstimable(
            f"horses leave {degrees_of_freedom:g} degrees of freedom where 1 is the least: "
            "gather more horses or ask less"
        )
    return float(special.stdtrit(degrees_of_freedom, upper))


def two_sided_p(statistic: float, degrees_of_freedom: float | None) -> float:
    """Probability of a statistic at least so far from 0: Student's t, or the standard normal for None."""
    if degrees_of_freedom is None:
        return float(2.0 * special.ndtr(-abs(statistic)))
    return float(2.0 * special.stdtr(degrees_of_freedom, -abs(statistic)))
