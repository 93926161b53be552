"""The law of propagation against the GUM's own end-gauge example and against exact linear functions."""

from __future__ import annotations

import numpy as np
import pytest

from hoofsense.geometry.propagation import COVERAGE_FACTOR, Input, propagated


def test_the_end_gauge_of_the_gum_comes_out_at_32_nm():
    # JCGM 100:2008 H.1, figures from memory: l_s = 50 000 623 nm (u 25), d = 215 nm (u 9.7),
    # d_alpha = 0 (u 0.58e-6 /degC), theta = -0.1 degC (u 0.41), alpha_s = 11.5e-6 (u 1.2e-6), d_theta = 0
    # (u 0.029 degC); l = l_s + d - l_s (d_alpha theta + alpha_s d_theta)
    # = 50 000 838 nm, u_c = 32 nm to first order
    inputs = (
        Input("standard", 50_000_623.0, 25.0),
        Input("difference", 215.0, 9.7),
        Input("difference of expansion", 0.0, 0.58e-6),
        Input("deviation of temperature", -0.1, 0.41),
        Input("expansion", 11.5e-6, 1.2e-6),
        Input("difference of temperature", 0.0, 0.029),
    )

    def length_nm(v):
        standard, difference, d_alpha, theta, alpha, d_theta = v
        return [standard + difference - standard * (d_alpha * theta + alpha * d_theta)]

    (length,) = propagated(length_nm, inputs)
    assert length.value == pytest.approx(50_000_838.0, abs=0.5)
    assert length.standard_uncertainty == pytest.approx(32.0, abs=0.5)
    assert [share.name for share in length.contributions[:2]] == ["standard", "difference of temperature"]
    by_name = {share.name: share.standard_uncertainty for share in length.contributions}
    assert by_name["difference of temperature"] == pytest.approx(16.6, abs=0.1)
    assert by_name["difference of expansion"] == pytest.approx(2.9, abs=0.05)


def test_a_linear_function_is_exact_and_several_outputs_share_the_work():
    calls = []

    def outputs(v):
        calls.append(v)
        return [3.0 * v[0] - 4.0 * v[1], v[2]]

    inputs = (Input("a", 1.0, 1.0), Input("b", 2.0, 1.0), Input("c", 7.0, 0.0))
    first, second = propagated(outputs, inputs)
    assert (first.value, first.standard_uncertainty) == (-5.0, pytest.approx(5.0, rel=1e-12))
    assert (second.value, second.standard_uncertainty) == (7.0, 0.0)
    assert len(calls) == 5  # the centre and two for each uncertain input


def test_the_coverage_factor_holds_ninety_per_cent_of_a_normal_distribution():
    stats = pytest.importorskip("scipy.stats")
    assert COVERAGE_FACTOR == pytest.approx(stats.norm.ppf(0.95), rel=1e-14)


def test_inputs_and_outputs_that_are_not_numbers_are_refused():
    with pytest.raises(ValueError, match="not a number"):
        Input("depth at toe", float("nan"), 0.1)
    with pytest.raises(ValueError, match="0 or more"):
        Input("depth at toe", 1.0, -0.1)
    with pytest.raises(ValueError, match="finite"):
        propagated(lambda v: [np.inf * v[0]], (Input("a", 1.0, 0.1),))
