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
from itertools import pairwise
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


# Magnus formula over water, WMO-No. 8 annex 4.B
_MAGNUS_Pa, _MAGNUS_A, _MAGNUS_B = 611.2, 17.62, 243.12


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
    return _shaped(np.minimum(_activity(x), 1.0), moisture_ratio)


def _activity(moisture_ratio: Array) -> Array:
    """Inverse of GAB: X (1-a)(1-a+Ca) = Xm C a with a = K activity, the root that is 0 at X = 0."""
    linear = (2.0 - GAB_C) * moisture_ratio + GAB_MONOLAYER * GAB_C
    root = np.sqrt(linear * linear + (4.0 * (GAB_C - 1.0)) * (moisture_ratio * moisture_ratio))
    return np.asarray((2.0 / GAB_K) * moisture_ratio / (linear + root))


def resealed_activity(wait_s: float, dried_s: float) -> float:
    """Water activity of horn's surface some time after it was dried for some time: its moisture comes back.

    wait_s, dried_s  0 or more, dried_s above 0; only their ratio matters, as with any half-space
    returns          0.44 at once, 0.83 after as long as it was dried; within 0.02 of this project's studies
                     (0.67, 0.84 and 0.96 after 1/6, 1 and 15 times the drying)
    """
    ratio = float(_range(wait_s / dried_s, 0.0, math.inf, "wait over drying", "give seconds of each"))
    # what is left of a step in flux that ended, sqrt(1 + r) - sqrt(r); both constants fitted to the studies
    return 1.0 - 0.56 * math.pow(math.sqrt(1.0 + ratio) - math.sqrt(ratio), 1.3)


def seconds_to_reseal(activity: float, dried_s: float) -> float:
    """How long after drying for dried_s the surface is back at this activity (0.45 to 0.99); the inverse."""
    left = math.pow(
        (1.0 - float(_range(activity, 0.45, 0.99, "water activity", "give a ratio"))) / 0.56, 1 / 1.3
    )
    return dried_s * (0.5 * (1.0 / left - left)) ** 2


def wetted_share(film_kg_per_m2: Value) -> Value:
    """Share of a spot that a mean film covers: all of it from 10 g/m2 up, in proportion below."""
    film = _range(film_kg_per_m2, 0.0, math.inf, "film kg/m2", "it cannot be negative")
    return _shaped(np.minimum(film / PATCHY_BELOW_kg_per_m2, 1.0), film_kg_per_m2)


# Horn under one spot as a ladder of four stores: thicknesses and the distances between surface, stores and
# tissue. Fitted so that a half-space of horn under a steady coefficient of 15 to 300 W/(m2 K) is followed
# within 0.1 % from 1 to 160 s (plain layers of these thicknesses would be 5 % too warm).
LAYERS_m = (0.2715e-3, 0.6175e-3, 1.2629e-3, 2.9091e-3)
LAYER_DEPTHS_m = (0.0959e-3, 0.5264e-3, 1.4059e-3, 3.2649e-3)
CHAIN_DEPTH_m = 8.7615e-3  # where the tissue holds its temperature
_BOUND_HELD_kg_per_m2 = HORN_DRY_kg_per_m3 * BOUND_LAYER_m  # per unit of moisture ratio
# Radiation in a step is taken at its value at 300 K, 5.8 W/(m2 K); 12 % off at 0 and 60 degC.
_RADIATIVE_W_per_m2_K = 0.95 * 4.0 * STEFAN_BOLTZMANN_W_per_m2_K4 * 300.0**3


@dataclass(frozen=True, slots=True, eq=False)
class Spot:
    """A row of spots of any shape (...): four layers of horn, the film, and water in the outer 40 um.

    surface_K       shape (...), the very surface, which holds no heat
    layers_K        shape (4, ...), from the surface down
    film_kg_per_m2  shape (...), liquid on the surface, mean over the spot
    bound_ratio     shape (...), kg water per kg dry horn in the outer 40 um, 0 to GAB_SATURATED
    """

    surface_K: Array
    layers_K: Array
    film_kg_per_m2: Array
    bound_ratio: Array


@dataclass(frozen=True, slots=True, eq=False)
class SpotChain:
    """What stays from step to step, worked out once by spot_chain; every field broadcasts to (...)."""

    duration_s: float
    around_K: Array
    air_mass_fraction: Array
    rise: Array
    inner_ratio: Array
    skin: Array
    store: tuple[Array, ...]
    link: tuple[Array, ...]
    diagonal: tuple[Array, ...]
    share: tuple[Array, ...]
    from_tissue: Array


def spot_chain(
    duration_s: float,
    conductivity_W_per_m_K: Array,
    capacity_J_per_m3_K: Array,
    tissue_K: Array,
    around_K: Array,
    air_vapour_Pa: Array,
    water_diffusivity_m2_per_s: Array,
    inner_ratio: Array,
) -> SpotChain:
    """Constants of a row of spots for steps of one length.

    duration_s                  0.05 to 1 s, else ValueError
    conductivity, capacity      of horn; prior 0.28 to 0.45 W/(m K), 2.3e6 to 3.0e6 J/(m3 K)
    tissue_K, around_K          at CHAIN_DEPTH_m, and what the surface radiates to
    air_vapour_Pa               of ambient air; a jet of heated air has the same
    water_diffusivity_m2_per_s  of water in horn, prior 1e-12 to 1.5e-10 (nail: J. Cosmet. Sci. 51 (2000) 372)
    inner_ratio                 moisture of the horn below the outer 40 um, kg/kg
    """
    if not 0.05 <= duration_s <= 1.0:
        raise ValueError(f"step {duration_s} s is outside 0.05 to 1 s: cut it into shorter ones")
    dt, k = duration_s, conductivity_W_per_m_K
    store = tuple(capacity_J_per_m3_K * thickness for thickness in LAYERS_m)
    ends = (*LAYER_DEPTHS_m, CHAIN_DEPTH_m)
    link = tuple(dt * k / (below - above) for above, below in pairwise(ends))
    last = store[-1] + link[-2] + link[-1]
    diagonal, share = [last], [link[-2] / last]
    for i in range(len(store) - 2, 0, -1):
        diagonal.insert(0, store[i] + link[i - 1] + link[i] * (1.0 - share[0]))
        share.insert(0, link[i - 1] / diagonal[0])
    return SpotChain(
        duration_s,
        around_K,
        np.asarray(vapour_mass_fraction(air_vapour_Pa)),
        np.minimum(dt * water_diffusivity_m2_per_s / BOUND_LAYER_m**2, 1.0),
        inner_ratio,
        k / LAYER_DEPTHS_m[0],
        store,
        link,
        tuple(diagonal),
        tuple(share),
        link[-1] * tissue_K,
    )


def spot_chain_part(chain: SpotChain, part: slice) -> SpotChain:
    """The chain of some of the spots of a row."""
    cut = {
        name: tuple(value[part] for value in values)
        for name, values in (("store", chain.store), ("link", chain.link), ("diagonal", chain.diagonal))
    }
    return SpotChain(
        chain.duration_s,
        chain.around_K[part],
        chain.air_mass_fraction[part],
        chain.rise[part],
        chain.inner_ratio[part],
        chain.skin[part],
        cut["store"],
        cut["link"],
        cut["diagonal"],
        tuple(value[part] for value in chain.share),
        chain.from_tissue[part],
    )


def spot_step(
    spot: Spot, chain: SpotChain, coefficient_W_per_m2_K: float | Array, gas_K: float | Array
) -> tuple[Spot, Array, Array]:
    """A row of spots after one step of the chain's length.

    coefficient_W_per_m2_K, gas_K  of the jet with the gun on, of still air with it off
    returns  the spots; the water each gave off and the water that rose into its outer horn, kg/m2

    The layers are stepped implicitly, with evaporation linearised in the surface temperature. Water is
    conserved exactly: film and bound water change by what rose less what left.
    """
    dt, film, bound = chain.duration_s, spot.film_kg_per_m2, spot.bound_ratio
    celsius = spot.surface_K - ICE_POINT_K
    # WMO-No. 8 Magnus formula, within 0.3 % of the full equation from -30 to 60 degC, and its slope
    spread = celsius + _MAGNUS_B
    wet = np.minimum(film * (1.0 / PATCHY_BELOW_kg_per_m2), 1.0)
    dry_activity = _activity(bound)
    vapour = (dry_activity + wet * (1.0 - dry_activity)) * np.exp(_MAGNUS_A * celsius / spread)
    vapour *= _MAGNUS_Pa
    inner = MOLAR_MASS_RATIO * vapour / (STANDARD_PRESSURE_Pa - (1.0 - MOLAR_MASS_RATIO) * vapour)
    conductance = coefficient_W_per_m2_K * (1.0 / (_AIR_CP_J_per_kg_K * LEWIS_TWO_THIRDS))
    # ln((1 - a)/(1 - b)) = 2 (b - a)/(2 - a - b) to 1e-4 of itself below 60 degC
    leaving = (2.0 * conductance) * (inner - chain.air_mass_fraction)
    leaving /= 2.0 - chain.air_mass_fraction - inner
    held = film + bound * _BOUND_HELD_kg_per_m2
    most = held * (1.0 / dt)
    # the last of the water: what is left leaves, no more, whatever the temperature
    slope = conductance * inner * (leaving < most)
    slope /= spread * spread
    slope *= _MAGNUS_A * _MAGNUS_B
    leaving = np.minimum(leaving, most)
    latent = _LATENT_0_J_per_kg - _LATENT_SLOPE_J_per_kg_K * celsius
    # gain - outward T at the surface, linearised; then through half a layer to the middle of the first
    outward = latent * slope + (coefficient_W_per_m2_K + _RADIATIVE_W_per_m2_K)
    gain = (slope * spot.surface_K - leaving) * latent
    gain += coefficient_W_per_m2_K * gas_K + _RADIATIVE_W_per_m2_K * chain.around_K
    through = chain.skin / (chain.skin + outward)
    right = [store * layer for store, layer in zip(chain.store, spot.layers_K, strict=True)]
    right[-1] += chain.from_tissue
    for i in range(len(right) - 1, 0, -1):
        right[i - 1] += chain.share[i - 1] * right[i]
    diagonal = chain.store[0] + chain.link[0] * (1.0 - chain.share[0])
    through_dt = dt * through
    layers = np.empty_like(spot.layers_K)
    np.divide(right[0] + through_dt * gain, diagonal + through_dt * outward, out=layers[0])
    for i in range(1, len(right)):
        np.divide(right[i], chain.diagonal[i - 1], out=layers[i])
        layers[i] += chain.share[i - 1] * layers[i - 1]
    surface = through * (gain / chain.skin + layers[0])
    lost = np.minimum((leaving + slope * (surface - spot.surface_K)) * dt, held)
    after = np.maximum(film - lost, 0.0)
    ratio = bound - (lost - film + after) * (1.0 / _BOUND_HELD_kg_per_m2)
    missing = np.maximum(chain.inner_ratio - ratio, 0.0)
    risen = missing * chain.rise
    return Spot(surface, layers, after, np.maximum(ratio, 0.0) + risen), lost, risen * _BOUND_HELD_kg_per_m2
