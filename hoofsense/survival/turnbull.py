"""Turnbull: the share of pads still on, when a loss is only known to lie between two sightings.

The estimate puts mass on a few innermost intervals only; between them the curve is flat, and inside one it is
not determined: any path from its left to its right value fits the data as well.

source  Turnbull, JRSS B 38 (1976) 290; EM and iterative convex minorant steps in turn: Wellner and Zhan, JASA
        92 (1997) 945 (from memory). The steps run on a small support that is refined until no interval
        outside it would raise the likelihood; equal bounds are collapsed first.
"""

from __future__ import annotations

from dataclasses import dataclass

import numpy as np
import numpy.typing as npt
from scipy.optimize import isotonic_regression

from hoofsense.survival.censored_times import (
    BoolArray,
    FloatArray,
    IndexArray,
    NotEstimable,
    interval_censored,
    read_only,
)

# The log-likelihood is within pads * GRADIENT_GAP of its greatest possible value (concavity bounds it so).
GRADIENT_GAP = 1e-9
MOST_ROUNDS = 200  # of refining the support; a handful is usual
MOST_STEPS = 5000  # of EM and minorant steps on one support
FULL_STEPS = 4  # of both on all cells at once, to find a first support
SHORTEST_STEP = 1e-4  # a minorant step shorter than this is not taken: EM steps on
SLIGHT_CURVATURE = 1e-12  # of the greatest, for points that no pair of positive weight touches
NEWCOMER_MASS = 1e-4  # what a cell new in the support starts with
MOST_WHOLE_DAYS = 100_000  # whole days up to here are numbered without sorting
MOST_COUNTED_PAIRS = 4_000_000  # tables of day by day up to this size are counted instead of sorted
LEAST_MASS = 1e-13  # below this an innermost interval carries nothing


@dataclass(frozen=True, slots=True)
class TurnbullCurve:
    """Mass of loss on each innermost interval (left_d, right_d], in order; only those with mass are kept.

    right_d          infinity where the mass is of pads never noticed off
    mass             shape (intervals,), sums to 1
    survival         share still on after each interval, shape (intervals,)
    n_known_on       pads certainly still on at the start of the interval, and so at risk in it
    n_in_doubt       pads of which nobody knows whether they were still on then
    log_likelihood   at the estimate
    gap              bound on how much the log-likelihood still falls short of its greatest value
    pads, losses     pads in all; those noticed off
    """

    left_d: FloatArray
    right_d: FloatArray
    mass: FloatArray
    survival: FloatArray
    n_known_on: FloatArray
    n_in_doubt: FloatArray
    log_likelihood: float
    gap: float
    pads: int
    losses: int

    def survival_at(self, day_d: float) -> tuple[float, float, float]:
        """Share still on at a day: (middle, least, greatest); they differ only inside an innermost interval.

        The middle spreads the interval's mass evenly over it. Least and greatest say what the data leave
        open, not how sure they are: for that draw horses again (turnbull_resampling).
        raises  NotEstimable beyond the last left_d when that interval has no end
        """
        before = self.right_d <= day_d
        greatest = 1.0 - float(np.sum(self.mass[before]))
        if np.all(before):
            return 0.0, 0.0, 0.0
        number = int(np.count_nonzero(before))
        left_d, right_d = float(self.left_d[number]), float(self.right_d[number])
        if day_d <= left_d:
            return greatest, greatest, greatest
        self._check_known(day_d)
        least = greatest - float(self.mass[number])
        return greatest + (least - greatest) * (day_d - left_d) / (right_d - left_d), least, greatest

    def restricted_mean_d(self, until_d: float) -> tuple[float, float, float]:
        """Mean days on out of the first until_d: (middle, least, greatest) over what the data leave open.

        raises  NotEstimable when until_d lies beyond the last left_d of an interval without end
        """
        if not 0.0 < until_d < np.inf:
            raise ValueError(f"a mean up to day {until_d} cannot be: choose a day after the pour")
        self._check_known(until_d)
        left_d, right_d = np.minimum(self.left_d, until_d), np.minimum(self.right_d, until_d)
        wide = np.isfinite(self.right_d) & (self.right_d > self.left_d)
        width = np.where(wide, self.right_d - self.left_d, 1.0)
        # Evenly spread over (left, right] and stopped at until_d.
        share = np.where(wide, (right_d - left_d) / width, 0.0)
        middle = share * 0.5 * (left_d + right_d) + (1.0 - share) * right_d
        return (
            float(np.sum(self.mass * middle)),
            float(np.sum(self.mass * left_d)),
            float(np.sum(self.mass * right_d)),
        )

    def _check_known(self, day_d: float) -> None:
        last_d = float(self.left_d[-1])
        if np.isinf(self.right_d[-1]) and day_d > last_d:
            raise NotEstimable(
                f"no pad was seen on after day {last_d:g} or noticed off later: ask for a day up to then, "
                f"not {day_d:g}"
            )


@dataclass(frozen=True, slots=True)
class CollapsedIntervals:
    """Distinct bounds of the pads, and the innermost intervals (cells) that their losses may lie in.

    left_d, right_d   innermost intervals, shape (cells,)
    lower_d, upper_d  distinct bounds, shape (pairs,)
    first, stop       shape (pairs,): a loss lies in cells first to stop - 1
    weight            shape (pairs,), pads with these bounds
    pair_of           shape (pads,), each pad's pair
    """

    left_d: FloatArray
    right_d: FloatArray
    lower_d: FloatArray
    upper_d: FloatArray
    first: IndexArray
    stop: IndexArray
    weight: FloatArray
    pair_of: IndexArray


def collapsed(lower_d: FloatArray, upper_d: FloatArray) -> CollapsedIntervals:
    """Innermost intervals of checked bounds, and the pads collapsed onto distinct bounds."""
    days, lower, upper = _numbered_days(lower_d, upper_d)
    key, pair_of, weight = _numbered_pairs(lower, upper, days.size)
    lower, upper = key // days.size, key % days.size
    # Places on the line: 2r is the day itself, 2r + 1 just after it, so (L, R] starts at 2L + 1 and ends at
    # 2R, and a loss known to the moment starts and ends at its day.
    start, end = 2 * lower + (upper > lower), 2 * upper
    starts, ends = np.unique(start), np.unique(end)
    next_end = ends[np.searchsorted(ends, starts)]
    innermost = np.append(starts[1:] > next_end[:-1], True)
    cell_start, cell_end = starts[innermost], next_end[innermost]
    return CollapsedIntervals(
        days[cell_start // 2],
        days[cell_end // 2],
        days[lower],
        days[upper],
        np.searchsorted(cell_start, start).astype(np.intp),
        np.searchsorted(cell_end, end, side="right").astype(np.intp),
        weight,
        pair_of,
    )


def _numbered_days(lower_d: FloatArray, upper_d: FloatArray) -> tuple[FloatArray, IndexArray, IndexArray]:
    """Days in order, and each bound's number among them; whole days are their own numbers, unsorted."""
    finite = np.isfinite(upper_d)
    latest = max(float(np.max(lower_d)), float(np.max(upper_d, where=finite, initial=0.0)))
    if latest < MOST_WHOLE_DAYS:
        lower = lower_d.astype(np.intp)
        upper = np.where(finite, upper_d, 0.0).astype(np.intp)
        if np.array_equal(lower, lower_d) and np.array_equal(upper, np.where(finite, upper_d, 0.0)):
            endless = int(latest) + 1
            days = np.append(np.arange(endless, dtype=np.float64), np.inf)
            return days, lower, np.where(finite, upper, endless)
    days, numbers = np.unique(np.concatenate((lower_d, upper_d)), return_inverse=True)
    return days, numbers[: lower_d.size].astype(np.intp), numbers[lower_d.size :].astype(np.intp)


def _numbered_pairs(
    lower: IndexArray, upper: IndexArray, days: int
) -> tuple[IndexArray, IndexArray, FloatArray]:
    """Distinct keys lower * days + upper in order, each pad's number among them, and how many have each."""
    key = lower * days + upper
    if days * days <= MOST_COUNTED_PAIRS:
        count = np.bincount(key, minlength=days * days)
        pairs = np.flatnonzero(count)
        number = np.zeros(days * days, dtype=np.intp)
        number[pairs] = np.arange(pairs.size)
        return pairs.astype(np.intp), number[key], count[pairs].astype(np.float64)
    pairs, where, count = np.unique(key, return_inverse=True, return_counts=True)
    return pairs.astype(np.intp), where.astype(np.intp), count.astype(np.float64)


def turnbull(last_on_d: npt.ArrayLike, noticed_off_d: npt.ArrayLike) -> TurnbullCurve:
    """The curve of interval-censored lives.

    last_on_d, noticed_off_d  shape (pads,), lost in (last_on_d, noticed_off_d]; infinity for never noticed
                              off
    returns                   the non-parametric maximum likelihood estimate, to a gap of pads * GRADIENT_GAP
    raises                    ValueError for bad bounds
    """
    cells = collapsed(*interval_censored(last_on_d, noticed_off_d))
    mass, gap = fitted_mass(cells, cells.weight)
    kept = mass > LEAST_MASS
    left_d, right_d = cells.left_d[kept], cells.right_d[kept]
    share = mass[kept] / np.sum(mass[kept])
    n_known_on, n_gone = _known(cells, left_d, left_d == right_d)
    pads = float(np.sum(cells.weight))
    return TurnbullCurve(
        read_only(left_d),
        read_only(right_d),
        read_only(share),
        read_only(np.maximum(1.0 - np.cumsum(share), 0.0)),
        read_only(n_known_on),
        read_only(pads - n_known_on - n_gone),
        float(np.sum(cells.weight * np.log(_chances(mass, cells.first, cells.stop)))),
        gap,
        int(pads),
        int(np.sum(cells.weight[np.isfinite(cells.upper_d)])),
    )


def _known(cells: CollapsedIntervals, day_d: FloatArray, at_day: BoolArray) -> tuple[FloatArray, FloatArray]:
    """Pads certainly still on, and certainly gone, just after each day (just before it where at_day says so).

    A pad is certainly on when it was seen on then or later and was not lost at that very moment.
    """

    def weight_up_to(values: FloatArray, weight: FloatArray, including: bool) -> FloatArray:
        order = np.argsort(values, kind="stable")
        total = np.concatenate(([0.0], np.cumsum(weight[order])))
        return np.asarray(total[np.searchsorted(values[order], day_d, side="right" if including else "left")])

    gone_before = weight_up_to(cells.upper_d, cells.weight, False)
    gone_by = weight_up_to(cells.upper_d, cells.weight, True)
    seen_on = float(np.sum(cells.weight)) - weight_up_to(cells.lower_d, cells.weight, False)
    to_the_moment = np.where(cells.lower_d == cells.upper_d, cells.weight, 0.0)
    lost_then = weight_up_to(cells.lower_d, to_the_moment, True) - weight_up_to(
        cells.lower_d, to_the_moment, False
    )
    return seen_on - np.where(at_day, 0.0, lost_then), np.where(at_day, gone_before, gone_by)


def fitted_mass(
    cells: CollapsedIntervals,
    weight: FloatArray,
    *,
    start: FloatArray | None = None,
    gradient_gap: float = GRADIENT_GAP,
) -> tuple[FloatArray, float]:
    """Mass on every innermost interval for these weights of the pairs, and the gap left in the
    log-likelihood.

    weight        shape (pairs,), 0 or more; pairs of weight 0 do not count (so resampled horses need no new
                  cells)
    start         shape (cells,), masses to begin from, all above 0; None for equal ones
    gradient_gap  when to stop: the gap is then below this times the sum of the weights
    """
    size = cells.left_d.size
    counted = weight > 0.0
    first, stop, weight = cells.first[counted], cells.stop[counted], weight[counted]
    total = float(np.sum(weight))
    mass = _step_em(np.full(size, 1.0 / size) if start is None else start, first, stop, weight)
    for _ in range(FULL_STEPS):
        mass = _step_em(_step_minorant(mass, first, stop, weight), first, stop, weight)
    for _ in range(MOST_ROUNDS):
        support = np.flatnonzero(mass > LEAST_MASS / size)
        gradient = _gradient(mass, first, stop, weight)
        excess = gradient / total - 1.0
        gap = float(np.max(excess))
        if gap <= gradient_gap:
            break
        support = np.union1d(support, _best_between(support, excess))
        # On the support alone many pairs are the same: the steps then cost next to nothing.
        inner_first, inner_stop = np.searchsorted(support, first), np.searchsorted(support, stop)
        pairs, same = np.unique(inner_first * (support.size + 1) + inner_stop, return_inverse=True)
        own_weight = np.bincount(same, weights=weight).astype(np.float64)
        own_first, own_stop = pairs // (support.size + 1), pairs % (support.size + 1)
        own = np.maximum(mass[support], NEWCOMER_MASS)
        own = _settled(own / np.sum(own), own_first, own_stop, own_weight, gradient_gap)
        mass = np.zeros(size)
        mass[support] = own
    return mass, total * max(gap, 0.0)


def _chances(mass: FloatArray, first: IndexArray, stop: IndexArray) -> FloatArray:
    below = np.concatenate(([0.0], np.cumsum(mass)))
    return np.asarray(below[stop] - below[first])


def _gradient(mass: FloatArray, first: IndexArray, stop: IndexArray, weight: FloatArray) -> FloatArray:
    """Derivative of the log-likelihood by each mass, shape (cells,)."""
    per_pair = weight / _chances(mass, first, stop)
    rises = np.bincount(first, weights=per_pair, minlength=mass.size + 1)
    falls = np.bincount(stop, weights=per_pair, minlength=mass.size + 1)
    return np.asarray(np.cumsum(rises - falls)[: mass.size])


def _step_em(mass: FloatArray, first: IndexArray, stop: IndexArray, weight: FloatArray) -> FloatArray:
    grown = mass * _gradient(mass, first, stop, weight)
    return np.asarray(grown / np.sum(grown))


def _log_likelihood(mass: FloatArray, first: IndexArray, stop: IndexArray, weight: FloatArray) -> float:
    chance = _chances(mass, first, stop)
    if np.any(chance <= 0.0):
        return -np.inf
    return float(np.sum(weight * np.log(chance)))


def _step_minorant(mass: FloatArray, first: IndexArray, stop: IndexArray, weight: FloatArray) -> FloatArray:
    """One step on the cumulated mass: a weighted isotonic fit to the Newton target, halved until it gains."""
    size = mass.size
    if size == 1:
        return mass
    below = np.concatenate(([0.0], np.cumsum(mass)))
    chance = below[stop] - below[first]
    pull, bend = weight / chance, weight / chance**2
    slope = np.bincount(stop, weights=pull, minlength=size + 1) - np.bincount(
        first, weights=pull, minlength=size + 1
    )
    curvature = np.bincount(stop, weights=bend, minlength=size + 1) + np.bincount(
        first, weights=bend, minlength=size + 1
    )
    inner = slice(1, size)
    # Where no counted pair starts or stops nothing pulls: such a point goes along with its neighbours.
    curvature = np.maximum(curvature[inner], np.max(curvature) * SLIGHT_CURVATURE)
    target = below[inner] + slope[inner] / curvature
    reached = np.clip(isotonic_regression(target, weights=curvature).x, 0.0, 1.0)
    direction = np.diff(np.concatenate(([0.0], reached, [1.0]))) - mass
    now = float(np.sum(weight * np.log(chance)))
    step = 1.0
    while step > SHORTEST_STEP:
        tried = np.maximum(mass + step * direction, 0.0)
        if _log_likelihood(tried, first, stop, weight) >= now:
            return np.asarray(tried / np.sum(tried))
        step *= 0.5
    return mass


def _settled(
    mass: FloatArray, first: IndexArray, stop: IndexArray, weight: FloatArray, gradient_gap: float
) -> FloatArray:
    """EM and minorant steps in turn until no cell of this support would raise the likelihood."""
    total = float(np.sum(weight))
    for _ in range(MOST_STEPS):
        mass = _step_em(_step_minorant(mass, first, stop, weight), first, stop, weight)
        gradient = _gradient(mass, first, stop, weight)
        if np.max(gradient) / total - 1.0 <= 0.5 * gradient_gap:
            break
    return mass


def _best_between(support: IndexArray, excess: FloatArray) -> IndexArray:
    """In each gap of the support the cell that would raise the likelihood most, if any would."""
    owner = np.searchsorted(support, np.arange(excess.size), side="right")
    greatest = np.full(support.size + 1, -np.inf)
    np.maximum.at(greatest, owner, excess)
    return np.flatnonzero((excess == greatest[owner]) & (excess > 0.0)).astype(np.intp)
