"""Moist air against published tables, WMO, Stull, real-gas values and a second implementation."""

from __future__ import annotations

import math

import numpy as np
import psychrolib  # type: ignore[import-untyped]
import pytest

from hoofsense.physics import psychrometrics as moist
from hoofsense.physics.constants import ICE_POINT_K, TRIPLE_POINT_K, STANDARD_PRESSURE_Pa

# ASHRAE Handbook Fundamentals 2017 chapter 1 table 3, as used in psychrolib's tests, stated to 3e-4.
TABLE_3_PA = ((-20.0, 103.24), (-5.0, 401.74), (5.0, 872.6), (25.0, 3169.7), (50.0, 12351.3))
# ASHRAE 2017 chapter 1 table 2, humidity ratio of saturated air, 0.5 to 1 %: the table is of real gas.
TABLE_2_RATIO = ((-20.0, 0.0006373), (-5.0, 0.0024863), (5.0, 0.005425), (25.0, 0.020173))
# air degC, RH over the stable phase, condensation point degC, wet bulb degC, humidity ratio g/kg;
# computed with psychrolib 2.5 at 101325 Pa, whose relative humidity below 0 degC is over ice.
SECOND_IMPLEMENTATION = (
    (-20.0, 0.8, -22.30, -20.31, 0.507),
    (-10.0, 0.7, -13.96, -10.98, 1.119),
    (-5.0, 0.9, -6.23, -5.44, 2.227),
    (0.0, 0.8, -2.68, -1.16, 3.016),
    (5.0, 0.9, 3.50, 4.30, 4.858),
    (10.0, 0.6, 2.60, 6.48, 4.556),
    (20.0, 0.5, 9.27, 13.78, 7.262),
    (25.0, 0.6, 16.70, 19.47, 11.895),
    (30.0, 0.4, 14.94, 20.06, 10.603),
)
# Wet bulb of heated ambient air, degC, computed with CoolProp 8.0 (real-gas humid air) at 101325 Pa from the
# humidity ratio of the ambient: ambient degC, RH, {jet degC: wet bulb degC}.
REAL_GAS_JETS = (
    (0.0, 0.8, {60: 23.34, 100: 32.30, 150: 40.12, 200: 45.88, 250: 50.41, 300: 54.12}),
    (10.0, 0.8, {60: 25.32, 100: 33.69, 150: 41.13, 200: 46.67, 250: 51.06, 300: 54.67}),
    (20.0, 0.5, {60: 26.03, 100: 34.20, 150: 41.50, 200: 46.97, 250: 51.31, 300: 54.88}),
    (30.0, 0.7, {60: 32.02, 100: 38.63, 150: 44.84, 200: 49.64, 250: 53.54, 300: 56.80}),
)


def kelvin(celsius: float) -> float:
    return celsius + ICE_POINT_K


@pytest.mark.parametrize(("air_degC", "published_Pa"), TABLE_3_PA)
def test_saturation_pressure_is_that_of_the_handbook(air_degC: float, published_Pa: float) -> None:
    assert moist.saturation_pressure_Pa(kelvin(air_degC)) == pytest.approx(published_Pa, rel=3e-4)


@pytest.mark.parametrize(("air_degC", "published"), TABLE_2_RATIO)
def test_saturated_humidity_ratio_is_that_of_the_handbook(air_degC: float, published: float) -> None:
    saturated = moist.humidity_ratio(moist.saturation_pressure_Pa(kelvin(air_degC)))
    assert saturated == pytest.approx(published, rel=0.005)


def test_the_handbooks_first_example_holds() -> None:
    # ASHRAE 2017 chapter 1 example 1: 40 degC, wet bulb 20 degC -> W 0.0065, dew point 7 degC, RH 14 %;
    # read off the chart, so the last digit stands for a whole one
    vapour = moist.vapour_pressure_of_ratio_Pa(0.0065)
    assert moist.wet_bulb_K(kelvin(40.0), vapour) == pytest.approx(kelvin(20.0), abs=0.1)
    assert moist.dew_point_K(vapour) == pytest.approx(kelvin(7.0), abs=1.0)
    assert moist.relative_humidity_ratio(vapour, kelvin(40.0)) == pytest.approx(0.14, abs=0.005)


def test_wet_bulb_agrees_with_stull() -> None:
    # R. Stull, J. Appl. Meteorol. Climatol. 50 (2011) 2267: 20 degC, 50 % -> 13.7 degC, error -1 to +0.65 K
    vapour = moist.vapour_pressure_Pa(kelvin(20.0), 0.5)
    assert moist.wet_bulb_K(kelvin(20.0), vapour) == pytest.approx(kelvin(13.7), abs=0.65)


@pytest.mark.parametrize(
    ("air_degC", "tolerance"), [(-45, 6e-3), (-30, 3e-3), (-10, 3e-3), (0, 3e-3), (60, 3e-3)]
)
def test_saturation_over_water_stays_near_the_magnus_formula(air_degC: float, tolerance: float) -> None:
    # WMO-No. 8, annex 4.B, over water, stated for -45 to 60 degC
    magnus = 611.2 * math.exp(17.62 * air_degC / (243.12 + air_degC))
    assert moist.saturation_pressure_over_water_Pa(kelvin(air_degC)) == pytest.approx(magnus, rel=tolerance)


@pytest.mark.parametrize("air_degC", [-60, -30, -10, 0])
def test_saturation_over_ice_stays_near_the_magnus_formula(air_degC: float) -> None:
    magnus = 611.2 * math.exp(22.46 * air_degC / (272.62 + air_degC))  # WMO-No. 8 annex 4.B, from memory
    assert moist.saturation_pressure_over_ice_Pa(kelvin(air_degC)) == pytest.approx(magnus, rel=2e-3)


@pytest.mark.parametrize("air_degC", [-15, 0, 20, 50])
def test_saturation_over_water_stays_near_buck(air_degC: float) -> None:
    buck = 611.21 * math.exp(
        (18.678 - air_degC / 234.5) * air_degC / (257.14 + air_degC)
    )  # 1996, from memory
    assert moist.saturation_pressure_over_water_Pa(kelvin(air_degC)) == pytest.approx(buck, rel=2e-3)


@pytest.mark.parametrize(("air", "humidity", "point", "wet", "ratio"), SECOND_IMPLEMENTATION)
def test_points_agree_with_a_second_implementation(
    air: float, humidity: float, point: float, wet: float, ratio: float
) -> None:
    vapour = humidity * moist.saturation_pressure_Pa(kelvin(air))
    assert moist.condensation_point_K(vapour) == pytest.approx(kelvin(point), abs=0.006)
    assert moist.wet_bulb_K(kelvin(air), vapour) == pytest.approx(kelvin(wet), abs=0.01)
    assert moist.humidity_ratio(vapour) * 1e3 == pytest.approx(ratio, abs=0.0006)


def test_the_second_implementation_agrees_over_a_grid_above_freezing() -> None:
    # Above 0 degC only: below it psychrolib takes relative humidity over ice, sensors report it over water.
    psychrolib.SetUnitSystem(psychrolib.SI)
    for air_degC in (2.0, 15.0, 40.0, 75.0):
        for humidity in (0.1, 0.5, 0.95):
            vapour = moist.vapour_pressure_Pa(kelvin(air_degC), humidity)
            wet = psychrolib.GetTWetBulbFromRelHum(air_degC, humidity, STANDARD_PRESSURE_Pa)
            dew = psychrolib.GetTDewPointFromRelHum(air_degC, humidity)
            assert moist.wet_bulb_K(kelvin(air_degC), vapour) == pytest.approx(kelvin(wet), abs=0.02)
            assert moist.condensation_point_K(vapour) == pytest.approx(kelvin(dew), abs=0.01)


def test_humidity_below_freezing_is_over_water_and_not_over_ice() -> None:
    # Taking a sensor's 70 % at -10 degC as over ice puts the point 1.1 K too low, on the unsafe side.
    vapour = moist.vapour_pressure_Pa(kelvin(-10.0), 0.7)
    over_ice = 0.7 * moist.saturation_pressure_over_ice_Pa(kelvin(-10.0))
    unsafe_by = moist.condensation_point_K(vapour) - moist.condensation_point_K(over_ice)
    assert unsafe_by == pytest.approx(1.1, abs=0.05)


@pytest.mark.parametrize(("ambient", "humidity", "jets"), REAL_GAS_JETS)
def test_a_wet_surface_in_a_hot_jet_levels_off_where_real_gas_says(
    ambient: float, humidity: float, jets: dict[int, float]
) -> None:
    for jet, expected in jets.items():
        found = moist.adiabatic_saturation_K(kelvin(ambient), humidity, kelvin(jet))
        assert found == pytest.approx(kelvin(expected), abs=0.06 if jet <= 150 else 0.2)


def test_a_second_implementation_fails_where_this_wet_bulb_still_holds() -> None:
    # psychrolib's wet bulb from the humidity ratio is wrong above about 195 degC; the jets table goes to 300.
    vapour = moist.vapour_pressure_Pa(kelvin(20.0), 0.5)
    wet = moist.wet_bulb_K(np.array([kelvin(190.0), kelvin(200.0), kelvin(210.0)]), vapour)
    assert np.all(np.diff(wet) > 0.5) and np.all(np.diff(wet) < 1.5)


def test_both_curves_meet_at_the_triple_point() -> None:
    water = moist.saturation_pressure_over_water_Pa(TRIPLE_POINT_K)
    assert moist.saturation_pressure_over_ice_Pa(TRIPLE_POINT_K) == pytest.approx(water, rel=1e-7)


def test_points_are_the_inverse_of_saturation_everywhere() -> None:
    cold = np.linspace(174.0, TRIPLE_POINT_K, 60)
    assert np.allclose(moist.frost_point_K(moist.saturation_pressure_over_ice_Pa(cold)), cold, atol=1e-6)
    warm = np.linspace(224.0, 473.0, 60)
    assert np.allclose(moist.dew_point_K(moist.saturation_pressure_over_water_Pa(warm)), warm, atol=1e-6)
    both = np.linspace(174.0, 473.0, 90)
    assert np.allclose(moist.condensation_point_K(moist.saturation_pressure_Pa(both)), both, atol=1e-6)


def test_the_condensation_point_passes_the_triple_point_without_a_step() -> None:
    pressures = np.linspace(610.0, 613.0, 301)
    assert np.max(np.abs(np.diff(moist.condensation_point_K(pressures)))) < 0.001


def test_frost_forms_before_dew_below_freezing() -> None:
    assert moist.frost_point_K(250.0) > moist.dew_point_K(250.0)


def test_saturated_air_has_its_own_temperature_as_wet_bulb() -> None:
    for air in (5.0, 20.0, 60.0):
        saturated = moist.saturation_pressure_Pa(kelvin(air))
        assert moist.wet_bulb_K(kelvin(air), saturated) == pytest.approx(kelvin(air), abs=1e-4)


def test_humidity_ratio_and_vapour_pressure_are_inverse() -> None:
    vapour = np.array([0.0, 5.0, 1200.0, 40000.0])
    back = moist.vapour_pressure_of_ratio_Pa(moist.humidity_ratio(vapour, 90000.0), 90000.0)
    assert np.allclose(back, vapour)


def test_a_float_in_gives_a_float_out_and_a_row_gives_a_row() -> None:
    assert isinstance(moist.wet_bulb_K(300.0, 1000.0), float)
    assert moist.wet_bulb_K(np.full((2, 3), 300.0), 1000.0).shape == (2, 3)
    assert isinstance(moist.adiabatic_saturation_K(300.0, 0.5, 400.0), float)


@pytest.mark.parametrize(
    "impossible",
    [
        lambda: moist.saturation_pressure_Pa(100.0),
        lambda: moist.saturation_pressure_Pa(math.nan),
        lambda: moist.vapour_pressure_Pa(293.15, 1.2),
        lambda: moist.frost_point_K(1000.0),
        lambda: moist.dew_point_K(0.0),
        lambda: moist.humidity_ratio(101325.0),
        lambda: moist.wet_bulb_K(293.15, 3000.0),
        lambda: moist.wet_bulb_K(900.0, 100.0),
    ],
)
def test_what_cannot_be_is_refused_with_a_sentence(impossible: object) -> None:
    assert callable(impossible)
    with pytest.raises(ValueError, match=": "):
        impossible()
