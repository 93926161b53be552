"""Kaplan-Meier: the share of pads still on, from right-censored lives, with an interval and its median.

source  Kaplan and Meier, JASA 53 (1958) 457; Greenwood's variance; interval on the log(-log) scale:
        Kalbfleisch and Prentice, The Statistical Analysis of Failure Time Data, 2nd ed., section 1.4 (from
        memory)
"""

from __future__ import annotations

import math
from dataclasses import dataclass

import numpy as np
import numpy.typing as npt

from hoofsense.survival.censored_times import (
    DEFAULT_CONFIDENCE_RATIO,
    FloatArray,
    NotEstimable,
    checked_confidence,
    numbered,
    read_only,
    right_censored,
)
from hoofsense.survival.infinitesimal_jackknife import (
    EventTable,
    counts_by_horse,
    critical_value,
    event_table,
    horses_at_risk,
    log_survival_influence,
)

# A share within this of a level counts as having reached it: products of fractions round in the 16th digit.
LEVEL_SLACK = 1e-12


@dataclass(frozen=True, slots=True)
class SurvivalCurve:
    """A right-continuous step curve: survival[k] holds from days[k] until the next day, and 1 before days[0].

    days                  distinct days of follow-up, in order
    n_at_risk             pads still on and in sight just before each
    n_lost, n_censored    pads lost on it, pads last seen on it
    survival, low, high   share still on, with its interval; all shape (days,)
    confidence_ratio      what the interval holds
    horses                independent units behind the interval; None when each pad was taken for one
    """

    days: FloatArray
    n_at_risk: FloatArray
    n_lost: FloatArray
    n_censored: FloatArray
    survival: FloatArray
    low: FloatArray
    high: FloatArray
    confidence_ratio: float
    horses: int | None

    @property
    def last_d(self) -> float:
        """The last day of follow-up; the curve says nothing after it unless it has reached 0."""
        return float(self.days[-1])

    def survival_at(self, day_d: float) -> tuple[float, float, float]:
        """Share still on at a day, with its interval (value, low, high).

        Before the first day of follow-up it is 1, and the low end is the exact limit for none lost of all.
        raises NotEstimable after the last day of follow-up, unless every pad is known lost
        """
        if day_d > self.last_d and self.survival[-1] > 0.0:
            raise NotEstimable(
                f"no pad was followed beyond day {self.last_d:g}: ask for a day up to then, not {day_d:g}"
            )
        number = int(np.searchsorted(self.days, day_d, side="right")) - 1
        if number < 0:
            units = float(self.n_at_risk[0]) if self.horses is None else float(self.horses)
            return 1.0, none_of_limit(units, self.confidence_ratio), 1.0
        return float(self.survival[number]), float(self.low[number]), float(self.high[number])

    def median_d(self) -> tuple[float, float, float]:
        """First day by which half or fewer are still on, with its interval (value, low, high).

        Infinity where follow-up ended before that. The interval holds the days at which the curve's own
        interval includes one half (Brookmeyer and Crowley, Biometrics 38 (1982) 29; from memory).
        """
        return (
            _first_day_at_half(self.days, self.survival),
            _first_day_at_half(self.days, self.low),
            _first_day_at_half(self.days, self.high),
        )


def none_of_limit(units: float, confidence_ratio: float) -> float:
    """Low end of a share of which all of so many units were seen to have it: the exact binomial limit.

    source  Clopper and Pearson, Biometrika 26 (1934) 404, for 0 failures of n
    """
    return float((0.5 * (1.0 - confidence_ratio)) ** (1.0 / units))


def _first_day_at_half(days: FloatArray, share: FloatArray) -> float:
    reached = np.flatnonzero(share <= 0.5 + LEVEL_SLACK)
    return float(days[reached[0]]) if reached.size else math.inf


def kaplan_meier(
    followed_d: npt.ArrayLike,
    lost: npt.ArrayLike,
    *,
    horse: npt.ArrayLike | None = None,
    confidence_ratio: float = DEFAULT_CONFIDENCE_RATIO,
) -> SurvivalCurve:
    """The curve of right-censored lives.

    followed_d  shape (pads,), days from pour to loss or to last sight
    lost        shape (pads,), whether it was lost then
    horse       shape (pads,), labels; when given, the interval takes horses as independent, with Student's t
                of horses - 1, and pads of one horse may go together
    returns     the curve; its interval is on the log(-log) scale. Until the first loss the low end is the
                exact binomial limit for none lost of so many at risk (of horses, when given); where the last
                pad at risk is lost the low end is 0 and the high end stays as it was, or is the exact limit
                for all lost at once
    raises      ValueError for bad arguments; NotEstimable for an interval from a single horse
    """
    checked_confidence(confidence_ratio)
    days, was_lost = right_censored(followed_d, lost)
    table = event_table(days, was_lost)
    with np.errstate(divide="ignore"):
        log_survival = np.cumsum(np.log1p(-table.n_lost / table.n_at_risk))
    if horse is None:
        units, horses, degrees = table.n_at_risk, None, None
        left_on = table.n_at_risk - table.n_lost
        step = np.divide(
            table.n_lost, table.n_at_risk * left_on, out=np.full_like(left_on, np.inf), where=left_on > 0.0
        )
        variance = np.cumsum(step)
    else:
        horses, which = numbered(horse, days.size, "horse")
        degrees = horses - 1
        variance, units = np.zeros(table.days.size), np.zeros(table.days.size)
        for counted, at_risk in counts_by_horse(table, was_lost.astype(np.intp), 1, which, horses):
            variance += np.sum(log_survival_influence(table, counted[0], at_risk) ** 2, axis=0)
            units += horses_at_risk(at_risk)
    critical = critical_value(confidence_ratio, degrees)
    low, high = _log_log_interval(table, log_survival, np.sqrt(variance), units, critical, confidence_ratio)
    return SurvivalCurve(
        read_only(table.days),
        read_only(table.n_at_risk),
        read_only(table.n_lost),
        read_only(table.n_censored),
        read_only(np.exp(log_survival)),
        read_only(low),
        read_only(high),
        confidence_ratio,
        horses,
    )


def _log_log_interval(
    table: EventTable,
    log_survival: FloatArray,
    standard_error: FloatArray,
    units: FloatArray,
    critical: float,
    confidence_ratio: float,
) -> tuple[FloatArray, FloatArray]:
    none_yet = np.cumsum(table.n_lost) == 0.0
    all_gone = np.isneginf(log_survival)
    inside = ~none_yet & ~all_gone
    spread = np.zeros_like(log_survival)
    spread[inside] = critical * standard_error[inside] / -log_survival[inside]
    held = np.where(inside, log_survival, -1.0)
    low, high = np.exp(held * np.exp(spread)), np.exp(held * np.exp(-spread))
    low[none_yet] = (0.5 * (1.0 - confidence_ratio)) ** (1.0 / units[none_yet])
    high[none_yet] = 1.0
    low[all_gone] = 0.0
    if np.any(all_gone):
        last = int(np.argmax(all_gone))
        exact = 1.0 - none_of_limit(float(units[last]), confidence_ratio)
        high[all_gone] = high[inside][-1] if np.any(inside) else exact
    return low, high
