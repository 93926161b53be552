"""Drying under a jet: rates, plateau, sorption, jet formula, and closed balances of heat and water."""

from __future__ import annotations

from dataclasses import replace

import numpy as np
import pytest

from hoofsense.physics import drying_kinetics as drying
from hoofsense.physics.constants import ICE_POINT_K
from hoofsense.physics.psychrometrics import adiabatic_saturation_K, vapour_pressure_Pa

ROOM_Pa = vapour_pressure_Pa(293.15, 0.5)


def spots(film: float, bound: float = 0.2, kelvin: float = 293.15, n: int = 1) -> drying.Spot:
    def row(value: float) -> np.ndarray:
        return np.full(n, value)

    return drying.Spot(row(kelvin), row(kelvin), row(kelvin), row(film), row(bound))


JET = drying.SpotSurroundings(50.0, 373.15, 293.15, ROOM_Pa, 298.15, 0.35, 2.6e6, 0.0)
STILL = replace(JET, coefficient_W_per_m2_K=8.0, air_K=293.15)


@pytest.mark.parametrize(
    ("surface_K", "coefficient", "air_K", "humidity", "expected_g"),
    [(308.15, 50.0, 293.15, 0.5, 1.5), (293.15, 8.0, 293.15, 0.5, 0.063), (283.15, 8.0, 283.15, 0.8, 0.013)],
)
def test_evaporation_is_near_the_known_rates(
    surface_K: float, coefficient: float, air_K: float, humidity: float, expected_g: float
) -> None:
    # g/(m2 s); computed for this project with a vapour-density form, which agrees within 6 %
    rate = drying.evaporation_kg_per_m2_s(surface_K, coefficient, vapour_pressure_Pa(air_K, humidity))
    assert rate * 1e3 == pytest.approx(expected_g, rel=0.06)


def test_a_film_of_fifty_grams_takes_over_an_hour_in_cold_still_air() -> None:
    rate = drying.evaporation_kg_per_m2_s(283.15, 8.0, vapour_pressure_Pa(283.15, 0.8))
    assert 0.050 / rate > 3600.0


def test_evaporation_stops_at_the_dew_point_and_dew_settles_below_it() -> None:
    wet_air = vapour_pressure_Pa(293.15, 1.0)
    assert drying.evaporation_kg_per_m2_s(293.15, 20.0, wet_air) == pytest.approx(0.0, abs=1e-12)
    assert drying.evaporation_kg_per_m2_s(290.15, 20.0, wet_air) < 0.0


def test_latent_heat_is_that_of_the_steam_tables() -> None:
    # IAPWS: 2500.9, 2441.7, 2256.5 kJ/kg at 0, 25 and 100 degC
    for celsius, published in ((0.0, 2500.9e3), (25.0, 2441.7e3), (100.0, 2256.5e3)):
        assert drying.latent_heat_J_per_kg(celsius + ICE_POINT_K) == pytest.approx(published, rel=6e-3)


@pytest.mark.parametrize(
    ("ambient_degC", "humidity", "jet_degC"), [(0, 0.8, 60), (20, 0.5, 100), (30, 0.7, 150)]
)
def test_a_wet_spot_levels_off_below_adiabatic_saturation(
    ambient_degC: float, humidity: float, jet_degC: float
) -> None:
    # Lewis number below 1 evaporates a little more than adiabatic saturation does, so a few kelvin lower
    vapour = vapour_pressure_Pa(ambient_degC + ICE_POINT_K, humidity)
    limit = adiabatic_saturation_K(ambient_degC + ICE_POINT_K, humidity, jet_degC + ICE_POINT_K)
    jet = replace(JET, air_K=jet_degC + ICE_POINT_K, air_vapour_Pa=vapour, around_K=limit, tissue_K=limit)
    spot = spots(film=3.0, kelvin=290.0)
    for _ in range(1200):
        spot, _ = drying.spot_step(spot, jet, 0.25)
    assert limit - 2.5 < spot.top_K[0] < limit


def test_a_spot_climbs_well_above_forty_five_degrees_only_without_its_film() -> None:
    spot, hottest_wet = spots(film=0.08), 0.0
    for _ in range(800):
        spot, _ = drying.spot_step(spot, JET, 0.25)
        if spot.film_kg_per_m2[0] > drying.PATCHY_BELOW_kg_per_m2:
            hottest_wet = max(hottest_wet, spot.top_K[0])
    assert hottest_wet < 45.0 + ICE_POINT_K < spot.top_K[0]


def test_water_is_conserved_step_by_step() -> None:
    spot = spots(film=0.02, bound=0.3, n=4)
    layer = drying.HORN_DRY_kg_per_m3 * drying.BOUND_LAYER_m
    for _ in range(400):
        before = spot.film_kg_per_m2 + spot.bound_ratio * layer
        spot, lost = drying.spot_step(spot, JET, 0.25)
        after = spot.film_kg_per_m2 + spot.bound_ratio * layer
        assert np.allclose(before - lost, after, atol=1e-12)
        assert np.all(spot.film_kg_per_m2 >= 0.0)


def test_heat_is_conserved_step_by_step() -> None:
    spot, dt = spots(film=0.05), 0.25
    capacity = 2.6e6
    for _ in range(300):
        content = capacity * sum(
            thickness * layer[0]
            for thickness, layer in zip(drying.LAYERS_m, (spot.top_K, spot.mid_K, spot.deep_K), strict=True)
        )
        latent = float(drying.latent_heat_J_per_kg(spot.top_K)[0])
        had_water = spot.film_kg_per_m2[0] > 0.01
        spot, lost = drying.spot_step(spot, JET, dt)
        after = capacity * sum(
            thickness * layer[0]
            for thickness, layer in zip(drying.LAYERS_m, (spot.top_K, spot.mid_K, spot.deep_K), strict=True)
        )
        radiative = drying.radiative_coefficient_W_per_m2_K(300.0, 300.0)
        gained = 50.0 * (373.15 - spot.top_K[0]) + radiative * (293.15 - spot.top_K[0])
        below = 2.0 * 0.35 / drying.LAYERS_m[2] * (298.15 - spot.deep_K[0])
        if had_water:
            assert after - content == pytest.approx((gained + below) * dt - latent * lost[0], abs=1e-3)


def test_shorter_steps_converge() -> None:
    def after(steps: int) -> tuple[float, float]:
        spot = spots(film=0.05)
        for _ in range(steps):
            spot, _ = drying.spot_step(spot, JET, 25.0 / steps)
        return float(spot.top_K[0]), float(spot.film_kg_per_m2[0])

    coarse, middle, fine = after(50), after(100), after(800)
    assert abs(middle[0] - fine[0]) < 0.65 * abs(coarse[0] - fine[0]) < 0.3
    assert middle[1] == pytest.approx(fine[1], abs=3e-4)


def test_cut_off_from_heat_a_dry_spot_takes_its_water_back() -> None:
    spot = spots(film=0.0, bound=0.05)
    rewetted = replace(STILL, rewetting_kg_per_m2_s=2e-4)
    activity = [float(drying.gab_activity(spot.bound_ratio)[0])]
    for _ in range(90):
        spot, _ = drying.spot_step(spot, rewetted, 1.0)
        activity.append(float(drying.gab_activity(spot.bound_ratio)[0]))
    assert activity[-1] > activity[0] + 0.3
    assert spot.film_kg_per_m2[0] == 0.0


def test_sorption_and_its_inverse_agree() -> None:
    activity = np.linspace(0.0, 1.0, 101)
    moisture = drying.gab_moisture_ratio(activity)
    assert np.all(np.diff(moisture) > 0.0)
    assert np.allclose(drying.gab_activity(moisture), activity, atol=1e-9)


def test_the_monolayer_is_full_where_gab_says() -> None:
    # X = Xm at K a = 1/(1 + sqrt(C)); algebra of the GAB equation
    at = 1.0 / (1.0 + drying.GAB_C**0.5) / drying.GAB_K
    assert drying.gab_moisture_ratio(at) == pytest.approx(drying.GAB_MONOLAYER, rel=1e-9)


def test_a_jet_within_its_validity_gives_the_formulas_number() -> None:
    # Martin 1977 by hand: D 35 mm, H/D 6, r/D 4 -> A = 1/64, G = 2 (1/8)(1 - 0.275) = 0.18125;
    # Re 1e4: 2 sqrt(1e4) sqrt(1 + 0.005 * 158.49) = 267.75; Pr 0.71: 0.8660
    nusselt = drying.martin_nusselt(1e4, 0.035, 0.21, 0.14)
    assert nusselt == pytest.approx(0.18125 * 267.75 * 0.8660, rel=1e-3)


def test_a_hand_held_gun_lies_in_the_prior_of_the_filter() -> None:
    # 8 m/s and 100 degC from a 35 mm nozzle at 0.2 m, mean over 0.3 m: the prior is 15 to 80 W/(m2 K)
    assert 15.0 < drying.jet_coefficient_W_per_m2_K(8.0, 373.15, 0.035, 0.20, 0.15) < 80.0


def test_still_air_lies_in_its_prior() -> None:
    assert 5.0 < drying.still_air_coefficient_W_per_m2_K(305.0, 293.0) < 12.0
    assert 5.5 < drying.radiative_coefficient_W_per_m2_K(300.0, 293.0) < 6.0


def test_air_has_its_tabulated_viscosity_and_conductivity() -> None:
    # Incropera table A.4 at 300 K and 400 K, from memory: 1.846e-5 and 2.301e-5 Pa s; 0.0263, 0.0338 W/(m K)
    assert drying.air_viscosity_Pa_s(300.0) == pytest.approx(1.846e-5, rel=0.02)
    assert drying.air_viscosity_Pa_s(400.0) == pytest.approx(2.301e-5, rel=0.02)
    assert drying.air_conductivity_W_per_m_K(300.0) == pytest.approx(0.0263, rel=0.05)
    assert drying.air_conductivity_W_per_m_K(400.0) == pytest.approx(0.0338, rel=0.05)


def test_vapour_density_of_saturated_air_at_25_degrees() -> None:
    # 23.0 g/m3, common tables
    saturated = vapour_pressure_Pa(298.15, 1.0)
    assert drying.vapour_density_kg_per_m3(saturated, 298.15) == pytest.approx(0.0230, rel=0.01)


@pytest.mark.parametrize(
    "impossible",
    [
        lambda: drying.martin_nusselt(1e3, 0.035, 0.21, 0.14),
        lambda: drying.martin_nusselt(1e4, 0.035, 0.035, 0.14),
        lambda: drying.martin_nusselt(1e4, 0.035, 0.21, 0.05),
        lambda: drying.gab_activity(0.6),
        lambda: drying.gab_moisture_ratio(1.1),
        lambda: drying.wetted_share(-0.1),
        lambda: drying.spot_step(spots(0.1), JET, 5.0),
        lambda: drying.evaporation_kg_per_m2_s(450.0, 50.0, 1000.0),
        lambda: drying.vapour_mass_fraction(-1.0),
        lambda: drying.still_air_coefficient_W_per_m2_K(305.0, 293.0, 2.0),
    ],
)
def test_what_cannot_be_is_refused_with_a_sentence(impossible: object) -> None:
    assert callable(impossible)
    with pytest.raises(ValueError, match=": "):
        impossible()
