"""How sure a Turnbull curve is: whole horses drawn again with replacement, the curve fitted to each draw.

Percentile intervals. The curve converges slower than the usual root of n, so on days where few pads were
looked at the intervals are rough; they rest on horses, so pads of one horse may go together.

source  Efron and Tibshirani, An Introduction to the Bootstrap, 1993, chapters 8 and 13 (from memory)
"""

from __future__ import annotations

from dataclasses import dataclass

import numpy as np
import numpy.typing as npt

from hoofsense.survival.censored_times import (
    DEFAULT_CONFIDENCE_RATIO,
    FloatArray,
    IndexArray,
    NotEstimable,
    checked_confidence,
    interval_censored,
    numbered,
    read_only,
)
from hoofsense.survival.chance import Chance, drawn_again
from hoofsense.survival.kaplan_meier import none_of_limit
from hoofsense.survival.turnbull import CollapsedIntervals, TurnbullCurve, collapsed, fitted_mass, turnbull

RESAMPLES = 200  # draws behind an interval: its ends then carry a Monte Carlo error of about one point in 100
LEAST_RESAMPLES = 40  # fewer have no 95 % interval
RESAMPLE_GAP = 1e-6  # a draw's curve need not be sharper than the draws differ
FEWEST_HORSES = 5  # with fewer there are too few different draws (common practice, no source)
START_SHARE = 0.9  # of the sample's own masses in what each draw starts from; the rest is spread evenly


@dataclass(frozen=True, slots=True)
class ShareOn:
    """Share still on at a day with its interval; least and greatest: what the data leave open in a cell."""

    day_d: float
    value: float
    least: float
    greatest: float
    low: float
    high: float


@dataclass(frozen=True, slots=True)
class MeanOn:
    """Mean days on out of the first until_d, with its interval; least and greatest as in ShareOn."""

    until_d: float
    mean_d: float
    least_d: float
    greatest_d: float
    low_d: float
    high_d: float


@dataclass(frozen=True, slots=True)
class ResampledTurnbull:
    """A Turnbull curve with the masses of its resamples.

    cell_left_d, cell_right_d  every innermost interval, shape (cells,)
    masses                     shape (resamples, cells)
    """

    curve: TurnbullCurve
    cell_left_d: FloatArray
    cell_right_d: FloatArray
    masses: FloatArray
    horses: int
    confidence_ratio: float

    def share_on(self, day_d: float) -> ShareOn:
        """Share still on at a day; NotEstimable beyond the last day on which anything is known."""
        value, least, greatest = self.curve.survival_at(day_d)
        reached = _reached(self.cell_left_d, self.cell_right_d, day_d)
        # A draw whose last horse was seen off earlier leaves the share open: to 0 below, unchanged above.
        low, high = _between(
            1.0 - self.masses @ np.where(np.isnan(reached), 1.0, reached),
            1.0 - self.masses @ np.where(np.isnan(reached), 0.0, reached),
            self.confidence_ratio,
        )
        if value == 1.0:
            low = min(low, none_of_limit(self.horses, self.confidence_ratio))
        return ShareOn(float(day_d), value, least, greatest, max(0.0, min(low, value)), max(high, value))

    def mean_on(self, until_d: float) -> MeanOn:
        """Mean days on up to a fixed day; NotEstimable when nothing is known up to then."""
        mean_d, least_d, greatest_d = self.curve.restricted_mean_d(until_d)
        shortest, longest = _cell_means(self.cell_left_d, self.cell_right_d, until_d)
        low_d, high_d = _between(self.masses @ shortest, self.masses @ longest, self.confidence_ratio)
        if self.curve.losses == 0:
            low_d = min(low_d, until_d * none_of_limit(self.horses, self.confidence_ratio))
        return MeanOn(float(until_d), mean_d, least_d, greatest_d, min(low_d, mean_d), max(high_d, mean_d))


@dataclass(frozen=True, slots=True)
class MeanOnDifference:
    """Second group's mean days on less the first's, up to until_d, over resampled horses."""

    until_d: float
    difference_d: float
    low_d: float
    high_d: float
    first_mean_d: float
    second_mean_d: float
    resamples: int
    confidence_ratio: float


def turnbull_resampled(
    last_on_d: npt.ArrayLike,
    noticed_off_d: npt.ArrayLike,
    horse: npt.ArrayLike,
    chance: Chance,
    *,
    resamples: int = RESAMPLES,
    confidence_ratio: float = DEFAULT_CONFIDENCE_RATIO,
) -> ResampledTurnbull:
    """The Turnbull curve and those of horses drawn again.

    horse    shape (pads,), labels; each on its own horse: use range(pads)
    chance   a numpy Generator the caller has seeded
    raises   NotEstimable for fewer than FEWEST_HORSES horses; ValueError for bad arguments
    """
    checked_confidence(confidence_ratio)
    lower_d, upper_d = interval_censored(last_on_d, noticed_off_d)
    horses, which = _enough_horses(horse, lower_d.size, resamples)
    cells = collapsed(lower_d, upper_d)
    own = fitted_mass(cells, cells.weight)[0]
    masses = np.empty((resamples, own.size))
    for number in range(resamples):
        masses[number] = _redrawn(cells, own, drawn_again(chance, horses)[which])
    return ResampledTurnbull(
        turnbull(lower_d, upper_d),
        read_only(cells.left_d),
        read_only(cells.right_d),
        read_only(masses),
        horses,
        confidence_ratio,
    )


def mean_on_difference(
    last_on_d: npt.ArrayLike,
    noticed_off_d: npt.ArrayLike,
    in_second: npt.ArrayLike,
    until_d: float,
    horse: npt.ArrayLike,
    chance: Chance,
    *,
    resamples: int = RESAMPLES,
    confidence_ratio: float = DEFAULT_CONFIDENCE_RATIO,
) -> MeanOnDifference:
    """How many more of the first until_d days the pads of the second group are on than those of the first.

    in_second  shape (pads,), True for the second group
    horse      labels; a horse with pads in both groups is drawn once for both
    raises     NotEstimable for an empty group, too few horses, or nothing known up to that day; a draw that
               leaves a group without horses is drawn again
    """
    checked_confidence(confidence_ratio)
    lower_d, upper_d = interval_censored(last_on_d, noticed_off_d)
    horses, which = _enough_horses(horse, lower_d.size, resamples)
    second = np.asarray(in_second, dtype=np.bool_)
    if second.shape != lower_d.shape:
        raise ValueError(f"{second.size} group marks for {lower_d.size} pads: give one for each pad")
    if not np.any(second) or np.all(second):
        raise NotEstimable("one of the two groups has no pads: there is nothing to compare")
    groups = []
    for chosen in (~second, second):
        cells = collapsed(lower_d[chosen], upper_d[chosen])
        own = fitted_mass(cells, cells.weight)[0]
        mean_d = turnbull(lower_d[chosen], upper_d[chosen]).restricted_mean_d(until_d)[0]
        groups.append((cells, own, which[chosen], mean_d, _cell_means(cells.left_d, cells.right_d, until_d)))
    low, high = np.empty(resamples), np.empty(resamples)
    done = 0
    while done < resamples:
        drawn = drawn_again(chance, horses)
        if any(not np.any(drawn[own_horses]) for _, _, own_horses, _, _ in groups):
            continue
        (first_short, first_long), (second_short, second_long) = (
            (mass @ shortest, mass @ longest)
            for mass, (shortest, longest) in (
                (_redrawn(cells, own, drawn[own_horses]), means)
                for cells, own, own_horses, _, means in groups
            )
        )
        low[done], high[done] = second_short - first_long, second_long - first_short
        done += 1
    low_d, high_d = _between(low, high, confidence_ratio)
    difference_d = groups[1][3] - groups[0][3]
    return MeanOnDifference(
        float(until_d),
        difference_d,
        min(low_d, difference_d),
        max(high_d, difference_d),
        groups[0][3],
        groups[1][3],
        resamples,
        confidence_ratio,
    )


def _enough_horses(horse: npt.ArrayLike, pads: int, resamples: int) -> tuple[int, IndexArray]:
    horses, which = numbered(horse, pads, "horse")
    if horses < FEWEST_HORSES:
        raise NotEstimable(
            f"{horses} horses are too few to draw again, {FEWEST_HORSES} needed: show the curve alone"
        )
    if resamples < LEAST_RESAMPLES:
        raise ValueError(f"{resamples} resamples are too few for an interval: use {LEAST_RESAMPLES} or more")
    return horses, which


def _redrawn(cells: CollapsedIntervals, own: FloatArray, pad_weight: FloatArray) -> FloatArray:
    weight = np.bincount(cells.pair_of, weights=pad_weight, minlength=cells.weight.size).astype(np.float64)
    start = START_SHARE * own + (1.0 - START_SHARE) / own.size
    return fitted_mass(cells, weight, start=start, gradient_gap=RESAMPLE_GAP)[0]


def _reached(left_d: FloatArray, right_d: FloatArray, day_d: float) -> FloatArray:
    """Share of each cell's mass lost by a day when spread evenly; NaN inside a cell without end."""
    inside = (left_d < day_d) & (day_d < right_d)
    width = np.where(inside & np.isfinite(right_d), right_d - left_d, 1.0)
    share = np.where(inside, (day_d - left_d) / width, 0.0)
    share[inside & np.isinf(right_d)] = np.nan
    share[right_d <= day_d] = 1.0
    return share


def _cell_means(left_d: FloatArray, right_d: FloatArray, until_d: float) -> tuple[FloatArray, FloatArray]:
    """Mean of min(T, until_d) in each cell, T spread evenly; least and greatest if it has no end."""
    start, end = np.minimum(left_d, until_d), np.minimum(right_d, until_d)
    finite = np.isfinite(right_d) & (right_d > left_d)
    share = np.where(finite, (end - start) / np.where(finite, right_d - left_d, 1.0), 0.0)
    even = share * 0.5 * (start + end) + (1.0 - share) * until_d
    point = right_d == left_d
    shortest = np.where(point, start, np.where(finite, even, start))
    longest = np.where(point, start, np.where(finite, even, until_d))
    return shortest, longest


def _between(low: FloatArray, high: FloatArray, confidence_ratio: float) -> tuple[float, float]:
    outside = 0.5 * (1.0 - confidence_ratio)
    return float(np.quantile(low, outside)), float(np.quantile(high, 1.0 - outside))
