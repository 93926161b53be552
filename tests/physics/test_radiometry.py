"""The 8 to 14 um band against the fraction table, and readings against the project's checked errors."""

from __future__ import annotations

import numpy as np
import pytest

from hoofsense.physics import radiometry as radio
from hoofsense.physics.constants import ICE_POINT_K

# um K, fraction of a blackbody's exitance below; computed, textbook tables differ by up to 5e-5
FRACTIONS = (
    (1000, 0.000321), (1400, 0.007790), (2000, 0.066730), (2898, 0.250106), (3000, 0.273229),
    (4000, 0.480865), (5000, 0.633726), (6000, 0.737789), (8000, 0.856251), (10000, 0.914157),
)  # fmt: skip
# degC, W/m2 from 8 to 14 um; computed
EXITANCES = ((0, 110.43), (20, 155.11), (37, 200.53), (60, 273.11))


@pytest.mark.parametrize(("product_um_K", "fraction"), FRACTIONS)
def test_the_fraction_is_that_of_the_tables(product_um_K: float, fraction: float) -> None:
    assert radio.blackbody_fraction(product_um_K * 1e-6) == pytest.approx(fraction, abs=1e-6)


@pytest.mark.parametrize(("celsius", "expected"), EXITANCES)
def test_the_band_radiates_what_planck_says(celsius: float, expected: float) -> None:
    assert radio.band_exitance_W_per_m2(celsius + ICE_POINT_K) == pytest.approx(expected, abs=0.006)


def test_the_fraction_is_the_integral_of_plancks_law() -> None:
    wavelength = np.linspace(8e-6, 14e-6, 20001)
    x = radio.SECOND_RADIATION_m_K / (wavelength * 310.0)
    c1 = 2.0 * np.pi * 6.62607015e-34 * 299792458.0**2
    planck = c1 / wavelength**5 / np.expm1(x)
    assert radio.band_exitance_W_per_m2(310.0) == pytest.approx(np.trapezoid(planck, wavelength), rel=1e-7)


def test_temperature_is_the_inverse_of_exitance() -> None:
    t = np.linspace(151.0, 999.0, 50)
    assert np.allclose(radio.band_temperature_K(radio.band_exitance_W_per_m2(t)), t, atol=1e-7)


@pytest.mark.parametrize(("surface_degC", "error_K"), [(5, -0.7), (25, -1.6), (60, -2.8)])
def test_wrong_emissivity_under_a_cold_sky_reads_low(surface_degC: float, error_K: float) -> None:
    # set 0.95, true 0.90, everything around at -10 degC; computed for this project to 0.1 K
    surface = surface_degC + ICE_POINT_K
    assert radio.indicated_K(surface, 0.90, 263.15) - surface == pytest.approx(error_K, abs=0.06)


@pytest.mark.parametrize(("share", "error_K"), [(0.01, 0.3), (0.03, 0.9), (0.10, 3.0)])
def test_a_hot_nozzle_in_view_reads_high(share: float, error_K: float) -> None:
    # nozzle at 300 degC over a sole at about body warmth; computed for this project
    shown = radio.indicated_K(300.15, 0.95, 293.15, nozzle_K=573.15, nozzle_share=share)
    assert shown - 300.15 == pytest.approx(error_K, rel=0.08)


def test_fourth_powers_would_differ_by_a_tenth_of_a_kelvin_at_most() -> None:
    for surface in (278.15, 298.15, 333.15):
        seen = 0.9 * surface**4 + 0.1 * 263.15**4
        simple = ((seen - 0.05 * 263.15**4) / 0.95) ** 0.25
        assert radio.indicated_K(surface, 0.90, 263.15) == pytest.approx(simple, abs=0.11)


def test_the_surface_is_the_inverse_of_the_reading() -> None:
    surfaces = np.linspace(265.0, 360.0, 20)
    shown = radio.indicated_K(surfaces, 0.92, 250.0, 0.97, 285.0)
    assert np.allclose(radio.surface_K(shown, 0.92, 250.0, 0.97, 285.0), surfaces, atol=1e-6)


def test_a_well_set_thermometer_is_right_in_any_surroundings() -> None:
    assert radio.surface_K(310.0, 0.95, 255.0, 0.95) == pytest.approx(310.0, abs=1e-8)


def test_the_error_budget_adds_in_squares_and_names_its_parts() -> None:
    budget = radio.error_budget(310.0, 283.0, 0.5)
    assert budget.nozzle_K == pytest.approx(0.0, abs=1e-6)
    # 0.02 of 0.95 of a contrast of 27 K, steeper by the curvature of the band
    assert budget.emissivity_K == pytest.approx(0.5, abs=0.1)
    total = budget.instrument_K**2 + budget.emissivity_K**2 + budget.background_K**2
    assert budget.combined_K == pytest.approx(total**0.5)
    assert radio.error_budget(310.0, 283.0, 0.5, nozzle_share=0.03).combined_K > budget.combined_K


@pytest.mark.parametrize(
    "impossible",
    [
        lambda: radio.band_exitance_W_per_m2(37.0),
        lambda: radio.band_temperature_K(-5.0),
        lambda: radio.blackbody_fraction(3000.0),
        lambda: radio.indicated_K(300.0, 1.2, 290.0),
        lambda: radio.indicated_K(300.0, 0.9, 290.0, nozzle_share=2.0),
    ],
)
def test_what_cannot_be_is_refused_with_a_sentence(impossible: object) -> None:
    assert callable(impossible)
    with pytest.raises(ValueError, match=": "):
        impossible()
