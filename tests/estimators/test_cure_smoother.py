"""The smoother against the exact answer of a linear problem, and its manners with odd readings."""

from __future__ import annotations

import numpy as np
import pytest

from hoofsense.estimators import cure_smoother
from hoofsense.estimators.cure_smoother import Touch, smoothed, touch_weights, weighted_quantiles
from hoofsense.estimators.fixed_members import fixed_normals

TIMES_s = np.arange(30.0, 930.0, 60.0)


def linear(members: int = 4096, slope_K: float = 4.0) -> tuple[np.ndarray, np.ndarray]:
    """ln times normal with sd 0.4, and readings that fall with them: an exactly linear, Gaussian problem."""
    z = fixed_normals(members, 2)
    ln_times = 7.0 + 0.4 * z[:, :1].T
    shape = np.linspace(0.2, 1.0, TIMES_s.size)[:, None]
    predicted = 300.0 - slope_K * shape * z[:, 0] + 0.5 * z[:, 1]
    return ln_times, predicted


def error_covariance(u_K: float) -> np.ndarray:
    gap = TIMES_s[:, None] - TIMES_s[None, :]
    covariance = cure_smoother.MODEL_ERROR_u_K**2 * np.exp(-np.abs(gap) / cure_smoother.MODEL_ERROR_MEMORY_s)
    return covariance + cure_smoother.IR_BIAS_u_K**2 + u_K**2 * np.eye(TIMES_s.size)


def test_a_linear_gaussian_problem_is_solved_exactly() -> None:
    ln_times, predicted = linear()
    observed = predicted.mean(axis=1) + np.linspace(-0.5, -3.5, TIMES_s.size)
    u = 0.5
    result = smoothed(ln_times, predicted, observed, np.full(TIMES_s.size, u), TIMES_s)
    shape = np.linspace(0.2, 1.0, TIMES_s.size)
    design = np.column_stack([-4.0 * shape, np.full(TIMES_s.size, 0.5)])  # of the two normals
    precision = np.eye(2) + design.T @ np.linalg.solve(error_covariance(u), design)
    posterior = np.linalg.inv(precision)
    centre = posterior @ design.T @ np.linalg.solve(error_covariance(u), observed - predicted.mean(axis=1))
    assert result.trusted and result.used == TIMES_s.size
    assert result.ln_times.mean() == pytest.approx(7.0 + 0.4 * centre[0], abs=1e-6)
    assert result.ln_times.std() == pytest.approx(0.4 * np.sqrt(posterior[0, 0]), rel=0.03)


def test_too_few_readings_change_nothing() -> None:
    ln_times, predicted = linear(256)
    result = smoothed(ln_times, predicted[:2], predicted[:2, 0], np.full(2, 0.5), TIMES_s[:2])
    assert result.used == 0 and result.trusted
    assert result.ln_times is ln_times


def test_readings_off_by_far_are_distrusted_together() -> None:
    ln_times, predicted = linear(256)
    result = smoothed(ln_times, predicted, predicted.mean(axis=1) + 30.0, np.full(TIMES_s.size, 0.5), TIMES_s)
    assert not result.trusted and result.used == 0
    assert result.ln_times is ln_times


def test_a_zigzag_that_no_member_could_make_fails_the_residual_test() -> None:
    ln_times, predicted = linear(256)
    zigzag = predicted.mean(axis=1) + 3.0 * (-1.0) ** np.arange(TIMES_s.size)
    result = smoothed(ln_times, predicted, zigzag, np.full(TIMES_s.size, 0.5), TIMES_s)
    assert not result.trusted
    assert 0.0 <= result.surprise < cure_smoother.SURPRISE_LIMIT


def test_one_wild_reading_is_refused_alone() -> None:
    ln_times, predicted = linear(256)
    observed = predicted.mean(axis=1)
    observed[4] += 40.0
    result = smoothed(ln_times, predicted, observed, np.full(TIMES_s.size, 0.5), TIMES_s)
    assert result.trusted and result.refused == 1 and result.used == TIMES_s.size - 1
    assert result.ln_times.mean() == pytest.approx(7.0, abs=0.02)


def test_readings_never_widen_what_is_known() -> None:
    ln_times, predicted = linear(256)
    result = smoothed(ln_times, predicted, predicted[:, 7], np.full(TIMES_s.size, 0.5), TIMES_s)
    assert result.ln_times.std() < ln_times.std()


def test_touches_weigh_members_by_what_they_say() -> None:
    ln_times = np.log(np.linspace(300.0, 3000.0, 500))
    soft = touch_weights(ln_times, (Touch(1200.0, False),))
    firm = touch_weights(ln_times, (Touch(1200.0, True),))
    both = touch_weights(ln_times, (Touch(900.0, False), Touch(1500.0, True)))
    assert np.sum(soft) == pytest.approx(1.0)
    median = [float(np.exp(weighted_quantiles(ln_times, w, (0.5,))[0])) for w in (firm, both, soft)]
    assert median[0] < 1200.0 < median[2]
    assert 900.0 < median[1] < 1500.0
    assert touch_weights(ln_times, ()) == pytest.approx(1.0 / 500.0)


def test_impossible_touches_leave_enough_members_standing() -> None:
    ln_times = np.log(np.linspace(600.0, 3000.0, 256))
    weights = touch_weights(ln_times, (Touch(5.0, True), Touch(6.0, True)))
    assert 1.0 / np.sum(weights**2) >= cure_smoother.FEWEST_EFFECTIVE * 0.99


def test_equal_weights_give_the_ordinary_quantiles() -> None:
    values = np.sin(np.arange(1000.0))
    weights = np.full(1000, 1e-3)
    shares = (0.05, 0.5, 0.95)
    assert weighted_quantiles(values, weights, shares) == pytest.approx(np.quantile(values, shares), abs=3e-3)
