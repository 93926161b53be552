"""Accelerated failure time regression on interval-censored lives, whichever the law.

See weibull_aft and log_logistic_aft for the functions to call, and censored_likelihood for the model.
"""

from __future__ import annotations

import math
from collections.abc import Sequence
from dataclasses import dataclass

import numpy as np
import numpy.typing as npt
from scipy import linalg

from hoofsense.survival.censored_likelihood import (
    CensoredRows,
    LifeLaw,
    LikelihoodTerms,
    RowTerms,
    censored_rows,
    each_row,
    likelihood_terms,
)
from hoofsense.survival.censored_times import (
    FloatArray,
    IndexArray,
    NotEstimable,
    checked_confidence,
    covariate_matrix,
    grouped,
    interval_censored,
    numbered,
    read_only,
)
from hoofsense.survival.clustered_variance import (
    MOST_HORSES_TO_CORRECT,
    jackknifed_sandwich,
    plain_sandwich,
    products_by_horse,
    sums_by_horse,
)
from hoofsense.survival.effects import Effect, check_columns, effects_of
from hoofsense.survival.infinitesimal_jackknife import critical_value

# A light ridge: it weighs as a prior with standard deviation 1 / sqrt(0.1) = 3.2 on ln of the hazard (or
# odds) ratio for one standard deviation of a driver. It keeps the answer finite when all losses lie on one
# side.
LIGHT_RIDGE = 0.1
MOST_STEPS = 60
MOST_HALVINGS = 40
DECREMENT = 1e-11
ROWS_FOR_A_FIRST_APPROACH = 8_192
SHAPE_RANGE = (1e-3, 1e3)  # outside it the shape is running off to 0 or infinity
# Newton's steps die out at a maximum. When the decrement has gone but a scaled parameter still moves by this,
# the likelihood only flattens out: a ratio or the shape is running off to infinity.
LARGEST_LAST_STEP = 1e-3


@dataclass(frozen=True, slots=True)
class AftFit:
    """A fitted regression.

    time_effects   log time ratios: how many times as long a pad stays on for one unit more of a driver
    loss_effects   log ratios of the hazard (Weibull) or of the odds of loss (log-logistic)
    strata         names of the strata, each with an intercept; empty when there is one for all
    intercepts     logarithm of the scale in days with all drivers at 0, shape (strata,) or (1,)
    log_shape      ln rho, with its standard error
    covariance     of (intercepts, log time ratios, ln rho), in that order, corrected for few horses
    sandwich       the same without that correction, as other programs print it
    log_likelihood at the fit, without the ridge
    horses         independent units behind the standard errors; None when each pad was taken for one
    """

    law: LifeLaw
    drivers: tuple[str, ...]
    time_effects: tuple[Effect, ...]
    loss_effects: tuple[Effect, ...]
    strata: tuple[str, ...]
    intercepts: FloatArray
    log_shape: float
    log_shape_error: float
    covariance: FloatArray
    sandwich: FloatArray
    log_likelihood: float
    ridge: float
    pads: int
    losses: int
    horses: int | None
    degrees_of_freedom: float | None
    confidence_ratio: float

    def share_on(
        self, day_d: float, values: Sequence[float], stratum: str | None = None
    ) -> tuple[float, float, float]:
        """Share of such pads still on at a day, with its interval (value, low, high).

        values   one for each driver, in their units
        stratum  its name, when there are strata
        raises   ValueError for a day not after the pour, a value too few or a stratum not known
        """
        if not 0.0 < day_d < math.inf:
            raise ValueError(f"day {day_d} is not after the pour: give a day above 0")
        if len(values) != len(self.drivers):
            raise ValueError(f"{len(values)} values for {len(self.drivers)} drivers: give one for each")
        if (stratum is None) == bool(self.strata) or (stratum is not None and stratum not in self.strata):
            raise ValueError(f"stratum {stratum!r} is not one of {', '.join(self.strata) or 'none'}")
        point = np.zeros(self.intercepts.size + len(values))
        point[0 if stratum is None else self.strata.index(stratum)] = 1.0
        point[self.intercepts.size :] = values
        beta = np.concatenate((self.intercepts, [effect.log_ratio for effect in self.time_effects]))
        rho = math.exp(self.log_shape)
        z = rho * (math.log(day_d) - float(point @ beta))
        slope = np.append(-rho * point, z)
        reach = critical_value(self.confidence_ratio, self.degrees_of_freedom) * math.sqrt(
            float(slope @ self.covariance @ slope)
        )
        share_on = self.law.share_on
        return share_on(z), share_on(z + reach), share_on(z - reach)


@dataclass(frozen=True, slots=True)
class ScaledDesign:
    """Rows with centred days and drivers, and the way back.

    rows     columns are the intercepts, then the drivers less their means over their standard deviations
    back     shape (parameters, parameters): (gamma, rho) in days and drivers' own units from the scaled ones
    strata   names; empty when there is one intercept
    log_days_lost_at  sum of ln day over losses known to the moment: the density is wanted by day, not by ln
                      day
    """

    rows: CensoredRows
    back: FloatArray
    strata: tuple[str, ...]
    log_days_lost_at: float

    @property
    def intercepts(self) -> int:
        return max(1, len(self.strata))


def scaled_design(
    lower_d: FloatArray,
    upper_d: FloatArray,
    matrix: FloatArray,
    drivers: tuple[str, ...],
    strata: npt.ArrayLike | None,
) -> ScaledDesign:
    """Rows of checked bounds and covariates.

    raises  NotEstimable when no pad was lost or a driver is flat or a copy of others
    """
    check_columns(matrix, drivers)
    lost = np.isfinite(upper_d)
    if not np.any(lost):
        raise NotEstimable("no pad was lost: nothing can be said of what drives losses")
    names: tuple[str, ...] = ()
    intercepts = np.ones((1, lower_d.size))
    if strata is not None:
        names, which = grouped(strata, lower_d.size, "strata")
        intercepts = (which == np.arange(len(names))[:, None]).astype(np.float64)
        if np.any(intercepts @ lost == 0.0):
            alone = names[int(np.argmin(intercepts @ lost))]
            raise NotEstimable(f"stratum {alone} lost no pad: leave it out or join it to another")
    mean, spread = np.mean(matrix, axis=0), np.std(matrix, axis=0)
    seen_d = np.where(lost, upper_d, lower_d)
    log_day = float(np.mean(np.log(seen_d[seen_d > 0.0]))) if np.any(seen_d > 0.0) else 0.0
    scaled = ((matrix - mean) / spread).T
    rows = censored_rows(lower_d, upper_d, np.concatenate((intercepts, scaled)), log_day)
    first, size = intercepts.shape[0], intercepts.shape[0] + mean.size
    back = np.eye(size + 1)
    back[first:size, first:size] = np.diag(1.0 / spread)
    back[:first, first:size] = -mean / spread
    back[:first, size] = log_day
    known = lower_d[lower_d == upper_d]
    return ScaledDesign(rows, back, names, float(np.sum(np.log(known))))


def fit_interval_regression(
    law: LifeLaw,
    last_on_d: npt.ArrayLike,
    noticed_off_d: npt.ArrayLike,
    covariates: npt.ArrayLike,
    drivers: tuple[str, ...],
    *,
    strata: npt.ArrayLike | None,
    horse: npt.ArrayLike | None,
    ridge: float,
    confidence_ratio: float,
) -> AftFit:
    """Newton's method on the concave form; see weibull_aft for the arguments."""
    checked_confidence(confidence_ratio)
    if not 0.0 <= ridge < math.inf:
        raise ValueError(f"a ridge of {ridge} cannot be: use 0 for none or {LIGHT_RIDGE} for a light one")
    lower_d, upper_d = interval_censored(last_on_d, noticed_off_d)
    matrix = covariate_matrix(covariates, lower_d.size, drivers)
    design = scaled_design(lower_d, upper_d, matrix, drivers, strata)
    weight = ridge_weight(design, ridge)
    theta, terms = fitted(design, law, weight, drivers)
    covariance = sandwich = inverse_information(weight - terms.hessian, drivers)
    horses, degrees = None, None
    if horse is not None:
        horses, which = numbered(horse, lower_d.size, "horse")
        degrees = horses - theta.size
        rows, which = design.rows, which[design.rows.order]
        row = each_row(rows, law, theta[:-1] @ rows.columns, float(theta[-1]))
        scores = sums_by_horse(np.vstack((-row.by_shift * rows.columns, row.by_shape)), which, horses)
        sandwich = plain_sandwich(covariance, scores)
        covariance = sandwich
        if horses <= MOST_HORSES_TO_CORRECT:
            own = _information_by_horse(rows, row, which, horses)
            covariance = jackknifed_sandwich(weight - terms.hessian, scores, own)
    return as_aft(
        law,
        design,
        drivers,
        theta,
        covariance,
        sandwich,
        terms.log_likelihood - design.log_days_lost_at,
        ridge=ridge,
        losses=int(np.count_nonzero(np.isfinite(upper_d))),
        horses=horses,
        degrees_of_freedom=degrees,
        confidence_ratio=confidence_ratio,
    )


def as_aft(
    law: LifeLaw,
    design: ScaledDesign,
    drivers: tuple[str, ...],
    theta: FloatArray,
    covariance: FloatArray,
    sandwich: FloatArray,
    log_likelihood: float,
    *,
    ridge: float,
    losses: int,
    horses: int | None,
    degrees_of_freedom: float | None,
    confidence_ratio: float,
) -> AftFit:
    """The fit in days and the drivers' own units, from the scaled gamma and rho and their covariance."""
    own = design.back @ theta
    covariance = design.back @ covariance @ design.back.T
    gamma, rho, first = own[:-1], float(own[-1]), design.intercepts
    # beta = gamma / rho and ln rho by gamma and rho
    slope = np.diag(np.full(own.size, 1.0 / rho))
    slope[:-1, -1] = -gamma / rho**2
    in_time = slope @ covariance @ slope.T
    to_time = slope @ design.back
    error, error_in_time = np.sqrt(np.diag(covariance)), np.sqrt(np.diag(in_time))
    return AftFit(
        law,
        drivers,
        effects_of(
            drivers,
            "time on",
            gamma[first:] / rho,
            error_in_time[first:-1],
            confidence_ratio,
            degrees_of_freedom,
        ),
        effects_of(
            drivers, law.loss_ratio_of, -gamma[first:], error[first:-1], confidence_ratio, degrees_of_freedom
        ),
        design.strata,
        read_only(gamma[:first] / rho),
        math.log(rho),
        float(error_in_time[-1]),
        read_only(in_time),
        read_only(to_time @ sandwich @ to_time.T),
        log_likelihood,
        ridge,
        int(design.rows.lower.size),
        losses,
        horses,
        degrees_of_freedom,
        confidence_ratio,
    )


def _information_by_horse(rows: CensoredRows, row: RowTerms, which: IndexArray, horses: int) -> FloatArray:
    """Each horse's part of the information, shape (horses, parameters, parameters)."""
    size = rows.columns.shape[0]
    own = np.empty((horses, size + 1, size + 1))
    own[:, :size, :size] = products_by_horse(rows.columns, -row.by_shift_shift, which, horses)
    across = sums_by_horse(rows.columns * row.by_shift_shape, which, horses).T
    own[:, :size, size] = own[:, size, :size] = across
    own[:, size, size] = -np.bincount(which, weights=row.by_shape_shape, minlength=horses)
    return own


def ridge_weight(design: ScaledDesign, ridge: float) -> FloatArray:
    """The ridge as a matrix on the scaled parameters: on the drivers only."""
    weight = np.zeros(design.back.shape[0])
    weight[design.intercepts : -1] = ridge
    return np.diag(weight)


def fitted(
    design: ScaledDesign, law: LifeLaw, weight: FloatArray, drivers: tuple[str, ...]
) -> tuple[FloatArray, LikelihoodTerms]:
    """Scaled gamma and rho at the maximum of the log-likelihood less the ridge, and the terms there."""
    rows = design.rows
    theta = np.zeros(weight.shape[0])
    theta[-1] = 1.0
    # Exponential start: the scale is the mean day seen over the share lost.
    lost_ratio = (rows.lower.size - rows.still_on) / rows.lower.size
    theta[: design.intercepts] = math.log(float(np.mean(np.exp(rows.upper)))) - math.log(lost_ratio)
    if rows.lower.size > 2 * ROWS_FOR_A_FIRST_APPROACH:
        part = rows.every(rows.lower.size // ROWS_FOR_A_FIRST_APPROACH)
        theta, _ = _newton(part, law, theta, weight * (part.lower.size / rows.lower.size), drivers)
    return _newton(rows, law, theta, weight, drivers)


def inverse_information(information: FloatArray, drivers: tuple[str, ...]) -> FloatArray:
    """Inverse of a positive definite matrix; NotEstimable when it is none."""
    try:
        factor = linalg.cho_factor(information)
    except (linalg.LinAlgError, ValueError):
        said = f"tell {', '.join(drivers)} apart" if drivers else "tell the shape"
        raise NotEstimable(
            f"the losses cannot {said}: gather more, seen at different days, or ask for less"
        ) from None
    return np.asarray(linalg.cho_solve(factor, np.eye(information.shape[0])))


def _newton(
    rows: CensoredRows, law: LifeLaw, theta: FloatArray, weight: FloatArray, drivers: tuple[str, ...]
) -> tuple[FloatArray, LikelihoodTerms]:
    terms = likelihood_terms(rows, law, theta[:-1], float(theta[-1]))
    value = terms.log_likelihood - 0.5 * float(theta @ weight @ theta)
    for _ in range(MOST_STEPS):
        gradient = terms.gradient - weight @ theta
        step = inverse_information(weight - terms.hessian, drivers) @ gradient
        if float(step @ gradient) < DECREMENT:
            _check_settled(step, drivers)
            return theta, terms
        for halving in range(MOST_HALVINGS):
            tried = theta + step * 0.5**halving
            if tried[-1] <= 0.0:
                continue
            new = likelihood_terms(rows, law, tried[:-1], float(tried[-1]))
            new_value = new.log_likelihood - 0.5 * float(tried @ weight @ tried)
            if new_value >= value - DECREMENT and np.all(np.isfinite(new.hessian)):
                break
        else:
            raise NotEstimable("the fit did not settle: leave out drivers that move together")
        theta, terms, value = tried, new, new_value
        if not SHAPE_RANGE[0] < theta[-1] < SHAPE_RANGE[1]:
            _check_settled(np.append(np.zeros(theta.size - 1), np.inf), drivers)
    raise NotEstimable("the fit did not settle: leave out drivers that move together")


def _check_settled(step: FloatArray, drivers: tuple[str, ...]) -> None:
    """NotEstimable, naming what runs off, when the last step still moves a parameter."""
    moving = np.abs(step)
    if np.max(moving) < LARGEST_LAST_STEP:
        return
    by_driver = moving[step.size - 1 - len(drivers) : -1]
    if by_driver.size and np.max(by_driver) > moving[-1]:
        raise NotEstimable(
            f"every loss lies on one side of {drivers[int(np.argmax(by_driver))]}: its ratio has no bound, "
            "so use a ridge or show the counts"
        )
    raise NotEstimable(
        "the losses do not tell the shape of the curve (they fit one moment, or none): show the counts"
    )
