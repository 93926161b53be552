"""The true sole: heat and water under a hot-air gun against closed forms and the project's studies."""

from __future__ import annotations

import numpy as np
import pytest

from hoofsense.sources import simulated_sole
from hoofsense.sources.simulated_sole import (
    HotAir,
    SoleColumns,
    SoleProperties,
    Surroundings,
    humidity_ratio,
    saturation_pressure_Pa,
    sorbed_water_kg_per_kg,
    water_activity,
)

ICE_K = 273.15
STEP_s = 0.25
NO_AIR_MOTION_W_per_m2_K = 1e-9


def air(celsius: float, humidity: float, still_W_per_m2_K: float = 8.0) -> Surroundings:
    kelvin = celsius + ICE_K
    return Surroundings(
        kelvin, kelvin, float(humidity_ratio(humidity * saturation_pressure_Pa(kelvin))), still_W_per_m2_K
    )


def one_spot_gun(jet_degC: float, jet_W_per_m2_K: float) -> HotAir:
    return HotAir(jet_degC + ICE_K, jet_W_per_m2_K, 573.0, 0.0, (1.0,))


def advance(sole: SoleColumns, seconds: float, around: Surroundings, gun: HotAir | None = None) -> None:
    for _ in range(round(seconds / STEP_s)):
        sole.advance(STEP_s, around, gun)


# Adiabatic-saturation temperatures of heated ambient air, computed for the project's reference table with a
# psychrometric library: (air degC, RH, jet degC, surface degC). The truth keeps its own transfer law, in
# which vapour diffuses faster than heat, so it must lie at or somewhat below them: within 1.5 K.
PLATEAUS = (
    (0.0, 0.80, 60.0, 23.4),
    (0.0, 0.80, 100.0, 32.3),
    (10.0, 0.80, 80.0, 29.9),
    (20.0, 0.50, 60.0, 26.1),
    (20.0, 0.50, 100.0, 34.2),
    (20.0, 0.50, 150.0, 41.5),
    (30.0, 0.70, 120.0, 41.4),
)


@pytest.mark.parametrize(("air_degC", "humidity", "jet_degC", "expected_degC"), PLATEAUS)
def test_wet_surface_under_a_jet_settles_at_the_adiabatic_saturation_temperature(
    air_degC: float, humidity: float, jet_degC: float, expected_degC: float
) -> None:
    around = air(air_degC, humidity, NO_AIR_MOTION_W_per_m2_K)
    insulated = SoleProperties(1.6e-3, 300.0, (5.0,), (0.0,), emissivity=0.0, tissue_W_per_m2_K=0.0)
    sole = SoleColumns(insulated, around, settle_s=0.0)
    advance(sole, 400.0, around, one_spot_gun(jet_degC, 50.0))
    assert sole.surface_K[0] - ICE_K == pytest.approx(expected_degC, abs=1.5)


def test_a_dry_sole_gets_far_hotter_than_any_wet_one() -> None:
    around = air(20.0, 0.50)
    sole = SoleColumns(SoleProperties(0.01, 300.0, (0.0, 0.06), (0.0, 1e-3)), around)
    both = HotAir(120.0 + ICE_K, 60.0, 573.0, 0.0, (1.0, 1.0))
    advance(sole, 90.0, around, both)
    dry_K, wet_K = sole.surface_K
    assert dry_K > 55.0 + ICE_K
    assert wet_K < 37.4 + ICE_K  # the plateau of this jet; no wet surface is warmer


def test_water_and_heat_of_the_sole_are_conserved() -> None:
    around = air(21.0, 0.55)
    properties = SoleProperties(0.008, 300.15, (0.0, 0.016, 0.02, 0.03, 0.04), (0.0, 0.0, 1e-4, 0.0, 5e-4))
    sole = SoleColumns(properties, around)
    water, heat = sole.stored_water_kg_per_m2(), sole.stored_energy_J_per_m2()
    gun = HotAir(115.0 + ICE_K, 60.0, 573.0, 0.01, (1.0, 0.9, 0.6, 0.5, 0.4))
    for _ in range(3):
        advance(sole, 25.0, around, gun)
        advance(sole, 15.0, around)
    assert sole.evaporated_kg_per_m2[4] > 0.01
    np.testing.assert_allclose(
        sole.stored_water_kg_per_m2() - water, sole.drawn_kg_per_m2 - sole.evaporated_kg_per_m2, atol=1e-12
    )
    np.testing.assert_allclose(
        sole.stored_energy_J_per_m2() - heat, sole.energy_in_J_per_m2, rtol=0.0, atol=1e-5
    )


def test_dry_horn_cools_as_the_plane_wall_with_a_biot_number_of_one() -> None:
    # One-term series beyond Fo 0.2: zeta 0.8603, C 1.1191 at Bi = 1 (Incropera, table 5.1, from memory).
    thickness_m = 0.004
    biot_one = simulated_sole.HORN_CONDUCTIVITY_W_per_m_K / thickness_m
    warm, cold = air(30.0, 0.0, biot_one), air(0.0, 0.0, biot_one)
    dry = SoleProperties(thickness_m, 300.0, (0.0,), (0.0,), 0.0, emissivity=0.0, tissue_W_per_m2_K=0.0)
    sole = SoleColumns(dry, warm, settle_s=0.0)
    sole.temperature_K[:] = 30.0 + ICE_K
    seconds = 60.0
    advance(sole, seconds, cold)
    diffusivity = simulated_sole.HORN_CONDUCTIVITY_W_per_m_K / (
        simulated_sole.HORN_DENSITY_kg_per_m3 * simulated_sole.HORN_HEAT_CAPACITY_J_per_kg_K
    )
    fourier = diffusivity * seconds / thickness_m**2
    exact_degC = 30.0 * 1.1191 * np.cos(0.8603) * np.exp(-(0.8603**2) * fourier)
    assert sole.surface_K[0] - ICE_K == pytest.approx(exact_degC, abs=0.1)


def test_a_dried_surface_is_wetted_again_from_below() -> None:
    # Project study: dried 60 s, surface water activity 0.67 after 10 s, 0.84 after 1 min, 0.96 after 15 min.
    around, sealed = air(20.0, 0.50), air(20.0, 0.50, NO_AIR_MOTION_W_per_m2_K)
    sole = SoleColumns(SoleProperties(0.008, 300.0, (0.0,), (0.0,)), around, settle_s=0.0)
    advance(sole, 60.0, around, one_spot_gun(60.0, 30.0))
    seen = []
    for wait_s in (10.0, 50.0, 840.0):
        advance(sole, wait_s, sealed)
        seen.append(float(water_activity(sole.sorbed_kg_per_kg[:, 0])[0]))
    assert seen == pytest.approx([0.67, 0.84, 0.96], abs=0.02)


def test_sorption_gives_back_the_activity_it_was_made_of() -> None:
    activity = np.array([0.1, 0.55, 0.9, 0.98])
    np.testing.assert_allclose(water_activity(sorbed_water_kg_per_kg(activity)), activity, atol=1e-3)


def test_feet_that_cannot_be_are_refused() -> None:
    with pytest.raises(ValueError, match="one film and one seep"):
        SoleColumns(SoleProperties(0.01, 300.0, (0.0, 0.0), (0.0,)), air(20.0, 0.5))
