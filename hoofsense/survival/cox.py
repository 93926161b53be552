"""Cox regression: how much more often pads are lost for each driver, whatever the shape of the curve.

Losses of one day are handled by Efron's method. With horses given, the standard errors are those of whole
horses' score sums (a clustered sandwich, corrected for few horses). Use it for losses whose day is known;
taking the day a loss was noticed for the day it happened biases the effects: for such data use weibull_aft.

source  Cox, JRSS B 34 (1972) 187; Efron, JASA 72 (1977) 557; clustered sandwich: Lee, Wei and Amato 1992, and
        Therneau and Grambsch, Modeling Survival Data, 2000, section 7.2 (from memory)
"""

from __future__ import annotations

from dataclasses import dataclass

import numpy as np
import numpy.typing as npt
from scipy import linalg

from hoofsense.survival.censored_times import (
    DEFAULT_CONFIDENCE_RATIO,
    BoolArray,
    FloatArray,
    IndexArray,
    NotEstimable,
    checked_confidence,
    covariate_matrix,
    numbered,
    read_only,
    right_censored,
)
from hoofsense.survival.clustered_variance import (
    MOST_HORSES_TO_CORRECT,
    jackknifed_sandwich,
    plain_sandwich,
    products_by_horse,
    sums_by_horse,
)
from hoofsense.survival.effects import Effect, check_columns, effects_of

MOST_STEPS = 40
MOST_HALVINGS = 30
DECREMENT = 1e-11  # Newton's decrement at which to stop: the log-likelihood is then good to about its half
# Newton's steps die out at a maximum. When the decrement has gone but a step still moves some pad's log
# hazard by this, the likelihood only flattens out: a ratio is running off to infinity.
LARGEST_LAST_STEP = 1e-3


@dataclass(frozen=True, slots=True)
class CoxFit:
    """A fitted Cox regression.

    effects              log hazard ratios
    covariance           of the log hazard ratios, shape (drivers, drivers), corrected for few horses
    sandwich             the same without that correction, as other programs print it
    log_likelihood       partial, at the fit; log_likelihood_without the drivers
    degrees_of_freedom   of Student's t behind intervals and p values; None for the normal
    horses               independent units behind the standard errors; None when each pad was taken for one
    """

    effects: tuple[Effect, ...]
    covariance: FloatArray
    sandwich: FloatArray
    log_likelihood: float
    log_likelihood_without: float
    pads: int
    losses: int
    horses: int | None
    degrees_of_freedom: float | None
    confidence_ratio: float


@dataclass(frozen=True, slots=True)
class _RiskSets:
    """Pads sorted by stratum and day; a tie is the losses of one stratum and day, and its own risk set.

    order        shape (pads,), the pads in that order; all that follows is in it
    columns      shape (drivers, pads), centred drivers, row by row in memory
    tie_of_pad   shape (pads,), how many ties of the stratum's own and earlier strata lie on or before its day
    tie_before   shape (pads,), how many ties belong to earlier strata
    lost_rows    rows lost; tie_of_loss, share: its tie, and its number within the tie over the tie's size
    tie_start    shape (ties,), first of the losses of each tie, and how many it has in tie_size
    risk_start   shape (ties,), first row of the risk set; risk_stop, the row after its last
    """

    order: IndexArray
    columns: FloatArray
    tie_of_pad: IndexArray
    tie_before: IndexArray
    lost_rows: IndexArray
    tie_of_loss: IndexArray
    share: FloatArray
    tie_start: IndexArray
    tie_size: IndexArray
    risk_start: IndexArray
    risk_stop: IndexArray


@dataclass(frozen=True, slots=True)
class _Terms:
    """Log-likelihood, gradient and information at one point, and what the score residuals need of it.

    sums  shape (5, ties): over the losses of a tie, of 1/left, share/left, 1/left^2, share/left^2 and
          share^2/left^2, left being the risk set's total less the share of the tie already gone
    """

    log_likelihood: float
    gradient: FloatArray
    information: FloatArray
    risk: FloatArray
    hazard: FloatArray
    first: FloatArray
    tied_first: FloatArray
    sums: FloatArray


def cox(
    followed_d: npt.ArrayLike,
    lost: npt.ArrayLike,
    covariates: npt.ArrayLike,
    drivers: tuple[str, ...],
    *,
    strata: npt.ArrayLike | None = None,
    horse: npt.ArrayLike | None = None,
    confidence_ratio: float = DEFAULT_CONFIDENCE_RATIO,
) -> CoxFit:
    """Fit by Newton's method.

    covariates  shape (pads, drivers), finite
    strata      labels; each stratum has a curve of its own (say, a practice; or the horse itself, for a
                comparison
                within horses)
    horse       labels; when given, standard errors by horse and Student's t of horses - drivers
    raises      NotEstimable when nothing was lost, a driver is flat or a copy of others, a ratio runs off to
                infinity or to 0, or horses are too few; ValueError for bad arguments
    """
    checked_confidence(confidence_ratio)
    days, was_lost = right_censored(followed_d, lost)
    matrix = covariate_matrix(covariates, days.size, drivers)
    check_columns(matrix, drivers)
    if not np.any(was_lost):
        raise NotEstimable("no pad was lost: nothing can be said of what drives losses")
    sets = _risk_sets(days, was_lost, matrix, strata)
    start = np.zeros(len(drivers))
    first = _terms(sets, start)
    beta, terms = _newton(sets, start, first, drivers)
    covariance = sandwich = _inverse(terms.information, drivers)
    horses, degrees = None, None
    if horse is not None:
        horses, which = numbered(horse, days.size, "horse")
        degrees = horses - len(drivers)
        which = which[sets.order]
        residuals, drift = _score_residuals(sets, terms)
        scores = sums_by_horse(residuals, which, horses)
        covariance = sandwich = plain_sandwich(covariance, scores)
        if horses <= MOST_HORSES_TO_CORRECT:
            # A pad's part of the information: its hazard times its squared distance from the mean it was held
            # against, taken at one mean for all its days.
            expected = terms.risk * terms.hazard
            mean = np.divide(drift, terms.hazard, out=np.zeros_like(drift), where=terms.hazard > 0.0)
            own = products_by_horse(sets.columns - mean, expected, which, horses)
            covariance = jackknifed_sandwich(terms.information, scores, own)
    return CoxFit(
        effects_of(drivers, "hazard", beta, np.sqrt(np.diag(covariance)), confidence_ratio, degrees),
        read_only(covariance),
        read_only(sandwich),
        terms.log_likelihood,
        first.log_likelihood,
        days.size,
        int(np.count_nonzero(was_lost)),
        horses,
        degrees,
        confidence_ratio,
    )


def _risk_sets(
    days: FloatArray, lost: BoolArray, matrix: FloatArray, strata: npt.ArrayLike | None
) -> _RiskSets:
    if strata is None:
        stratum = np.zeros(days.size, dtype=np.intp)
        order = np.argsort(days)
    else:
        _, stratum = numbered(strata, days.size, "strata")
        order = np.lexsort((days, stratum))
    days, stratum, lost = days[order], stratum[order], lost[order]
    new_stratum = np.concatenate(([True], stratum[1:] != stratum[:-1]))
    new_day = new_stratum | np.concatenate(([True], days[1:] != days[:-1]))
    day_of_pad = np.cumsum(new_day) - 1
    day_start, stratum_start = np.flatnonzero(new_day), np.flatnonzero(new_stratum)
    lost_rows = np.flatnonzero(lost)
    day_of_loss = day_of_pad[lost_rows]
    new_tie = np.concatenate(([True], day_of_loss[1:] != day_of_loss[:-1]))
    tie_start, tie_of_loss = np.flatnonzero(new_tie), np.cumsum(new_tie) - 1
    tie_size = np.diff(np.append(tie_start, lost_rows.size))
    day_of_tie = day_of_loss[tie_start]
    risk_start = day_start[day_of_tie]
    ties_by_day = np.cumsum(np.bincount(day_of_tie, minlength=day_start.size))
    ties_by_stratum = np.searchsorted(risk_start, stratum_start)
    which = stratum[risk_start]
    return _RiskSets(
        order.astype(np.intp),
        np.ascontiguousarray((matrix[order] - np.mean(matrix, axis=0)).T),
        ties_by_day[day_of_pad].astype(np.intp),
        ties_by_stratum[stratum].astype(np.intp),
        lost_rows.astype(np.intp),
        tie_of_loss.astype(np.intp),
        (np.arange(lost_rows.size) - tie_start[tie_of_loss]) / tie_size[tie_of_loss],
        tie_start.astype(np.intp),
        tie_size.astype(np.intp),
        risk_start.astype(np.intp),
        np.append(stratum_start, days.size)[which + 1].astype(np.intp),
    )


def _at_risk(sets: _RiskSets, per_pad: FloatArray) -> FloatArray:
    """Sums over the risk set of each tie, shape (..., ties), of values of shape (..., pads)."""
    later = np.zeros((*per_pad.shape[:-1], per_pad.shape[-1] + 1))
    np.cumsum(per_pad[..., ::-1], axis=-1, out=later[..., -2::-1])
    return np.asarray(later[..., sets.risk_start] - later[..., sets.risk_stop])


def _terms(sets: _RiskSets, beta: FloatArray) -> _Terms:
    linear = beta @ sets.columns
    largest = float(np.max(linear))
    risk = np.exp(linear - largest)
    weighed = sets.columns * risk
    total, first = _at_risk(sets, risk), _at_risk(sets, weighed)
    tied = np.add.reduceat(risk[sets.lost_rows], sets.tie_start)
    tied_first = np.add.reduceat(weighed[:, sets.lost_rows], sets.tie_start, axis=1)
    # Efron: the l-th of d losses of a day meets a risk set from which l / d of that day's losses are gone.
    share = sets.share
    left = total[sets.tie_of_loss] - share * tied[sets.tie_of_loss]
    once, twice = 1.0 / left, 1.0 / left**2
    each = np.stack((once, share * once, twice, share * twice, share**2 * twice))
    sums = np.add.reduceat(each, sets.tie_start, axis=1)
    log_likelihood = float(
        np.sum(linear[sets.lost_rows]) - np.sum(np.log(left)) - largest * sets.lost_rows.size
    )
    gradient = np.sum(sets.columns[:, sets.lost_rows], axis=1) - first @ sums[0] + tied_first @ sums[1]
    hazard = _gathered(sets, sums[0], sums[1])
    mixed = (first * sums[3]) @ tied_first.T
    information = (
        (weighed * hazard) @ sets.columns.T
        - (first * sums[2]) @ first.T
        + mixed
        + mixed.T
        - (tied_first * sums[4]) @ tied_first.T
    )
    return _Terms(log_likelihood, gradient, information, risk, hazard, first, tied_first, sums)


def _gathered(sets: _RiskSets, whole: FloatArray, part: FloatArray) -> FloatArray:
    """What each pad gathers of the ties up to its own day, shape (..., pads).

    A pad lost in a tie is in that tie's risk sets only until its turn: on average part of the tie is taken
    off.
    """
    up_to = np.zeros((*whole.shape[:-1], whole.shape[-1] + 1))
    np.cumsum(whole, axis=-1, out=up_to[..., 1:])
    gathered = up_to[..., sets.tie_of_pad] - up_to[..., sets.tie_before]
    gathered[..., sets.lost_rows] -= part[..., sets.tie_of_loss]
    return np.asarray(gathered)


def _score_residuals(sets: _RiskSets, terms: _Terms) -> tuple[FloatArray, FloatArray]:
    """Each pad's share of the gradient, and its gathered mean of drivers, both (drivers, pads), in sorted
    order.

    It is the derivative of the gradient by the pad's weight, ties by Efron's method included.
    """
    sums, first, tied_first = terms.sums, terms.first, terms.tied_first
    drift = _gathered(sets, first * sums[2] - tied_first * sums[3], first * sums[3] - tied_first * sums[4])
    residuals = -terms.risk * (sets.columns * terms.hazard - drift)
    mean = (first * sums[0] - tied_first * sums[1]) / sets.tie_size
    residuals[:, sets.lost_rows] += sets.columns[:, sets.lost_rows] - mean[:, sets.tie_of_loss]
    return np.asarray(residuals), drift


def _inverse(information: FloatArray, drivers: tuple[str, ...]) -> FloatArray:
    try:
        factor = linalg.cho_factor(information)
    except linalg.LinAlgError:
        raise NotEstimable(
            f"the losses cannot tell {', '.join(drivers)} apart: leave some of them out or gather more"
        ) from None
    return np.asarray(linalg.cho_solve(factor, np.eye(len(drivers))))


def _newton(
    sets: _RiskSets, beta: FloatArray, terms: _Terms, drivers: tuple[str, ...]
) -> tuple[FloatArray, _Terms]:
    for _ in range(MOST_STEPS):
        step = _inverse(terms.information, drivers) @ terms.gradient
        decrement = float(step @ terms.gradient)
        if decrement < DECREMENT:
            if np.max(np.abs(step @ sets.columns)) < LARGEST_LAST_STEP:
                return beta, terms
            driver = drivers[int(np.argmax(np.abs(step) * np.std(sets.columns, axis=1)))]
            raise NotEstimable(
                f"every loss lies on one side of {driver}: its hazard ratio has no bound, so show the counts"
            )
        for halving in range(MOST_HALVINGS):
            tried = beta + step * 0.5**halving
            new = _terms(sets, tried)
            if new.log_likelihood >= terms.log_likelihood - DECREMENT:
                break
        beta, terms = tried, new
    raise NotEstimable("the fit did not settle: leave out drivers that move together")
