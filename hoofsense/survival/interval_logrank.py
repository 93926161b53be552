"""The log-rank test when a loss is only known to lie between two sightings.

Each pad gets a score: what it says about losing more than its share, from the Turnbull curve of all pads
together. With losses known to the day the scores are the log-rank's own (observed less expected). The
variance is that of shuffling the scores, or, given horses, that of whole horses' sums; both suppose that the
groups were looked at alike (the same visit intervals), since a group looked at less often seems to lose less
often.

source  Sun, Stat. Med. 15 (1996) 1387; in the permutation form of Fay and Shaw, J. Stat. Softw. 36(2) (2010)
        (from memory)
"""

from __future__ import annotations

import numpy as np
import numpy.typing as npt
from scipy import special

from hoofsense.survival.censored_times import (
    FloatArray,
    IndexArray,
    NotEstimable,
    grouped,
    interval_censored,
    numbered,
    read_only,
)
from hoofsense.survival.logrank import GroupTest, check_two_groups, quadratic_form, strata_of
from hoofsense.survival.turnbull import collapsed, fitted_mass


def interval_logrank_scores(last_on_d: npt.ArrayLike, noticed_off_d: npt.ArrayLike) -> FloatArray:
    """Each pad's score, shape (pads,): near 1 for one surely lost at once, negative for one that stayed on.

    They add up to 0. Group sums are the excess losses of the groups.
    """
    cells = collapsed(*interval_censored(last_on_d, noticed_off_d))
    mass, _ = fitted_mass(cells, cells.weight)
    gone = np.concatenate(([0.0], np.cumsum(mass)))
    still_on = np.maximum(1.0 - gone, 0.0)
    still_on[-1] = 0.0
    hazard = np.divide(mass, still_on[:-1], out=np.zeros_like(mass), where=still_on[:-1] > 0.0)
    weighed = still_on * np.concatenate(([0.0], np.cumsum(hazard)))
    score = (weighed[cells.stop] - weighed[cells.first]) / (gone[cells.stop] - gone[cells.first])
    return np.asarray(score[cells.pair_of])


def interval_logrank(
    last_on_d: npt.ArrayLike,
    noticed_off_d: npt.ArrayLike,
    group: npt.ArrayLike,
    *,
    strata: npt.ArrayLike | None = None,
    horse: npt.ArrayLike | None = None,
) -> GroupTest:
    """Log-rank test of two or more groups for interval-censored lives.

    group    shape (pads,), labels
    strata   labels; scores and shares are reckoned within a stratum (say, a practice)
    horse    labels; when given, whole horses are the independent units, and the p value comes from an F
             distribution (Hotelling's) that makes up for their small number
    returns  the test; excess is on the scale of losses
    raises   NotEstimable when the groups cannot be told apart or horses are too few
    """
    lower_d, upper_d = interval_censored(last_on_d, noticed_off_d)
    names, which = grouped(group, lower_d.size, "group")
    check_two_groups(names)
    units, horses = (np.arange(lower_d.size), None)
    if horse is not None:
        horses, units = numbered(horse, lower_d.size, "horse")
    excess, covariance = np.zeros(len(names)), np.zeros((len(names), len(names)))
    sums = np.zeros((int(units.max()) + 1, len(names)))
    for chosen in strata_of(strata, lower_d.size):
        score = interval_logrank_scores(lower_d[chosen], upper_d[chosen])
        member = (which[chosen, None] == np.arange(len(names))).astype(np.float64)
        excess += score @ member
        apart = member - np.mean(member, axis=0)
        covariance += _shuffled_covariance(score, apart)
        _add_by_unit(sums, units[chosen], score[:, None] * apart)
    if horses is not None:
        covariance = sums.T @ sums * (horses / max(horses - 1.0, 1.0))
    chi_squared, degrees = quadratic_form(excess, covariance)
    return GroupTest(
        names,
        read_only(np.bincount(which, minlength=len(names))),
        read_only(np.bincount(which, weights=np.isfinite(upper_d), minlength=len(names))),
        read_only(excess),
        chi_squared,
        degrees,
        _p_value(chi_squared, degrees, horses),
        horses,
    )


def _shuffled_covariance(score: FloatArray, apart: FloatArray) -> FloatArray:
    pads = score.size
    if pads < 2:
        return np.zeros((apart.shape[1], apart.shape[1]))
    variance = float(np.sum((score - np.mean(score)) ** 2)) / (pads - 1.0)
    return np.asarray(variance * apart.T @ apart)


def _add_by_unit(sums: FloatArray, unit: IndexArray, rows: FloatArray) -> None:
    for column in range(rows.shape[1]):
        sums[:, column] += np.bincount(unit, weights=rows[:, column], minlength=sums.shape[0])


def _p_value(chi_squared: float, degrees: int, horses: int | None) -> float:
    if horses is None:
        return float(special.chdtrc(degrees, chi_squared))
    left = horses - degrees
    if left < 1:
        raise NotEstimable(f"{horses} horses are too few to compare {degrees + 1} groups: gather more horses")
    return float(special.fdtrc(degrees, left, chi_squared * left / (degrees * (horses - 1.0))))
