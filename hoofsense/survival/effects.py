"""What a regression says of one driver, and how sure it is, with horses as the independent units."""

from __future__ import annotations

import math
from dataclasses import dataclass

import numpy as np

from hoofsense.survival.censored_times import FloatArray, NotEstimable
from hoofsense.survival.infinitesimal_jackknife import critical_value, two_sided_p

# Correlation matrices with an eigenvalue below this have columns that say the same thing.
LEAST_EIGENVALUE = 1e-9
NAMED_LOADING = 0.3  # columns that weigh more than this in such a direction are named in the refusal


@dataclass(frozen=True, slots=True)
class Effect:
    """The logarithm of a ratio for one unit more of a driver, with its standard error and interval.

    of       what the ratio is of: "hazard", "odds of loss" or "time on"
    p_value  two-sided, for a ratio of 1
    """

    driver: str
    of: str
    log_ratio: float
    standard_error: float
    low: float
    high: float
    p_value: float

    @property
    def ratio(self) -> float:
        """The ratio itself: 1 for no effect, 2 for twice as much."""
        return math.exp(self.log_ratio)

    @property
    def ratio_interval(self) -> tuple[float, float]:
        """Low and high end of the ratio; infinity when the logarithm is past what a float holds."""
        return float(np.exp(self.low)), float(np.exp(min(self.high, MOST_LOG_RATIO)))


MOST_LOG_RATIO = 700.0  # e to this is near the greatest float


def effects_of(
    drivers: tuple[str, ...],
    of: str,
    log_ratios: FloatArray,
    standard_errors: FloatArray,
    confidence_ratio: float,
    degrees_of_freedom: float | None,
) -> tuple[Effect, ...]:
    """One Effect for each driver; Student's t with so many degrees of freedom, or the normal for None."""
    critical = critical_value(confidence_ratio, degrees_of_freedom)
    return tuple(
        Effect(
            driver,
            of,
            float(value),
            float(error),
            float(value - critical * error),
            float(value + critical * error),
            two_sided_p(float(value / error), degrees_of_freedom),
        )
        for driver, value, error in zip(drivers, log_ratios, standard_errors, strict=True)
    )


def check_columns(matrix: FloatArray, names: tuple[str, ...]) -> None:
    """NotEstimable when a column is the same for all pads, or when columns say the same thing.

    raises  NotEstimable naming the columns
    """
    if not names:
        return
    spread = np.std(matrix, axis=0)
    flat = spread <= np.finfo(np.float64).eps * np.max(np.abs(matrix), axis=0, initial=0.0)
    if np.any(flat):
        raise NotEstimable(f"{names[int(np.argmax(flat))]} is the same for all pads: leave it out")
    if len(names) < 2:
        return
    scaled = (matrix - np.mean(matrix, axis=0)) / spread
    values, vectors = np.linalg.eigh(scaled.T @ scaled / matrix.shape[0])
    if values[0] < LEAST_EIGENVALUE:
        together = [
            name for name, weight in zip(names, vectors[:, 0], strict=True) if abs(weight) > NAMED_LOADING
        ]
        raise NotEstimable(f"{' and '.join(together)} say the same thing: leave one of them out")


def variance_inflation(matrix: FloatArray, names: tuple[str, ...]) -> FloatArray:
    """How many times each driver's variance is inflated because the drivers move together, shape (drivers,).

    1 for a driver unlike all others; above about 5 the effects of these drivers cannot be told apart well
    (common practice, no source)
    raises  NotEstimable for columns that are flat or say the same thing
    """
    check_columns(matrix, names)
    if len(names) == 1:
        return np.ones(1)
    return np.asarray(np.diag(np.linalg.inv(np.corrcoef(matrix, rowvar=False))))
