"""How a wet sole dries under a hot-air gun: jet, evaporation, film, patchy cover, and water bound in horn.

Surface balance: C dT/dt = h (T_jet - T) + h_r (T_around - T) - L E + conduction from below.
A film keeps the surface activity at 1; once it is gone the outer horn dries along its sorption curve.

Shapes: all arguments broadcast together; floats in give a float out.

source: R. B. Bird, W. E. Stewart, E. N. Lightfoot, Transport Phenomena, 2002 (mass flux with blowing);
        H. Martin, Heat and mass transfer between impinging gas jets and solid surfaces, Adv. Heat Transfer 13
        (1977) 1 (jet); F. P. Incropera et al., Fundamentals of Heat and Mass Transfer (plate, from memory);
        nail data of J. Cosmet. Sci. 58 (2007) 1 (sorption; no published curve of hoof horn was found)
departs: evaporation is driven by mass fractions and not by vapour densities, so that the temperature of the
        far air does not enter twice; the two agree within 6 % at the check values
"""

from __future__ import annotations

import math
from dataclasses import dataclass
from typing import TypeVar

import numpy as np
from numpy.typing import NDArray

from hoofsense.physics.constants import (
    ICE_POINT_K,
    GAS_CONSTANT_J_per_mol_K,
    STANDARD_PRESSURE_Pa,
    STEFAN_BOLTZMANN_W_per_m2_K4,
)
from hoofsense.physics.psychrometrics import MOLAR_MASS_RATIO, saturation_pressure_over_water_Pa

Array = NDArray[np.float64]
Value = TypeVar("Value", float, Array)

# Latent heat of ASHRAE 2017 chapter 1 equations 30 and 33: vapour 2501e3 + 1860 t less liquid 4186 t.
_LATENT_0_J_per_kg, _LATENT_SLOPE_J_per_kg_K = 2501e3, 2326.0
LEWIS_TWO_THIRDS = 0.90  # Le^(2/3) of water vapour in air, Chilton and Colburn's analogy; from memory
_AIR_CP_J_per_kg_K = 1006.0  # dry air, ASHRAE 2017 chapter 1
_WATER_kg_per_mol = 0.018015268  # IAPWS
_AIR_kg_per_mol = 0.0289652  # ASHRAE 2017 chapter 1
_GRAVITY_m_per_s2 = 9.80665  # standard gravity
AIR_PRANDTL = 0.71  # of air, 0 to 150 degC within 2 %; from memory

# Sutherland's law for air, F. M. White, Viscous Fluid Flow; from memory, 2 % from 170 to 1900 K
_VISCOSITY_0_Pa_s, _VISCOSITY_T0_K, _SUTHERLAND_K = 1.716e-5, 273.15, 110.4

# Martin 1977, single round nozzle: where equation (the correlation) was fitted
MARTIN_REYNOLDS = (2e3, 4e5)
MARTIN_DISTANCE_RATIO = (2.0, 12.0)
MARTIN_AREA_RATIO = (0.004, 0.04)

# GAB sorption of keratin, nail data of J. Cosmet. Sci. 58 (2007) 1, read as Xm 0.085, C 10, K 0.80
GAB_MONOLAYER, GAB_C, GAB_K = 0.085, 10.0, 0.80
BOUND_LAYER_m = 40e-6  # outer horn that exchanges water within one pass (this project's studies)
HORN_DRY_kg_per_m3 = 1200.0  # middle of the prior 1150 to 1250
# A film thinner than this stands in patches: engineering choice, near the roughness of a rasped sole
PATCHY_BELOW_kg_per_m2 = 0.010


def _shaped(result: Array, like: Value) -> Value:
    return np.asarray(result, dtype=np.float64) if isinstance(like, np.ndarray) else float(result)


def _range(values: float | Array, low: float, high: float, what: str, next_step: str) -> Array:
    v = np.asarray(values, dtype=np.float64)
    if not bool(np.all((v >= low) & (v <= high))):
        raise ValueError(f"{what} {values} is outside {low:g} to {high:g}: {next_step}")
    return v


def latent_heat_J_per_kg(water_K: Value) -> Value:
    """Heat to evaporate liquid water at water_K, J/kg; 250 to 400 K, within 0.5 % to 100 degC."""
    t = _range(water_K, 250.0, 400.0, "water temperature K", "check the surface temperature")
    return _shaped(_LATENT_0_J_per_kg - _LATENT_SLOPE_J_per_kg_K * (t - ICE_POINT_K), water_K)


def vapour_mass_fraction(vapour_Pa: Value, pressure_Pa: float = STANDARD_PRESSURE_Pa) -> Value:
    """Mass of vapour in a mass of moist air, kg/kg; vapour_Pa from 0 to pressure_Pa."""
    p = _range(vapour_Pa, 0.0, pressure_Pa, "vapour pressure Pa", "check humidity and pressure")
    return _shaped(MOLAR_MASS_RATIO * p / (pressure_Pa - (1.0 - MOLAR_MASS_RATIO) * p), vapour_Pa)


def evaporation_kg_per_m2_s(
    surface_K: Value,
    coefficient_W_per_m2_K: float | Array,
    air_vapour_Pa: float | Array,
    activity: float | Array = 1.0,
    pressure_Pa: float = STANDARD_PRESSURE_Pa,
) -> Value:
    """Water leaving a surface, by Chilton and Colburn's analogy with heat; negative when dew settles.

    surface_K               223.15 to 370 K
    coefficient_W_per_m2_K  convective heat transfer coefficient, 0 or more
    air_vapour_Pa           of the air or of the jet: heating the air does not change it
    activity                of the water at the surface, 0 to 1; 1 for a film
    """
    t = _range(surface_K, 223.15, 370.0, "surface K", "a film boils beyond it: check the reading")
    wet = _range(activity, 0.0, 1.0, "water activity", "give a ratio")
    at_surface = wet * np.asarray(saturation_pressure_over_water_Pa(t), dtype=np.float64)
    inner = np.asarray(vapour_mass_fraction(np.atleast_1d(at_surface), pressure_Pa)).reshape(at_surface.shape)
    far = np.asarray(air_vapour_Pa, dtype=np.float64)
    outer = np.asarray(vapour_mass_fraction(np.atleast_1d(far), pressure_Pa)).reshape(far.shape)
    conductance = np.asarray(coefficient_W_per_m2_K) / (_AIR_CP_J_per_kg_K * LEWIS_TWO_THIRDS)
    return _shaped(conductance * np.log((1.0 - outer) / (1.0 - inner)), surface_K)


def vapour_density_kg_per_m3(vapour_Pa: Value, air_K: float | Array) -> Value:
    """Density of the vapour as an ideal gas, kg/m3."""
    t = np.asarray(air_K, dtype=np.float64)
    p = np.asarray(vapour_Pa, dtype=np.float64)
    return _shaped(p * _WATER_kg_per_mol / (GAS_CONSTANT_J_per_mol_K * t), vapour_Pa)


def air_conductivity_W_per_m_K(air_K: float) -> float:
    """Thermal conductivity of air from viscosity and Prandtl number; 220 to 700 K, within 5 %."""
    return air_viscosity_Pa_s(air_K) * _AIR_CP_J_per_kg_K / AIR_PRANDTL


def air_viscosity_Pa_s(air_K: float) -> float:
    """Viscosity of air by Sutherland's law; 220 to 700 K."""
    t = float(_range(air_K, 220.0, 700.0, "air K", "check the jet temperature"))
    ratio = t / _VISCOSITY_T0_K
    return _VISCOSITY_0_Pa_s * math.pow(ratio, 1.5) * (_VISCOSITY_T0_K + _SUTHERLAND_K) / (t + _SUTHERLAND_K)


def martin_nusselt(
    reynolds: float, nozzle_m: float, distance_m: float, radius_m: float, prandtl: float = AIR_PRANDTL
) -> float:
    """Mean Nusselt number (on the nozzle's diameter) over a disc under one round jet.

    reynolds    2e3 to 4e5, on the nozzle's diameter
    distance_m  nozzle to surface, 2 to 12 diameters
    radius_m    of the disc the mean is over; nozzle area over disc area 0.004 to 0.04, that is
                2.5 to 7.9 diameters
    raises      ValueError outside the range the correlation was fitted in
    source      Martin 1977; the last square root from memory
    """
    area = nozzle_m**2 / (4.0 * radius_m**2)
    for name, value, (low, high) in (
        ("Reynolds number", reynolds, MARTIN_REYNOLDS),
        ("distance in diameters", distance_m / nozzle_m, MARTIN_DISTANCE_RATIO),
        ("nozzle to target area", area, MARTIN_AREA_RATIO),
    ):
        if not low <= value <= high:
            raise ValueError(
                f"{name} {value:.4g} is outside {low:g} to {high:g}: the jet formula does not hold"
            )
    root = math.sqrt(area)
    shape = 2.0 * root * (1.0 - 2.2 * root) / (1.0 + 0.2 * (distance_m / nozzle_m - 6.0) * root)
    flow = 2.0 * math.sqrt(reynolds) * math.sqrt(1.0 + 0.005 * math.pow(reynolds, 0.55))
    return shape * flow * math.pow(prandtl, 0.42)


def jet_coefficient_W_per_m2_K(
    speed_m_per_s: float, jet_K: float, nozzle_m: float, distance_m: float, radius_m: float
) -> float:
    """Mean coefficient over a disc under a round hot-air jet held still; a hand-swept gun gives less.

    speed_m_per_s, jet_K  at the nozzle; the other arguments and limits as in martin_nusselt
    """
    density = STANDARD_PRESSURE_Pa * _AIR_kg_per_mol / (GAS_CONSTANT_J_per_mol_K * jet_K)
    reynolds = density * speed_m_per_s * nozzle_m / air_viscosity_Pa_s(jet_K)
    nusselt = martin_nusselt(reynolds, nozzle_m, distance_m, radius_m)
    return nusselt * air_conductivity_W_per_m_K(jet_K) / nozzle_m


def still_air_coefficient_W_per_m2_K(surface_K: float, air_K: float, across_m: float = 0.13) -> float:
    """Natural convection from a warm round sole facing up, Nu = 0.54 Ra^0.25 on a quarter of its width.

    surface_K, air_K  220 to 400 K; the sole warmer by 1 K or more for a meaningful value
    across_m          width of the sole, 0.05 to 0.3 m
    source            Incropera et al., equation 9.30, Ra 1e4 to 1e7; from memory
    """
    film_K = 0.5 * (surface_K + air_K)
    length = float(_range(across_m, 0.05, 0.3, "sole width m", "measure it again")) / 4.0
    density = STANDARD_PRESSURE_Pa * _AIR_kg_per_mol / (GAS_CONSTANT_J_per_mol_K * film_K)
    momentum = air_viscosity_Pa_s(film_K) / density
    rayleigh = _GRAVITY_m_per_s2 * abs(surface_K - air_K) / film_K * length**3 * AIR_PRANDTL / momentum**2
    return 0.54 * math.pow(rayleigh, 0.25) * air_conductivity_W_per_m_K(film_K) / length


def radiative_coefficient_W_per_m2_K(surface_K: float, around_K: float, emissivity: float = 0.95) -> float:
    """Exchange with the surroundings as a coefficient: e s (T^2 + Ta^2)(T + Ta), W/(m2 K)."""
    sum_of_squares = surface_K**2 + around_K**2
    return emissivity * STEFAN_BOLTZMANN_W_per_m2_K4 * sum_of_squares * (surface_K + around_K)


def gab_moisture_ratio(activity: Value) -> Value:
    """Water held by horn in equilibrium with a water activity of 0 to 1, kg water per kg dry horn (GAB)."""
    a = _range(activity, 0.0, 1.0, "water activity", "give a ratio") * GAB_K
    return _shaped(GAB_MONOLAYER * GAB_C * a / ((1.0 - a) * (1.0 - a + GAB_C * a)), activity)


GAB_SATURATED = gab_moisture_ratio(1.0)


def gab_activity(moisture_ratio: Value) -> Value:
    """Water activity of horn holding this much water, the inverse of gab_moisture_ratio.

    moisture_ratio  0 to GAB_SATURATED (0.41); more is free water, which has an activity of 1: ValueError
    """
    x = _range(moisture_ratio, 0.0, GAB_SATURATED * (1.0 + 1e-9), "moisture ratio", "the rest is free water")
    # X (1-a)(1-a+Ca) = Xm C a, a = K activity: X (1-C) a^2 + [X (C-2) - Xm C] a + X = 0
    quadratic, linear = x * (1.0 - GAB_C), x * (GAB_C - 2.0) - GAB_MONOLAYER * GAB_C
    root = np.sqrt(linear * linear - 4.0 * quadratic * x)
    a = 2.0 * x / (-linear + root)  # the root that is 0 at X = 0, in the form that does not cancel
    return _shaped(np.minimum(a / GAB_K, 1.0), moisture_ratio)


def wetted_share(film_kg_per_m2: Value) -> Value:
    """Share of a spot that a mean film covers: all of it from 10 g/m2 up, in proportion below."""
    film = _range(film_kg_per_m2, 0.0, math.inf, "film kg/m2", "it cannot be negative")
    return _shaped(np.minimum(film / PATCHY_BELOW_kg_per_m2, 1.0), film_kg_per_m2)


@dataclass(frozen=True, slots=True, eq=False)
class Spot:
    """One spot, or a row of them: three layers of horn, its film and the water bound in its outer 40 um.

    top_K, mid_K, deep_K  temperatures of layers 0.4, 1.4 and 4 mm thick, from the surface down
    film_kg_per_m2        liquid on the surface, mean over the spot
    bound_ratio           kg water per kg dry horn in the outer 40 um, 0 to GAB_SATURATED
    """

    top_K: Array
    mid_K: Array
    deep_K: Array
    film_kg_per_m2: Array
    bound_ratio: Array


LAYERS_m = (0.4e-3, 1.4e-3, 4.0e-3)  # this project's studies: one for the surface, one per pass, one below


@dataclass(frozen=True, slots=True, eq=False)
class SpotSurroundings:
    """What acts on a row of spots during one step; every field a float or a row.

    coefficient_W_per_m2_K, air_K  convection: the jet's with the gun on, still air's with it off
    around_K                       what the surface radiates to
    air_vapour_Pa                  of ambient air; a jet of heated air has the same
    tissue_K                       below the deepest layer
    conductivity_W_per_m_K, capacity_J_per_m3_K  of horn
    rewetting_kg_per_m2_s          water coming up from inside the horn, when its outside is dry
    """

    coefficient_W_per_m2_K: float | Array
    air_K: float | Array
    around_K: float | Array
    air_vapour_Pa: float | Array
    tissue_K: float | Array
    conductivity_W_per_m_K: float | Array
    capacity_J_per_m3_K: float | Array
    rewetting_kg_per_m2_s: float | Array


def evaporating_kg_per_m2_s(spot: Spot, around: SpotSurroundings) -> Array:
    """Water leaving each spot: from its film where it is covered, from the horn elsewhere."""
    wet = np.asarray(wetted_share(spot.film_kg_per_m2))
    activity = wet + (1.0 - wet) * np.asarray(gab_activity(spot.bound_ratio))
    return np.asarray(
        evaporation_kg_per_m2_s(spot.top_K, around.coefficient_W_per_m2_K, around.air_vapour_Pa, activity)
    )


def spot_step(spot: Spot, around: SpotSurroundings, duration_s: float) -> tuple[Spot, Array]:
    """A row of spots after duration_s (0 to 1 s), and the water each lost, kg/m2; shapes (n,).

    The layers are stepped implicitly with evaporation linearised in the surface temperature; water is
    conserved exactly: what the film and the bound layer lose is what leaves.
    """
    if not 0.0 <= duration_s <= 1.0:
        raise ValueError(f"step {duration_s} s is outside 0 to 1 s: cut it into shorter ones")
    leaving = evaporating_kg_per_m2_s(spot, around)
    probe_K = 0.1
    warmer = Spot(spot.top_K + probe_K, spot.mid_K, spot.deep_K, spot.film_kg_per_m2, spot.bound_ratio)
    per_K = (evaporating_kg_per_m2_s(warmer, around) - leaving) / probe_K
    held = spot.film_kg_per_m2 + spot.bound_ratio * HORN_DRY_kg_per_m3 * BOUND_LAYER_m
    limited = leaving * duration_s > held  # the last of the water: what is left leaves, no more
    latent = np.asarray(latent_heat_J_per_kg(spot.top_K))
    rate = np.where(limited, held / max(duration_s, 1e-12), leaving)
    slope = np.where(limited, 0.0, per_K)
    h = np.asarray(around.coefficient_W_per_m2_K, dtype=np.float64)
    radiative = np.asarray(radiative_coefficient_W_per_m2_K(300.0, 300.0))  # 5.8; 12 % over 0 to 60 degC
    k, c = np.asarray(around.conductivity_W_per_m_K), np.asarray(around.capacity_J_per_m3_K)
    one, two, three = (c * thickness for thickness in LAYERS_m)
    g12 = 2.0 * k / (LAYERS_m[0] + LAYERS_m[1])
    g23 = 2.0 * k / (LAYERS_m[1] + LAYERS_m[2])
    g3t = 2.0 * k / LAYERS_m[2]
    dt = duration_s
    # backward Euler, three unknowns, eliminated from the bottom up
    d3 = three + dt * (g23 + g3t)
    r3 = three * spot.deep_K + dt * g3t * np.asarray(around.tissue_K)
    d2 = two + dt * (g12 + g23) - (dt * g23) ** 2 / d3
    r2 = two * spot.mid_K + dt * g23 * r3 / d3
    d1 = one + dt * (h + radiative + latent * slope + g12) - (dt * g12) ** 2 / d2
    gained = h * np.asarray(around.air_K) + radiative * np.asarray(around.around_K)
    r1 = one * spot.top_K + dt * (gained - latent * (rate - slope * spot.top_K)) + dt * g12 * r2 / d2
    top = r1 / d1
    mid = (r2 + dt * g12 * top) / d2
    deep = (r3 + dt * g23 * mid) / d3
    lost = np.minimum((rate + slope * (top - spot.top_K)) * dt, held)
    film = spot.film_kg_per_m2 - np.where(lost > 0.0, np.minimum(lost, spot.film_kg_per_m2), lost)
    from_bound = lost - (spot.film_kg_per_m2 - film)
    layer = HORN_DRY_kg_per_m3 * BOUND_LAYER_m
    room = (GAB_SATURATED - spot.bound_ratio) * layer + from_bound
    risen = np.minimum(np.asarray(around.rewetting_kg_per_m2_s) * dt, room)
    bound = np.clip(spot.bound_ratio + (risen - from_bound) / layer, 0.0, GAB_SATURATED)
    return Spot(top, mid, deep, film, bound), lost
