"""What infrared readings and touches say about when a fill is firm: an ensemble smoother.

The logarithms of the members' times are regressed on the surface temperatures they predict, and moved by
what was read (ensemble smoother, G. Evensen, Data Assimilation: The Ensemble Kalman Filter, 2009, chapter 9;
from memory). The error of a reading is its noise, one bias for the whole cure, and an error of the model that
is correlated in time; all three are in the covariance, none is drawn. Readings that do not fit are refused
one by one, and all of them together when the rest fails a residual test.

Touches weigh the members: how likely a member is, if the thumb felt what it felt when it did.
"""

from __future__ import annotations

from dataclasses import dataclass

import numpy as np
import numpy.typing as npt
from scipy.linalg import solve_triangular
from scipy.special import chdtrc, log_ndtr

from hoofsense.estimators.cure_material import reading_noise

FloatArray = npt.NDArray[np.float64]

# Errors of a surface reading as evidence, standard uncertainties: engineering choices that the study of
# synthetic pours was run with. The bias covers emissivity, angle, steam and the thermometer's own error.
IR_BIAS_u_K = 1.0
MODEL_ERROR_u_K = 1.25
MODEL_ERROR_MEMORY_s = 300.0
READING_LEAST_u_K = 0.3
# A single reading further off than this many standard uncertainties is not of this pad (aim, hand, hoof).
OUTLIER_LIMIT = 4.0
OUTLIERS_MOST_ratio = 0.1  # and one more: a hand slips now and then; engineering choice
SURPRISE_LIMIT = 0.01  # probability below which the readings together are taken not to fit the model
FEWEST_READINGS = 3

TOUCH_SPREAD_ln = 0.15  # how well a thumb tells firm from not yet firm, in ln time; assumption


@dataclass(frozen=True, slots=True, eq=False)
class Smoothed:
    """Members' times after the readings.

    ln_times  shape (K, M)
    used      readings that took part; 0 when there were too few, or when they were distrusted
    refused   readings left out as not of this pad
    surprise  probability of readings at least so odd if the model holds; 1 without a test
    trusted   False when the residual test failed: ln_times are then as they were given
    """

    ln_times: FloatArray
    used: int
    refused: int
    surprise: float
    trusted: bool


def smoothed(
    ln_times: FloatArray,
    predicted_K: FloatArray,
    observed_K: FloatArray,
    observed_u_K: FloatArray,
    observed_s: FloatArray,
) -> Smoothed:
    """Move the members' times by what was read.

    ln_times      shape (K, M), K up to 7
    predicted_K   shape (B, M), what each member expects at each reading
    observed_K, observed_u_K, observed_s  shape (B,), value, standard uncertainty and time of each reading
    """
    if observed_K.size < FEWEST_READINGS:
        return Smoothed(ln_times, 0, 0, 1.0, True)
    members = ln_times.shape[1]
    mean_K = predicted_K.mean(axis=1)
    spread_K = predicted_K - mean_K[:, None]
    gap_s = observed_s[:, None] - observed_s[None, :]
    error = MODEL_ERROR_u_K**2 * np.exp(-np.abs(gap_s) / MODEL_ERROR_MEMORY_s) + IR_BIAS_u_K**2
    error[np.diag_indices_from(error)] += np.maximum(observed_u_K, READING_LEAST_u_K) ** 2
    innovation = observed_K - mean_K

    expected_K = np.sqrt(np.mean(spread_K**2, axis=1) + np.diag(error))
    kept = np.abs(innovation) <= OUTLIER_LIMIT * expected_K
    refused = int(np.count_nonzero(~kept))
    if refused > 1 + OUTLIERS_MOST_ratio * observed_K.size or np.count_nonzero(kept) < FEWEST_READINGS:
        return Smoothed(ln_times, 0, refused, 0.0, False)
    spread_K, innovation = spread_K[kept], innovation[kept]
    error = error[np.ix_(kept, kept)]

    root = np.linalg.cholesky(error)
    whitened = solve_triangular(root, np.column_stack([spread_K, innovation]), lower=True)
    signal, surprise_of = whitened[:, :-1], whitened[:, -1]
    share, directions = np.linalg.eigh(signal @ signal.T / members)
    score = directions.T @ surprise_of
    surprise = _surprise(score**2 / (1.0 + share), share > 1.0)
    if surprise < SURPRISE_LIMIT:
        return Smoothed(ln_times, 0, refused, surprise, False)
    centre = ln_times.mean(axis=1, keepdims=True)
    anomaly = ln_times - centre
    # In these coordinates the error is the unit matrix and the total covariance diagonal.
    felt = directions.T @ signal
    gain = (anomaly @ felt.T / members) / (1.0 + share)  # (K, B)
    moved = centre + (gain @ score)[:, None] + anomaly - gain @ felt
    values, vectors = np.linalg.eigh(gain @ gain.T)
    spread = (vectors * np.sqrt(np.maximum(values, 0.0))) @ reading_noise(members)[: ln_times.shape[0]]
    return Smoothed(moved + spread, innovation.size, refused, surprise, True)


def _surprise(squares: FloatArray, strong: npt.NDArray[np.bool_]) -> float:
    """Probability of readings at least so odd, judged apart where the members differ and where they do not.

    Judged together, the many directions in which no member differs would hide that the few others are wrong.
    """
    worst = 1.0
    for part in (squares[strong], squares[~strong]):
        if part.size:
            worst = min(worst, 2.0 * float(chdtrc(part.size, np.sum(part))))
    return min(worst, 1.0)


@dataclass(frozen=True, slots=True)
class Touch:
    """What a thumb felt: seconds after the pour, and whether it was firm."""

    after_s: float
    firm: bool


def touch_weights(ln_touched: FloatArray, touches: tuple[Touch, ...]) -> FloatArray:
    """Weights of the members, shape (M,), sum 1.

    ln_touched  shape (M,), ln time at which the place that was touched is firm

    Touches that leave too few members standing are believed less, until enough of them carry weight: a
    thumb can be wrong too.
    """
    logs = np.zeros(ln_touched.shape[0])
    for touch in touches:
        standing = (np.log(max(touch.after_s, 1.0)) - ln_touched) / TOUCH_SPREAD_ln
        logs += log_ndtr(standing if touch.firm else -standing)
    while True:
        weights: FloatArray = np.exp(logs - logs.max())
        weights /= weights.sum()
        if 1.0 / np.sum(weights**2) >= min(FEWEST_EFFECTIVE, ln_touched.shape[0]) * _ROUNDING:
            return weights
        logs *= 0.5


FEWEST_EFFECTIVE = 24  # members that must carry weight for a 90 % interval to mean anything
_ROUNDING = 1.0 - 1e-9


def weighted_quantiles(values: FloatArray, weights: FloatArray, shares: tuple[float, ...]) -> FloatArray:
    """Quantiles of weighted members, linear between the midpoints of their weights."""
    order = np.argsort(values, kind="stable")
    ordered = values[order]
    position = np.cumsum(weights[order]) - 0.5 * weights[order]
    return np.asarray(np.interp(shares, position, ordered))
