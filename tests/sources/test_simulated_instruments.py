"""The simulated thermometer: its faults are those of the optics."""

from __future__ import annotations

import numpy as np
import pytest

from hoofsense.sources.simulated_instruments import Thermometer, band_exitance_W_per_m2

ICE_K = 273.15


# Computed for the project's reference page from Planck's law, 8 to 14 um, W/m2.
@pytest.mark.parametrize(
    ("celsius", "expected"), [(0.0, 110.43), (20.0, 155.11), (37.0, 200.53), (60.0, 273.11)]
)
def test_band_exitance_is_that_of_a_black_body(celsius: float, expected: float) -> None:
    assert band_exitance_W_per_m2(celsius + ICE_K) == pytest.approx(expected, abs=0.02)


def faultless_thermometer() -> Thermometer:
    thermometer = Thermometer(np.random.default_rng(1), -2, noise_K=0.0)
    thermometer.bias_K = 0.0
    return thermometer


# Reference page, computed: thermometer set to 0.95, true 0.90, surroundings and instrument at -10 degC.
@pytest.mark.parametrize(("surface_degC", "error_K"), [(5.0, -0.7), (25.0, -1.6), (60.0, -2.8)])
def test_a_shiny_surface_reads_too_cold_in_the_cold(surface_degC: float, error_K: float) -> None:
    shown_K = faultless_thermometer().indicated_K(surface_degC + ICE_K, 0.90, 263.15, 263.15)
    assert shown_K - ICE_K - surface_degC == pytest.approx(error_K, abs=0.05)


# Reference page, computed: a nozzle at 300 degC filling this part of the hemisphere.
@pytest.mark.parametrize(("nozzle_view", "error_K"), [(0.0, 0.0), (0.01, 0.3), (0.03, 0.9), (0.10, 3.0)])
def test_a_hot_nozzle_beside_the_spot_reads_too_warm(nozzle_view: float, error_K: float) -> None:
    shown_K = faultless_thermometer().indicated_K(303.15, 0.95, 293.15, 293.15, 573.15, nozzle_view)
    assert shown_K - 303.15 == pytest.approx(error_K, abs=0.1)
