"""Aalen-Johansen: the share of pads that have left the foot by each day, cause by cause, when causes compete.

Which pads came off before the trim? A pad taken off as planned can no longer be lost, so it competes.
Treating it as censored instead answers another question (would it have held?) and gives a larger share: show
both.

source  Aalen and Johansen, Scand. J. Statist. 5 (1978) 141; variance by the infinitesimal jackknife, which
        for separate pads is the delta-method formula of Dinse and Larson, Biometrika 73 (1986) 379 (from
        memory)
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
from hoofsense.survival.kaplan_meier import none_of_limit


@dataclass(frozen=True, slots=True)
class CumulativeIncidence:
    """Right-continuous step curves, one row for each cause, in the order they were named.

    causes                the names
    days                  distinct days of follow-up, shape (days,)
    n_at_risk             pads still on and in sight just before each, shape (days,)
    n_ended               pads that left by each cause on each day, shape (causes, days)
    incidence, low, high  share gone by that cause, with its interval, shape (causes, days)
    still_on              share gone by no cause: 1 less the sum over causes, shape (days,)
    horses                independent units behind the intervals; None when each pad was taken for one
    """

    causes: tuple[str, ...]
    days: FloatArray
    n_at_risk: FloatArray
    n_ended: FloatArray
    incidence: FloatArray
    standard_error: FloatArray
    low: FloatArray
    high: FloatArray
    still_on: FloatArray
    confidence_ratio: float
    horses: int | None

    def incidence_at(self, cause: str, day_d: float) -> tuple[float, float, float]:
        """Share gone by a cause by a day, with its interval (value, low, high); 0 before the first day.

        raises ValueError for a cause not named; NotEstimable after the last day, unless no pad is still on
        """
        if cause not in self.causes:
            raise ValueError(f"cause {cause!r} is not one of {', '.join(self.causes)}")
        if day_d > self.days[-1] and self.n_at_risk[-1] > np.sum(self.n_ended[:, -1]):
            raise NotEstimable(
                f"no pad was followed beyond day {self.days[-1]:g}: ask for a day up to then, not {day_d:g}"
            )
        row = self.causes.index(cause)
        number = int(np.searchsorted(self.days, day_d, side="right")) - 1
        if number < 0:
            units = float(self.n_at_risk[0]) if self.horses is None else float(self.horses)
            return 0.0, 0.0, 1.0 - none_of_limit(units, self.confidence_ratio)
        return (
            float(self.incidence[row, number]),
            float(self.low[row, number]),
            float(self.high[row, number]),
        )


def cumulative_incidence(
    followed_d: npt.ArrayLike,
    cause: npt.ArrayLike,
    causes: tuple[str, ...],
    *,
    horse: npt.ArrayLike | None = None,
    confidence_ratio: float = DEFAULT_CONFIDENCE_RATIO,
) -> CumulativeIncidence:
    """Curves of competing causes from right-censored lives.

    followed_d  shape (pads,), days from pour to the end or to last sight
    cause       shape (pads,), 0 for still on when last seen, k for the k-th name in causes
    horse       labels; when given, horses are the independent units and intervals use Student's t of horses -
                1
    returns     the curves; intervals on the log(-log) scale of the incidence. Until a cause first strikes its
                high end is the exact binomial limit for none of so many at risk
    raises      ValueError for bad arguments; NotEstimable for intervals from a single horse
    accuracy    incidences and still_on add up to 1 within rounding
    """
    checked_confidence(confidence_ratio)
    code = np.asarray(cause)
    if not causes:
        raise ValueError("no cause is named: name at least one way a pad leaves the foot")
    if code.dtype.kind not in "iu" or np.any(code < 0) or np.any(code > len(causes)):
        raise ValueError(f"a cause must be a whole number from 0 (still on) to {len(causes)}: see the names")
    days, ended = right_censored(followed_d, code > 0)
    table = event_table(days, ended)
    numbers = code.astype(np.intp)
    n_ended = np.stack(
        [
            np.bincount(table.place, weights=numbers == number + 1, minlength=table.days.size)
            for number in range(len(causes))
        ]
    ).astype(np.float64)
    hazard = n_ended / table.n_at_risk
    survival = np.cumprod(1.0 - table.n_lost / table.n_at_risk)
    before = np.concatenate(([1.0], survival[:-1]))
    incidence = np.cumsum(before * hazard, axis=1)
    if horse is None:
        horses, degrees, units = None, None, table.n_at_risk
        variance = _delta_variance(table, n_ended, before, incidence)
    else:
        horses, which = numbered(horse, days.size, "horse")
        degrees = horses - 1
        variance, units = np.zeros_like(incidence), np.zeros(table.days.size)
        for counted, at_risk in counts_by_horse(table, numbers, len(causes), which, horses):
            ahead = log_survival_influence(table, np.sum(counted, axis=0), at_risk)
            ahead = np.concatenate((np.zeros((ahead.shape[0], 1)), ahead[:, :-1]), axis=1)
            for row in range(len(causes)):
                surprise = (counted[row] - at_risk * hazard[row]) / table.n_at_risk
                influence = np.cumsum(before * (ahead * hazard[row] + surprise), axis=1)
                variance[row] += np.sum(influence**2, axis=0)
            units += horses_at_risk(at_risk)
    standard_error = np.sqrt(variance)
    critical = critical_value(confidence_ratio, degrees)
    low, high = _log_log_interval(incidence, standard_error, units, critical, confidence_ratio)
    return CumulativeIncidence(
        tuple(causes),
        read_only(table.days),
        read_only(table.n_at_risk),
        read_only(n_ended),
        read_only(incidence),
        read_only(standard_error),
        read_only(low),
        read_only(high),
        read_only(survival),
        confidence_ratio,
        horses,
    )


def _delta_variance(
    table: EventTable, n_ended: FloatArray, before: FloatArray, incidence: FloatArray
) -> FloatArray:
    """Var F(t) = sum (F(t) - F_j)^2 a_j + b_j - 2 (F(t) - F_j) c_j over days j up to t, by running sums."""
    n, left_on = table.n_at_risk, table.n_at_risk - table.n_lost
    # Where nobody is left on, F(t) - F_j is 0 for every later t, so a_j never counts.
    a = np.divide(table.n_lost, n * left_on, out=np.zeros_like(n), where=left_on > 0.0)
    b = before**2 * (n - n_ended) * n_ended / n**3  # the binomial variance of the day's own losses
    c = before * n_ended / n**2
    total_a, total_af = np.cumsum(a), np.cumsum(a * incidence, axis=1)
    total_aff, total_c = np.cumsum(a * incidence**2, axis=1), np.cumsum(c, axis=1)
    total_cf = np.cumsum(c * incidence, axis=1)
    variance = (
        incidence**2 * total_a
        - 2.0 * incidence * total_af
        + total_aff
        + np.cumsum(b, axis=1)
        - 2.0 * (incidence * total_c - total_cf)
    )
    return np.asarray(np.maximum(variance, 0.0))  # rounding alone can take it below 0


def _log_log_interval(
    incidence: FloatArray,
    standard_error: FloatArray,
    units: FloatArray,
    critical: float,
    confidence_ratio: float,
) -> tuple[FloatArray, FloatArray]:
    none_yet, all_gone = incidence == 0.0, incidence >= 1.0 - np.finfo(np.float64).eps
    inside = ~none_yet & ~all_gone
    log_share = np.log(np.where(inside, incidence, 0.5))
    spread = np.where(
        inside, critical * standard_error / -(np.where(inside, incidence, 1.0) * log_share), 0.0
    )
    low, high = np.exp(log_share * np.exp(spread)), np.exp(log_share * np.exp(-spread))
    exact = (0.5 * (1.0 - confidence_ratio)) ** (1.0 / units)
    low, high = np.where(none_yet, 0.0, low), np.where(none_yet, 1.0 - exact, high)
    for row in range(incidence.shape[0]):
        if np.any(all_gone[row]):
            earlier = low[row][inside[row]]
            low[row][all_gone[row]] = earlier[-1] if earlier.size else exact[int(np.argmax(all_gone[row]))]
            high[row][all_gone[row]] = 1.0
    return low, high
