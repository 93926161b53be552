"""The true sole of a simulated foot: heat and water in a column of horn under each scanned spot.

Each spot is one column from the tissue (node 0) to the surface (last node), explicit finite volumes with
a node on either face, all spots of a foot advanced together. Water sits in two places: a liquid film,
which covers the spot whole until it thins and breaks up, and the outer horn, which gives its water up
more slowly and wets the surface again from below (resealing).

Heat of the film itself and heat carried by vapour and seeping water are neglected: a film of 40 g/m2
holds as much heat as 0.07 mm of horn. Liquid water below 0 degC is not modelled.

This model shares no code with the estimators that judge it.

sources: horn and tissue values as in the project's parameter table (conductivity 0.28 to 0.45 W/mK,
density 1150 to 1250 kg/m3, heat capacity 2000 to 2400 J/kgK; from memory); evaporation by the
Chilton-Colburn analogy, Lewis number to the two thirds 0.90 (from memory); saturation pressure WMO-No. 8
Annex 4.B; sorption GAB with the nail data of J. Cosmet. Sci. 58:1; water diffusivity prior 1e-12 to
1.5e-10 m2/s (nail, J. Cosmet. Sci. 51:372).
"""

from __future__ import annotations

import math
from dataclasses import dataclass

import numpy as np
from numpy.typing import NDArray

from hoofsense.physics.constants import ICE_POINT_K, STANDARD_PRESSURE_Pa, STEFAN_BOLTZMANN_W_per_m2_K4

Floats = NDArray[np.float64]

HORN_CONDUCTIVITY_W_per_m_K = 0.35
HORN_DENSITY_kg_per_m3 = 1250.0
HORN_HEAT_CAPACITY_J_per_kg_K = 2000.0
HORN_CELL_m = 0.4e-3  # explicit steps stay stable: diffusion number 0.22
STEP_s = 0.25
FEWEST_CELLS = 4
HORN_EMISSIVITY = 0.95  # assumption: no published value for hoof horn was found
TISSUE_COEFFICIENT_W_per_m2_K = 40.0  # from memory, plausible 10 to 100

LEWIS_TWO_THIRDS = 0.90  # water vapour in air, from memory
MOIST_AIR_HEAT_CAPACITY_J_per_kg_K = 1006.0  # dry air; the vapour's share is added with the humidity
VAPOUR_HEAT_CAPACITY_J_per_kg_K = 1860.0
LATENT_HEAT_AT_ICE_POINT_J_per_kg = 2.501e6  # ASHRAE Fundamentals 2017 ch. 1
LATENT_HEAT_SLOPE_J_per_kg_K = -2381.0  # 2501 - 2.381 t kJ/kg, same source
VAPOUR_TO_AIR_MOLAR_MASS_RATIO = 0.621945

FULL_COVER_kg_per_m2 = 5e-3  # assumption: a film thinner than 5 um breaks up into patches

MAGNUS_Pa = 611.2  # WMO-No. 8 Annex 4.B, over water
MAGNUS_SLOPE = 17.62
MAGNUS_OFFSET_K = 243.12
BOILING_LIMIT_K = 370.0  # saturation is not followed above: horn that hot is dry

LAYERS_m = np.array([20e-6, 30e-6, 60e-6, 120e-6, 250e-6])  # outer horn, surface first
DRY_HORN_DENSITY_kg_per_m3 = 840.0  # 1250 kg/m3 at 33 % water by weight
WATER_DIFFUSIVITY_m2_per_s = 5e-11  # inside the prior 1e-12 to 1.5e-10
DEEP_WATER_kg_per_kg = 0.40  # dry basis; 29 % by weight, the wall's 29.5 % (Hampson 2012, AJVR 73:435)
GAB_MONOLAYER_kg_per_kg = 0.085
GAB_C = 10.0
GAB_K = 0.80

DOSE_REFERENCE_K = 43.0 + ICE_POINT_K  # CEM43, Sapareto & Dewey 1984
DOSE_RATIO_ABOVE = 0.5
DOSE_RATIO_BELOW = 0.25
SECONDS_PER_MINUTE = 60.0


def saturation_pressure_Pa(temperature_K: Floats | float) -> Floats:
    """Saturation vapour pressure over liquid water, Pa, any shape (WMO-No. 8 Annex 4.B, Magnus form)."""
    celsius = np.asarray(temperature_K) - ICE_POINT_K
    return np.asarray(MAGNUS_Pa * np.exp(MAGNUS_SLOPE * celsius / (MAGNUS_OFFSET_K + celsius)))


def humidity_ratio(vapour_pressure_Pa: Floats | float) -> Floats:
    """Mass of vapour to mass of dry air at standard pressure, any shape."""
    vapour = np.asarray(vapour_pressure_Pa)
    return np.asarray(VAPOUR_TO_AIR_MOLAR_MASS_RATIO * vapour / (STANDARD_PRESSURE_Pa - vapour))


def sorbed_water_kg_per_kg(water_activity: Floats) -> Floats:
    """Water held by horn, dry basis, at a water activity of 0 to 1 (GAB isotherm)."""
    ka = GAB_K * water_activity
    return GAB_MONOLAYER_kg_per_kg * GAB_C * ka / ((1.0 - ka) * (1.0 - ka + GAB_C * ka))


_ACTIVITY = np.linspace(0.0, 1.0, 201)
_SORBED = sorbed_water_kg_per_kg(_ACTIVITY)
SATURATED_WATER_kg_per_kg = float(_SORBED[-1])


def water_activity(sorbed_kg_per_kg: Floats) -> Floats:
    """Water activity, 0 to 1, of horn holding this much water; 1 for anything beyond saturation."""
    return np.asarray(np.interp(sorbed_kg_per_kg, _SORBED, _ACTIVITY))


def dose_rate_min_per_s(tissue_K: float) -> float:
    """Cumulative equivalent minutes at 43 degC gained per second at this temperature."""
    ratio = DOSE_RATIO_ABOVE if tissue_K >= DOSE_REFERENCE_K else DOSE_RATIO_BELOW
    return float(ratio ** (DOSE_REFERENCE_K - tissue_K)) / SECONDS_PER_MINUTE


@dataclass(frozen=True, slots=True)
class Surroundings:
    """What every foot stands in: air, walls and ground, and the humidity ratio of the air."""

    air_K: float
    radiant_K: float
    humidity_ratio: float
    still_W_per_m2_K: float


@dataclass(frozen=True, slots=True)
class HotAir:
    """A hot-air gun as the spots feel it. strength: its share, 0 to 1, at each spot of SCAN_SITES."""

    jet_K: float
    jet_W_per_m2_K: float
    nozzle_K: float
    nozzle_view: float  # part of a spot's hemisphere the nozzle fills where strength is 1
    strength: tuple[float, ...]


@dataclass(frozen=True, slots=True)
class SoleProperties:
    """The horn of one foot as it truly is."""

    horn_m: float
    tissue_K: float
    film_kg_per_m2: tuple[float, ...]  # by spot, at pick-up
    seep_kg_per_m2_s: tuple[float, ...]  # by spot: liquid coming out of a crack or groove
    outer_water_kg_per_kg: float = DEEP_WATER_kg_per_kg  # outer horn at pick-up, dry basis
    emissivity: float = HORN_EMISSIVITY
    tissue_W_per_m2_K: float = TISSUE_COEFFICIENT_W_per_m2_K


class SoleColumns:
    """Heat and water of all scanned spots of one foot, with ledgers of what crossed its boundaries.

    surface_K, quick_K          shape (spots,), K
    film_kg_per_m2              shape (spots,)
    energy_in_J_per_m2          net heat taken in through both faces so far, evaporation counted out
    evaporated_kg_per_m2        water lost to the air so far
    drawn_kg_per_m2             water that came up from deeper horn and from grooves so far
    """

    def __init__(self, properties: SoleProperties, around: Surroundings, settle_s: float = 60.0) -> None:
        spots = len(properties.film_kg_per_m2)
        if spots != len(properties.seep_kg_per_m2_s) or not properties.horn_m > 0.0:
            raise ValueError(
                f"{spots} films, {len(properties.seep_kg_per_m2_s)} seeps and {properties.horn_m} m of horn "
                "do not make a foot: give one film and one seep for each spot, and a thickness above 0"
            )
        self.properties = properties
        cells = max(FEWEST_CELLS, round(properties.horn_m / HORN_CELL_m))
        cell_m = properties.horn_m / cells
        self.conductance_W_per_m2_K = HORN_CONDUCTIVITY_W_per_m_K / cell_m
        capacity = np.full(cells + 1, HORN_DENSITY_kg_per_m3 * HORN_HEAT_CAPACITY_J_per_kg_K * cell_m)
        capacity[[0, -1]] *= 0.5
        self.capacity_J_per_m2_K: Floats = capacity
        self._seep = np.array(properties.seep_kg_per_m2_s)
        self._layer_kg_per_m2 = LAYERS_m * DRY_HORN_DENSITY_kg_per_m3
        reach = np.append(0.5 * (LAYERS_m[:-1] + LAYERS_m[1:]), LAYERS_m[-1])
        self._layer_conductance = WATER_DIFFUSIVITY_m2_per_s * DRY_HORN_DENSITY_kg_per_m3 / reach
        self._wetting = WATER_DIFFUSIVITY_m2_per_s * DRY_HORN_DENSITY_kg_per_m3 / (0.5 * LAYERS_m[0])
        self.temperature_K: Floats = self._steady_K(spots, cells, around)
        self._start_water()
        for _ in range(round(settle_s / STEP_s)):  # let the wet surface find its own temperature
            self.advance(STEP_s, around, None)
        self._start_water()

    def _steady_K(self, spots: int, cells: int, around: Surroundings) -> Floats:
        """Bare dry sole in still air, steady: the starting guess that settling then corrects."""
        p = self.properties
        outward = (
            around.still_W_per_m2_K + 4.0 * p.emissivity * STEFAN_BOLTZMANN_W_per_m2_K4 * around.air_K**3
        )
        horn = p.horn_m / HORN_CONDUCTIVITY_W_per_m_K
        if p.tissue_W_per_m2_K == 0.0:
            return np.full((spots, cells + 1), around.air_K)
        flux = (p.tissue_K - around.air_K) / (1.0 / p.tissue_W_per_m2_K + horn + 1.0 / outward)
        inner = p.tissue_K - flux / p.tissue_W_per_m2_K
        return np.tile(inner - flux * horn * np.linspace(0.0, 1.0, cells + 1), (spots, 1))

    def _start_water(self) -> None:
        spots = len(self.properties.film_kg_per_m2)
        self.film_kg_per_m2: Floats = np.array(self.properties.film_kg_per_m2)
        self.sorbed_kg_per_kg: Floats = np.full((spots, len(LAYERS_m)), self.properties.outer_water_kg_per_kg)
        self.energy_in_J_per_m2: Floats = np.zeros(spots)
        self.evaporated_kg_per_m2: Floats = np.zeros(spots)
        self.drawn_kg_per_m2: Floats = np.zeros(spots)
        self.quick_dose_min = 0.0
        self.quick_peak_K = float(self.quick_K.max())
        self.surface_peak_K = float(self.surface_K.max())

    @property
    def surface_K(self) -> Floats:
        return np.asarray(self.temperature_K[:, -1])

    @property
    def quick_K(self) -> Floats:
        return np.asarray(self.temperature_K[:, 0])

    def stored_energy_J_per_m2(self) -> Floats:
        """Sensible heat held above 0 K, shape (spots,)."""
        return np.asarray(self.temperature_K @ self.capacity_J_per_m2_K)

    def stored_water_kg_per_m2(self) -> Floats:
        """Film and outer horn together, shape (spots,)."""
        return np.asarray(self.film_kg_per_m2 + self.sorbed_kg_per_kg @ self._layer_kg_per_m2)

    def cover_ratio(self) -> Floats:
        """Part of each spot that liquid water covers, 0 to 1, shape (spots,)."""
        return np.minimum(1.0, self.film_kg_per_m2 / FULL_COVER_kg_per_m2)

    def advance(self, step_s: float, around: Surroundings, gun: HotAir | None) -> None:
        """Move every spot on by step_s (0.3 s at most keeps the explicit step stable)."""
        p = self.properties
        T = self.temperature_K
        surface = T[:, -1]
        still = around.still_W_per_m2_K
        h: Floats | float = still
        heat = still * (around.air_K - surface)
        radiant = around.radiant_K**4 - surface**4
        if gun is not None:
            strength = np.asarray(gun.strength)
            blown = strength * gun.jet_W_per_m2_K
            h = still + blown
            heat = heat + blown * (gun.jet_K - surface)
            radiant = radiant + strength * gun.nozzle_view * (gun.nozzle_K**4 - around.radiant_K**4)
        from_film, from_horn = self._evaporation(surface, h, around)
        latent = LATENT_HEAT_AT_ICE_POINT_J_per_kg + LATENT_HEAT_SLOPE_J_per_kg_K * (surface - ICE_POINT_K)
        heat = heat + p.emissivity * STEFAN_BOLTZMANN_W_per_m2_K4 * radiant - latent * (from_film + from_horn)
        tissue = p.tissue_W_per_m2_K * (p.tissue_K - T[:, 0])
        flux = self.conductance_W_per_m2_K * (T[:, :-1] - T[:, 1:])
        gain = np.empty_like(T)
        gain[:, 0] = tissue - flux[:, 0]
        gain[:, 1:-1] = flux[:, :-1] - flux[:, 1:]
        gain[:, -1] = flux[:, -1] + heat
        T += gain * (step_s / self.capacity_J_per_m2_K)
        self.energy_in_J_per_m2 += (heat + tissue) * step_s
        self._move_water(step_s, from_film, from_horn)
        quick_K = float(T[:, 0].max())
        self.quick_dose_min += dose_rate_min_per_s(quick_K) * step_s
        self.quick_peak_K = max(self.quick_peak_K, quick_K)
        self.surface_peak_K = max(self.surface_peak_K, float(T[:, -1].max()))

    def _evaporation(
        self, surface_K: Floats, h: Floats | float, around: Surroundings
    ) -> tuple[Floats, Floats]:
        """Water leaving the film and leaving bare horn, each kg/m2/s, shape (spots,).

        Chilton-Colburn on the mass fraction of vapour, with the outflow's own wind: the driving force is
        ln((1 + W surface) / (1 + W air)), W the humidity ratio. Vapour may also condense (negative).
        """
        saturated = saturation_pressure_Pa(np.minimum(surface_K, BOILING_LIMIT_K))
        wet = np.log1p(humidity_ratio(saturated)) - math.log1p(around.humidity_ratio)
        bound = saturated * water_activity(self.sorbed_kg_per_kg[:, 0])
        damp = np.log1p(humidity_ratio(bound)) - math.log1p(around.humidity_ratio)
        heat_capacity = (
            MOIST_AIR_HEAT_CAPACITY_J_per_kg_K + VAPOUR_HEAT_CAPACITY_J_per_kg_K * around.humidity_ratio
        )
        transfer = h / (heat_capacity * LEWIS_TWO_THIRDS)
        cover = self.cover_ratio()
        return np.asarray(transfer * cover * wet), np.asarray(transfer * (1.0 - cover) * damp)

    def _move_water(self, step_s: float, from_film: Floats, from_horn: Floats) -> None:
        sorbed = self.sorbed_kg_per_kg
        soaked = self.cover_ratio() * self._wetting * (SATURATED_WATER_kg_per_kg - sorbed[:, 0])
        rising = np.empty_like(sorbed)  # up into each layer from the one below it
        rising[:, :-1] = sorbed[:, 1:] - sorbed[:, :-1]
        rising[:, -1] = DEEP_WATER_kg_per_kg - sorbed[:, -1]
        rising *= self._layer_conductance
        gain = rising.copy()
        gain[:, 1:] -= rising[:, :-1]
        gain[:, 0] += soaked - from_horn
        sorbed += gain * (step_s / self._layer_kg_per_m2)
        self.film_kg_per_m2 += (self._seep - from_film - soaked) * step_s
        self.evaporated_kg_per_m2 += (from_film + from_horn) * step_s
        self.drawn_kg_per_m2 += (self._seep + rising[:, -1]) * step_s
