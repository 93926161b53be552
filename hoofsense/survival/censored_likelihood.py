"""Log-likelihood of censored lives on a straight line of log time, with its first and second derivatives.

    z = rho ln t - x . gamma,   share still on S(z) = exp(-e^z) (Weibull) or 1 / (1 + e^z) (log-logistic)

rho is the shape, x has a 1 in front for the intercept. In gamma and rho the log-likelihood is concave (both
laws have a log-concave density of z, and z is linear in them), so Newton's method finds the one maximum. The
answer is reported as accelerated failure time: beta = gamma / rho is the logarithm of a time ratio; -gamma is
that of the hazard ratio (Weibull) or of the ratio of the odds of loss (log-logistic).

Everything is a sum over pads, so parts of the data may be summed elsewhere and added: see LikelihoodTerms.

source  Kalbfleisch and Prentice, The Statistical Analysis of Failure Time Data, 2nd ed., sections 2.2 and 3.5
        (from memory); the derivatives are worked out here
"""

from __future__ import annotations

from collections.abc import Callable, Iterator
from dataclasses import dataclass
from itertools import pairwise

import numpy as np
from scipy import special

from hoofsense.survival.censored_times import FloatArray, IndexArray

# ln of the smallest day that is told apart from the pour; a bound of 0 stands there, where nothing is lost
# yet.
LEAST_LOG_DAY = -690.0
BLOCK_ROWS = 16_384  # rows worked on at once, so that the temporaries stay in the cache


@dataclass(frozen=True, slots=True)
class RowTerms:
    """Each row's log-likelihood and its derivatives by a shift of z and by rho; all of shape (rows,)."""

    value: FloatArray
    by_shift: FloatArray
    by_shape: FloatArray
    by_shift_shift: FloatArray
    by_shift_shape: FloatArray
    by_shape_shape: FloatArray


# (log lower, log upper, x . gamma, rho) -> RowTerms; kinds without an upper bound ignore it
RowLaw = Callable[[FloatArray, FloatArray, FloatArray, float], RowTerms]


@dataclass(frozen=True, slots=True)
class LifeLaw:
    """A law of service lives: its row terms for each kind of censoring, and the share still on at z."""

    name: str
    still_on: RowLaw
    lost_at: RowLaw
    lost_between: RowLaw
    share_on: Callable[[float], float]
    loss_ratio_of: str


def _weibull_still_on(lower: FloatArray, upper: FloatArray, linear: FloatArray, rho: float) -> RowTerms:
    u = np.exp(rho * lower - linear)
    uy = u * lower
    return RowTerms(-u, -u, -uy, -u, -uy, -uy * lower)


def _weibull_lost_at(lower: FloatArray, upper: FloatArray, linear: FloatArray, rho: float) -> RowTerms:
    z = rho * lower - linear
    u = np.exp(z)
    uy = u * lower
    return RowTerms(z - u + np.log(rho), 1.0 - u, lower - uy + 1.0 / rho, -u, -uy, -uy * lower - 1.0 / rho**2)


def _weibull_lost_between(lower: FloatArray, upper: FloatArray, linear: FloatArray, rho: float) -> RowTerms:
    z_upper = rho * upper - linear
    v = np.exp(z_upper)
    d = -v * np.expm1(rho * (lower - upper))  # v - u without cancelling
    u = v - d
    with np.errstate(over="ignore"):
        q = 1.0 / np.expm1(d)  # e^-v / (e^-u - e^-v)
    uy, vy = u * lower, v * upper
    w, e = vy - uy, vy * upper - uy * lower
    qq = q * (1.0 + q)
    return RowTerms(
        -u + np.log(-np.expm1(-d)),
        -u + q * d,
        -uy + q * w,
        -u + q * d - qq * d**2,
        -uy + q * w - qq * d * w,
        -uy * lower + q * e - qq * w**2,
    )


def _logistic_still_on(lower: FloatArray, upper: FloatArray, linear: FloatArray, rho: float) -> RowTerms:
    z = rho * lower - linear
    p = special.expit(z)
    bend = -p * (1.0 - p)
    return RowTerms(special.log_expit(-z), -p, -p * lower, bend, bend * lower, bend * lower**2)


def _logistic_lost_at(lower: FloatArray, upper: FloatArray, linear: FloatArray, rho: float) -> RowTerms:
    z = rho * lower - linear
    p = special.expit(z)
    bend, pull = -2.0 * p * (1.0 - p), 1.0 - 2.0 * p
    return RowTerms(
        special.log_expit(z) + special.log_expit(-z) + np.log(rho),
        pull,
        pull * lower + 1.0 / rho,
        bend,
        bend * lower,
        bend * lower**2 - 1.0 / rho**2,
    )


def _logistic_lost_between(lower: FloatArray, upper: FloatArray, linear: FloatArray, rho: float) -> RowTerms:
    z_lower, z_upper = rho * lower - linear, rho * upper - linear
    p_lower, p_upper = special.expit(z_lower), special.expit(z_upper)
    wide = rho * (upper - lower)
    with np.errstate(over="ignore"):
        k = 1.0 / np.expm1(wide)
    bend_lower, bend_upper = p_lower * (1.0 - p_lower), p_upper * (1.0 - p_upper)
    return RowTerms(
        special.log_expit(z_upper) + special.log_expit(-z_lower) + np.log(-np.expm1(-wide)),
        1.0 - p_lower - p_upper,
        -p_lower * lower + (1.0 - p_upper) * upper + k * (upper - lower),
        -bend_lower - bend_upper,
        -bend_lower * lower - bend_upper * upper,
        -bend_lower * lower**2 - bend_upper * upper**2 - k * (1.0 + k) * (upper - lower) ** 2,
    )


WEIBULL = LifeLaw(
    "Weibull",
    _weibull_still_on,
    _weibull_lost_at,
    _weibull_lost_between,
    lambda z: float(np.exp(-np.exp(min(z, -LEAST_LOG_DAY)))),
    "hazard",
)
LOG_LOGISTIC = LifeLaw(
    "log-logistic",
    _logistic_still_on,
    _logistic_lost_at,
    _logistic_lost_between,
    lambda z: float(special.expit(-z)),
    "odds of loss",
)


@dataclass(frozen=True, slots=True)
class CensoredRows:
    """Pads sorted by kind: still on, lost at a known moment, lost between.

    order       shape (rows,), the pads in that order
    lower       shape (rows,), ln of the day last seen on, less the shift that was asked for
    upper       shape (rows,), ln of the day noticed off, less that shift; as lower where there is none
    columns     shape (parameters, rows), intercepts and drivers, contiguous
    still_on    how many rows are of the first kind; lost_at, of the second
    """

    order: IndexArray
    lower: FloatArray
    upper: FloatArray
    columns: FloatArray
    still_on: int
    lost_at: int

    def blocks(self, law: LifeLaw) -> Iterator[tuple[slice, RowLaw]]:
        """Runs of rows of one kind, none longer than BLOCK_ROWS, with the law that holds for them."""
        bounds = (0, self.still_on, self.still_on + self.lost_at, self.lower.size)
        laws = (law.still_on, law.lost_at, law.lost_between)
        for row_law, (start, stop) in zip(laws, pairwise(bounds), strict=True):
            for first in range(start, stop, BLOCK_ROWS):
                yield slice(first, min(first + BLOCK_ROWS, stop)), row_law

    def every(self, stride: int) -> CensoredRows:
        """Each stride-th row of each kind, for a first approach on much data."""
        bounds = (0, self.still_on, self.still_on + self.lost_at, self.lower.size)
        kinds = [np.arange(start, stop, stride) for start, stop in pairwise(bounds)]
        chosen = np.concatenate(kinds)
        return CensoredRows(
            self.order[chosen],
            self.lower[chosen],
            self.upper[chosen],
            np.ascontiguousarray(self.columns[:, chosen]),
            kinds[0].size,
            kinds[1].size,
        )


def censored_rows(
    lower_d: FloatArray, upper_d: FloatArray, columns: FloatArray, log_shift: float
) -> CensoredRows:
    """Checked bounds in days as rows; ln day is shifted by log_shift, which conditions the sums.

    columns  shape (parameters, pads)
    raises   ValueError for a loss known to be at the moment of the pour
    """
    lost = np.isfinite(upper_d)
    kind = np.where(lost, np.where(upper_d == lower_d, 1, 2), 0)
    if np.any(upper_d == 0.0):
        raise ValueError("a pad was lost at the very moment of its pour: give the day it was last seen on")
    order = np.argsort(kind, kind="stable")
    with np.errstate(divide="ignore"):
        lower = np.maximum(np.log(lower_d[order]), LEAST_LOG_DAY) - log_shift
    upper = np.where(lost[order], np.log(np.where(lost, upper_d, 1.0)[order]) - log_shift, lower)
    count = np.bincount(kind, minlength=3)
    return CensoredRows(
        order.astype(np.intp),
        lower,
        upper,
        np.ascontiguousarray(columns[:, order]),
        int(count[0]),
        int(count[1]),
    )


@dataclass(frozen=True, slots=True)
class LikelihoodTerms:
    """Sums over pads at one point; those of parts of the data add up to those of the whole.

    gradient  shape (parameters + 1,), by gamma and, last, by rho
    hessian   shape (parameters + 1, parameters + 1)
    """

    log_likelihood: float
    gradient: FloatArray
    hessian: FloatArray

    def __add__(self, other: LikelihoodTerms) -> LikelihoodTerms:
        return LikelihoodTerms(
            self.log_likelihood + other.log_likelihood,
            self.gradient + other.gradient,
            self.hessian + other.hessian,
        )


def likelihood_terms(rows: CensoredRows, law: LifeLaw, gamma: FloatArray, rho: float) -> LikelihoodTerms:
    """Log-likelihood in ln of the shifted days, gradient and Hessian; not finite far from sensible points."""
    size = gamma.size
    log_likelihood, gradient = 0.0, np.zeros(size + 1)
    hessian = np.zeros((size + 1, size + 1))
    with np.errstate(over="ignore", invalid="ignore", divide="ignore"):
        for block, row_law in rows.blocks(law):
            x = rows.columns[:, block]
            row = row_law(rows.lower[block], rows.upper[block], gamma @ x, rho)
            log_likelihood += float(np.sum(row.value))
            gradient[:size] -= x @ row.by_shift
            gradient[size] += np.sum(row.by_shape)
            hessian[:size, :size] += (x * row.by_shift_shift) @ x.T
            hessian[:size, size] -= x @ row.by_shift_shape
            hessian[size, size] += np.sum(row.by_shape_shape)
        hessian[size, :size] = hessian[:size, size]
    return LikelihoodTerms(log_likelihood, gradient, hessian)


def each_row(rows: CensoredRows, law: LifeLaw, linear: FloatArray, rho: float) -> RowTerms:
    """The terms of every row, in the order of the rows.

    linear  x . gamma of each row, shape (rows,)
    """
    parts = [
        row_law(rows.lower[block], rows.upper[block], linear[block], rho)
        for block, row_law in rows.blocks(law)
    ]
    return RowTerms(*(np.concatenate([getattr(part, name) for part in parts]) for name in RowTerms.__slots__))
