"""Surface readings of a pad in bins: nothing lost of the mean, nothing kept without bound."""

from __future__ import annotations

import numpy as np
import pytest

from hoofsense.estimators.cure_ensemble import AirPoint, CureForecast, forecast
from hoofsense.estimators.cure_surface import SurfaceBins, bins_with, predicted_K, surface_aged_s
from hoofsense.materials import load_profile
from hoofsense.records import PourConditions

STANDARD = load_profile("standard")


def filled(times: np.ndarray, values: np.ndarray) -> SurfaceBins:
    bins = SurfaceBins()
    for at_s, value in zip(times, values, strict=True):
        bins = bins_with(bins, float(at_s), float(value), 0.5)
    return bins


@pytest.fixture(scope="module")
def members() -> CureForecast:
    return forecast(STANDARD, PourConditions(0, 0.008, 294.15, 297.65), (AirPoint(0.0, 294.15),), members=64)


def test_bins_keep_the_mean_of_everything_and_their_number_is_bounded() -> None:
    times = np.arange(0.0, 7200.0, 3.0)
    values = 295.0 + np.sin(times / 300.0)
    bins = filled(times, values)
    assert len(bins.bins) <= 64
    assert sum(b.count for b in bins.bins) == times.size
    mean = sum(b.count * b.mean_K for b in bins.bins) / times.size
    assert mean == pytest.approx(values.mean(), abs=1e-9)
    assert [b.slot for b in bins.bins] == sorted({b.slot for b in bins.bins})
    for b in bins.bins:
        assert b.slot * bins.width_s <= b.mean_s < (b.slot + 1) * bins.width_s


def test_many_readings_in_a_bin_are_worth_at_most_four() -> None:
    _, _, alone = filled(np.array([5.0]), np.array([295.0])).arrays()
    _, _, crowd = filled(np.linspace(0.0, 19.0, 100), np.full(100, 295.0)).arrays()
    assert alone[0] == pytest.approx(0.5)
    assert crowd[0] == pytest.approx(0.25)


def test_late_and_impossible_readings_are_left_out() -> None:
    bins = filled(np.array([5.0, 65.0]), np.array([295.0, 296.0]))
    assert bins_with(bins, 10.0, 300.0, 0.5) == bins
    assert bins_with(bins, 70.0, 500.0, 0.5).refused == 1
    assert bins_with(bins, 70.0, 500.0, 0.5).bins == bins.bins


def test_the_bin_being_filled_waits_for_its_end() -> None:
    bins = filled(np.array([5.0, 25.0]), np.array([295.0, 296.0]))
    assert len(bins.closed(30.0).bins) == 1
    assert len(bins.closed(40.0).bins) == 2
    assert SurfaceBins().closed(10.0) == SurfaceBins()


def test_predictions_are_read_off_between_the_steps_and_held_after_the_end(members: CureForecast) -> None:
    at = np.array([0.0, 7.5, float(members.time_s[-1]) + 500.0])
    read = predicted_K(members, at)
    assert read[0] == pytest.approx(members.surface_K[0], abs=1e-3)
    assert read[1] == pytest.approx(0.5 * (members.surface_K[1] + members.surface_K[2]), abs=1e-3)
    assert read[2] == pytest.approx(members.surface_K[-1], abs=1e-3)
    assert predicted_K(members, np.array([])).shape == (0, members.members)


def test_a_surface_held_at_the_reference_ages_a_second_a_second(members: CureForecast) -> None:
    times = np.arange(0.0, 1800.0, 60.0)
    aged = surface_aged_s(
        members, STANDARD, 1200.0, times, np.full(times.size, STANDARD.reference_air_K), 0.0
    )
    assert aged == pytest.approx(1200.0, abs=5.0)
    colder = surface_aged_s(members, STANDARD, 1200.0, times, np.full(times.size, 283.15), 0.0)
    warmer = surface_aged_s(members, STANDARD, 1200.0, times, np.full(times.size, 283.15), 2.0)
    assert 1200.0 < warmer < colder


def test_where_nothing_was_read_the_surface_is_taken_as_warm_as_it_could_be(members: CureForecast) -> None:
    unread = surface_aged_s(members, STANDARD, 1200.0, np.array([]), np.array([]), 2.0)
    read = surface_aged_s(members, STANDARD, 1200.0, np.array([300.0]), np.array([285.0]), 2.0)
    assert unread < read
