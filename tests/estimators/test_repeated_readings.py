"""Repeats against the GUM's own data, and what stands out against a small published-style history."""

from __future__ import annotations

import math

import pytest
from scipy import stats

from hoofsense.estimators.repeated_readings import (
    is_outlying,
    pooled_repeatability,
    repeated,
    resolution_uncertainty,
)

# JCGM 100:2008 H.2 table H.2, five readings; data, means and standard uncertainties as in public
# transcriptions of it (read in three programs' worked examples).
H2 = [
    ((5.007, 4.994, 5.005, 4.990, 4.999), 4.9990, 0.0032),  # V
    ((19.663, 19.639, 19.640, 19.685, 19.678), 19.6610, 0.0095),  # mA
    ((1.0456, 1.0438, 1.0468, 1.0428, 1.0433), 1.04446, 0.00075),  # rad
]
# JCGM 100:2008 4.4.3 table 1, twenty temperatures in degC (from memory): mean 100.145, s 1.489, s(mean) 0.333
TABLE_1 = (
    96.90, 98.18, 98.25, 98.61, 99.03, 99.49, 99.56, 99.74, 99.89, 100.07,
    100.33, 100.42, 100.68, 100.95, 101.11, 101.20, 101.57, 101.84, 102.36, 102.72,
)  # fmt: skip


@pytest.mark.parametrize(("readings", "mean", "standard_uncertainty"), H2)
def test_five_readings_of_the_gum_give_its_means_and_uncertainties(readings, mean, standard_uncertainty):
    said = repeated(readings)
    assert said.mean == pytest.approx(mean, abs=1e-9)
    printed_step = 10.0 ** math.floor(math.log10(standard_uncertainty) - 1)  # two printed figures
    assert said.standard_uncertainty == pytest.approx(standard_uncertainty, abs=printed_step / 2.0)
    assert said.degrees_of_freedom == 4


def test_twenty_temperatures_of_the_gum_give_its_mean_and_spread():
    said = repeated(TABLE_1)
    assert said.mean == pytest.approx(100.145, abs=5e-4)
    assert said.repeatability == pytest.approx(1.489, abs=5e-4)
    assert said.standard_uncertainty == pytest.approx(0.333, abs=5e-4)


def test_one_reading_says_nothing_of_its_scatter_and_none_is_refused():
    said = repeated([0.0123])
    assert (said.mean, said.repeatability, said.standard_uncertainty, said.degrees_of_freedom) == (
        0.0123,
        None,
        None,
        0,
    )
    with pytest.raises(ValueError, match="at least once"):
        repeated([])


def test_pooling_weighs_sites_by_their_degrees_of_freedom():
    # scipy's one-way analysis of variance has the pooled variance as its within-group mean square
    groups = [(10.1, 10.3, 9.9), (7.0, 7.2), (8.0,)]
    pooled, freedom = pooled_repeatability(groups)
    by_hand = math.sqrt((2.0 * stats.tvar(groups[0]) + 1.0 * stats.tvar(groups[1])) / 3.0)
    assert (pooled, freedom) == (pytest.approx(by_hand), 3)
    with pytest.raises(ValueError, match="read twice"):
        pooled_repeatability([(1.0,), (2.0,)])


def test_a_step_of_the_display_is_worth_twenty_nine_hundredths_of_it():
    assert resolution_uncertainty(0.01) == pytest.approx(0.0029, abs=5e-5)  # GUM F.2.2.1: u = 0.29 step
    with pytest.raises(ValueError, match="0 or more"):
        resolution_uncertainty(-0.01)


def test_a_value_far_from_its_history_stands_out_and_an_ordinary_change_does_not():
    history = (12.0, 12.4, 11.8, 12.1)  # median 12.05, MAD 0.15
    assert is_outlying(14.0, history, 0.1)
    assert not is_outlying(12.8, history, 0.1)  # 0.6745 x 0.75 / 0.15 = 3.37
    assert not is_outlying(14.0, history, 1.0)  # the site ordinarily changes by that much
    assert is_outlying(18.0, (12.0, 12.0, 12.0), 1.0)  # no division by a deviation of 0
    assert not is_outlying(99.0, (12.0, 12.1), 0.1)  # two earlier values say nothing
