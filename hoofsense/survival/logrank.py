"""Log-rank: did pads of these groups stay on alike? For losses whose day is known.

source  Mantel, Cancer Chemother. Rep. 50 (1966) 163; Peto and Peto, JRSS A 135 (1972) 185; hypergeometric
        variance with ties, as in Klein and Moeschberger, Survival Analysis, 2nd ed., section 7.3 (from
        memory)
"""

from __future__ import annotations

from dataclasses import dataclass

import numpy as np
import numpy.typing as npt
from scipy import special

from hoofsense.survival.censored_times import (
    BoolArray,
    FloatArray,
    IndexArray,
    NotEstimable,
    grouped,
    numbered,
    read_only,
    right_censored,
)

RANK_SLACK = 1e-10  # eigenvalues of a covariance below this share of the greatest are rounding


@dataclass(frozen=True, slots=True)
class GroupTest:
    """Whether groups differ, and which lost more than their share.

    groups              names in sorted order
    pads, losses        in each group, shape (groups,)
    excess              losses beyond what the group would have had if all groups were alike, shape (groups,)
    chi_squared         with so many degrees_of_freedom; p_value for "all alike"
    horses              independent units behind the variance; None when each pad was taken for one
    """

    groups: tuple[str, ...]
    pads: FloatArray
    losses: FloatArray
    excess: FloatArray
    chi_squared: float
    degrees_of_freedom: int
    p_value: float
    horses: int | None

    @property
    def expected(self) -> FloatArray:
        """Losses each group would have had if all were alike, shape (groups,)."""
        return np.asarray(self.losses - self.excess)


def logrank(
    followed_d: npt.ArrayLike,
    lost: npt.ArrayLike,
    group: npt.ArrayLike,
    *,
    strata: npt.ArrayLike | None = None,
) -> GroupTest:
    """Log-rank test of two or more groups; every pad is taken for independent.

    group   shape (pads,), labels
    strata  shape (pads,), labels; pads are only compared within a stratum (say, a practice)
    raises  NotEstimable when there is one group only, or no loss while more than one group was at risk;
            ValueError for bad arguments
    """
    days, was_lost = right_censored(followed_d, lost)
    names, which = grouped(group, days.size, "group")
    check_two_groups(names)
    excess, covariance = np.zeros(len(names)), np.zeros((len(names), len(names)))
    for chosen in strata_of(strata, days.size):
        own_excess, own_covariance = _one_stratum(days[chosen], was_lost[chosen], which[chosen], len(names))
        excess += own_excess
        covariance += own_covariance
    chi_squared, degrees = quadratic_form(excess, covariance)
    return GroupTest(
        names,
        read_only(np.bincount(which, minlength=len(names))),
        read_only(np.bincount(which, weights=was_lost, minlength=len(names))),
        read_only(excess),
        chi_squared,
        degrees,
        float(special.chdtrc(degrees, chi_squared)),
        None,
    )


def check_two_groups(names: tuple[str, ...]) -> None:
    """NotEstimable unless there are two groups or more."""
    if len(names) < 2:
        raise NotEstimable(f"all pads are in one group ({names[0]}): there is nothing to compare")


def strata_of(strata: npt.ArrayLike | None, pads: int) -> list[BoolArray | slice]:
    """What picks the pads of each stratum; everything when there are no strata."""
    if strata is None:
        return [slice(None)]
    count, which = numbered(strata, pads, "strata")
    return [which == number for number in range(count)]


def quadratic_form(excess: FloatArray, covariance: FloatArray) -> tuple[float, int]:
    """Excess' covariance^-1 excess and the rank, for a covariance whose rows add up to 0.

    raises  NotEstimable when the covariance is 0: no loss could tell the groups apart
    """
    values, vectors = np.linalg.eigh(covariance)
    kept = values > RANK_SLACK * max(float(values[-1]), 0.0)
    if values[-1] <= 0.0 or not np.any(kept):
        raise NotEstimable(
            "no pad was lost while pads of more than one group were at risk: gather more losses first"
        )
    along = vectors[:, kept].T @ excess
    return float(np.sum(along**2 / values[kept])), int(np.count_nonzero(kept))


def _one_stratum(
    days: FloatArray, was_lost: BoolArray, which: IndexArray, groups: int
) -> tuple[FloatArray, FloatArray]:
    distinct, place = np.unique(days, return_inverse=True)
    cell = which * distinct.size + place
    shape = (groups, distinct.size)
    ended = np.bincount(cell, minlength=groups * distinct.size).reshape(shape)
    at_risk = np.cumsum(ended[:, ::-1], axis=1)[:, ::-1].astype(np.float64)
    lost = np.bincount(cell, weights=was_lost, minlength=groups * distinct.size).reshape(shape)
    n, d = np.sum(at_risk, axis=0), np.sum(lost, axis=0)
    share = at_risk / n
    excess = np.sum(lost - d * share, axis=1)
    spread = d * (n - d) / np.maximum(n - 1.0, 1.0)  # 0 where a single pad is left
    covariance = np.diag(np.sum(spread * share, axis=1)) - (spread * share) @ share.T
    return excess, covariance
