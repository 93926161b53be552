"""Regression with a term for each horse: some keep their pads longer, whatever is known of them.

The term is normal on ln time and is integrated out by adaptive Gauss-Hermite quadrature; with the nodes held
where each horse's likelihood peaks, gradient and Hessian of the quadrature are exact, so Newton's method
applies. Effects are those within a horse (at the same term): time ratios are the same over all horses, hazard
ratios over all horses are nearer to 1.

source  Pinheiro and Bates, J. Comput. Graph. Stat. 4 (1995) 12, for adaptive quadrature; Self and Liang, JASA
        82 (1987) 605, for the test of no spread (both from memory)
"""

from __future__ import annotations

import math
from dataclasses import dataclass

import numpy as np
import numpy.typing as npt
from scipy import special

from hoofsense.survival.censored_likelihood import WEIBULL, CensoredRows, LifeLaw, each_row
from hoofsense.survival.censored_times import (
    DEFAULT_CONFIDENCE_RATIO,
    FloatArray,
    IndexArray,
    NotEstimable,
    checked_confidence,
    covariate_matrix,
    grouped,
    interval_censored,
    read_only,
)
from hoofsense.survival.clustered_variance import sums_by_horse
from hoofsense.survival.effects import check_columns
from hoofsense.survival.infinitesimal_jackknife import critical_value
from hoofsense.survival.interval_regression import (
    DECREMENT,
    LIGHT_RIDGE,
    MOST_HALVINGS,
    MOST_STEPS,
    AftFit,
    as_aft,
    fitted,
    inverse_information,
    ridge_weight,
    scaled_design,
)

NODES = 15  # of the quadrature; 41 change the log-likelihood of our test data by less than 1e-6
FEWEST_NODES = 5
PEAK_STEPS = 25
PEAK_ACCURACY = 1e-8  # in standard deviations of the term
LEAST_BEND = 1e-6  # of the greatest, in a direction that hardly bends while the fit is still far off
FIRST_SPREAD = 0.5  # of z, where the search begins


@dataclass(frozen=True, slots=True)
class FrailtyFit:
    """A regression with a term for each horse.

    within          the effects within a horse, with everything else an AftFit says
    spread          standard deviation of the horses' terms on ln time, with its standard error and interval,
                    which
                    ends at 0 at the least
    p_value         for no spread at all: half of chi-squared's, as the spread cannot be below 0
    horses          names in sorted order
    log_time_ratio  each horse's term as the data see it (posterior mean), and its standard deviation: below 0
                    for
                    horses that lose pads sooner, shape (horses,)
    """

    within: AftFit
    spread: float
    spread_error: float
    spread_low: float
    spread_high: float
    p_value: float
    log_likelihood_without: float
    horses: tuple[str, ...]
    log_time_ratio: FloatArray
    log_time_ratio_sd: FloatArray


@dataclass(frozen=True, slots=True)
class _Problem:
    rows: CensoredRows
    law: LifeLaw
    horse: IndexArray
    horses: int
    weight: FloatArray
    nodes: FloatArray
    log_weights: FloatArray


@dataclass(frozen=True, slots=True)
class _Quadrature:
    """Nodes of each horse's term and the logarithms of their weights, both shape (nodes, horses)."""

    term: FloatArray
    log_weight: FloatArray


@dataclass(frozen=True, slots=True)
class _Terms:
    log_likelihood: float
    gradient: FloatArray
    hessian: FloatArray
    posterior: FloatArray


def shared_frailty(
    last_on_d: npt.ArrayLike,
    noticed_off_d: npt.ArrayLike,
    covariates: npt.ArrayLike,
    drivers: tuple[str, ...],
    horse: npt.ArrayLike,
    *,
    law: LifeLaw = WEIBULL,
    strata: npt.ArrayLike | None = None,
    ridge: float = LIGHT_RIDGE,
    nodes: int = NODES,
    confidence_ratio: float = DEFAULT_CONFIDENCE_RATIO,
) -> FrailtyFit:
    """Fit ln T = intercept + drivers . beta + term of the horse + W / rho; other arguments as for
    weibull_aft.

    law     WEIBULL or LOG_LOGISTIC of censored_likelihood
    nodes   of the quadrature, FEWEST_NODES or more
    raises  NotEstimable as weibull_aft does, and for a fit that does not settle
    """
    checked_confidence(confidence_ratio)
    if nodes < FEWEST_NODES:
        raise ValueError(f"{nodes} nodes are too few to hold while the fit moves: use {NODES}")
    lower_d, upper_d = interval_censored(last_on_d, noticed_off_d)
    matrix = covariate_matrix(covariates, lower_d.size, drivers)
    check_columns(matrix, drivers)
    names, which = grouped(horse, lower_d.size, "horse")
    design = scaled_design(lower_d, upper_d, matrix, drivers, strata)
    penalty = ridge_weight(design, ridge)
    alone, alone_terms = fitted(design, law, penalty, drivers)
    points, weights = special.roots_hermite(nodes)
    weight = np.zeros((alone.size + 1, alone.size + 1))
    weight[:-1, :-1] = penalty
    problem = _Problem(
        design.rows, law, which[design.rows.order], len(names), weight, points, np.log(weights) + points**2
    )
    theta, terms, quadrature = _newton(problem, np.append(alone, FIRST_SPREAD), drivers)
    covariance = inverse_information(weight - terms.hessian, drivers)
    degrees = len(names) - theta.size
    within = as_aft(
        law,
        design,
        drivers,
        theta[:-1],
        covariance[:-1, :-1],
        covariance[:-1, :-1],
        terms.log_likelihood - design.log_days_lost_at,
        ridge=ridge,
        losses=int(np.count_nonzero(np.isfinite(upper_d))),
        horses=len(names),
        degrees_of_freedom=degrees,
        confidence_ratio=confidence_ratio,
    )
    rho, spread = float(theta[-2]), abs(float(theta[-1])) / float(theta[-2])
    slope = np.array([-spread / rho, math.copysign(1.0 / rho, float(theta[-1]))])
    spread_error = math.sqrt(float(slope @ covariance[-2:, -2:] @ slope))
    reach = critical_value(confidence_ratio, degrees) * spread_error
    gain = max(0.0, 2.0 * (terms.log_likelihood - alone_terms.log_likelihood))
    mean = np.sum(terms.posterior * quadrature.term, axis=0)
    square = np.sum(terms.posterior * quadrature.term**2, axis=0)
    in_time = -float(theta[-1]) / rho
    return FrailtyFit(
        within,
        spread,
        spread_error,
        max(0.0, spread - reach),
        spread + reach,
        0.5 * float(special.chdtrc(1, gain)) if gain > 0.0 else 1.0,
        alone_terms.log_likelihood - design.log_days_lost_at,
        names,
        read_only(in_time * mean),
        read_only(abs(in_time) * np.sqrt(np.maximum(square - mean**2, 0.0))),
    )


def _linear(problem: _Problem, theta: FloatArray, term: FloatArray) -> FloatArray:
    """x . gamma of each row less the horse's part; term, shape (horses,), is in standard deviations."""
    return np.asarray(theta[:-2] @ problem.rows.columns - theta[-1] * term[problem.horse])


def _around_the_peaks(problem: _Problem, theta: FloatArray) -> _Quadrature:
    """Nodes about the term at which each horse's likelihood times its normal density is greatest."""
    spread, term = float(theta[-1]), np.zeros(problem.horses)
    for _ in range(PEAK_STEPS):
        row = each_row(problem.rows, problem.law, _linear(problem, theta, term), float(theta[-2]))
        pull, bend = sums_by_horse(
            np.stack((row.by_shift, row.by_shift_shift)), problem.horse, problem.horses
        )
        slope, curvature = spread * pull - term, 1.0 - spread**2 * bend
        # A peak lies within a few standard deviations: a longer step is cut, so that no exponential
        # overflows.
        step = np.clip(slope / curvature, -1.0, 1.0)
        term = term + step
        if np.max(np.abs(step)) < PEAK_ACCURACY:
            break
    width = math.sqrt(2.0) / np.sqrt(curvature)
    nodes = term + problem.nodes[:, None] * width
    normal = -0.5 * nodes**2 - 0.5 * math.log(2.0 * math.pi)
    return _Quadrature(nodes, problem.log_weights[:, None] + np.log(width) + normal)


def _terms(problem: _Problem, theta: FloatArray, quadrature: _Quadrature) -> _Terms:
    """Log-likelihood with its derivatives by gamma, rho and the spread of z, the nodes held."""
    rho, columns = float(theta[-2]), problem.rows.columns
    size, nodes = theta.size, quadrature.term.shape[0]
    joint = np.empty_like(quadrature.term)
    pulls = np.empty((nodes, size, problem.horses))
    kept = []
    for node in range(nodes):
        row = each_row(problem.rows, problem.law, _linear(problem, theta, quadrature.term[node]), rho)
        joint[node] = np.bincount(problem.horse, weights=row.value, minlength=problem.horses)
        by_term = row.by_shift * quadrature.term[node, problem.horse]
        columns_now = np.vstack((-row.by_shift * columns, row.by_shape, by_term))
        pulls[node] = sums_by_horse(columns_now, problem.horse, problem.horses)
        kept.append((row.by_shift_shift, row.by_shift_shape, row.by_shape_shape))
    joint += quadrature.log_weight
    whole = special.logsumexp(joint, axis=0)
    posterior = np.exp(joint - whole)
    mean = np.einsum("qh,qph->ph", posterior, pulls)
    hessian = np.einsum("qh,qph,qrh->pr", posterior, pulls, pulls, optimize=True) - mean @ mean.T
    for node in range(nodes):
        share = posterior[node, problem.horse]
        slope = np.vstack((-columns, quadrature.term[node, problem.horse]))  # of z by gamma and the spread
        shift, across, shape = (share * part for part in kept[node])
        others = np.r_[0 : size - 2, size - 1]
        hessian[np.ix_(others, others)] += (slope * shift) @ slope.T
        mixed = slope @ across
        hessian[others, -2] += mixed
        hessian[-2, others] += mixed
        hessian[-2, -2] += np.sum(shape)
    return _Terms(float(np.sum(whole)), np.sum(mean, axis=1), hessian, posterior)


def _newton(
    problem: _Problem, theta: FloatArray, drivers: tuple[str, ...]
) -> tuple[FloatArray, _Terms, _Quadrature]:
    for _ in range(MOST_STEPS):
        quadrature = _around_the_peaks(problem, theta)
        terms = _terms(problem, theta, quadrature)
        gradient = terms.gradient - problem.weight @ theta
        step = _uphill(problem.weight - terms.hessian, drivers) @ gradient
        decrement = float(step @ gradient)
        if decrement < DECREMENT:
            return theta, terms, quadrature
        value = terms.log_likelihood - 0.5 * float(theta @ problem.weight @ theta)
        for halving in range(MOST_HALVINGS):
            tried = theta + step * 0.5**halving
            if tried[-2] <= 0.0:
                continue
            with np.errstate(over="ignore", invalid="ignore", divide="ignore"):
                new = _terms(problem, tried, quadrature)
            new_value = new.log_likelihood - 0.5 * float(tried @ problem.weight @ tried)
            if new_value >= value - DECREMENT:
                break
        else:
            break
        theta = tried
    raise NotEstimable("the fit with a term for each horse did not settle: leave the term out")


def _uphill(information: FloatArray, drivers: tuple[str, ...]) -> FloatArray:
    """Inverse information; where it is not positive definite, of its absolute eigenvalues: uphill still."""
    values, vectors = np.linalg.eigh(information)
    if values[0] > 0.0:
        return inverse_information(information, drivers)
    held = np.maximum(np.abs(values), LEAST_BEND * np.max(np.abs(values)))
    return np.asarray((vectors / held) @ vectors.T)
