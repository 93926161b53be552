"""Invented wet soles, finer than any estimator: heat and moisture in one dimension, several patches a spot.

Each foot has five sites; each site a spot of four patches, each a column of 18 cells of horn for heat and 14
for moisture, with its own film. The gun sweeps; the operator's gain, the film, the horn, the thermometer's
bias, noise, dropouts and the nozzle's reflection are drawn per foot. Everything here is invented; trade facts
in the ranges are common practice without a source.
"""

from __future__ import annotations

from dataclasses import dataclass, replace

import numpy as np
from numpy.typing import NDArray

from hoofsense.physics.drying_kinetics import (
    GAB_SATURATED,
    HORN_DRY_kg_per_m3,
    evaporation_kg_per_m2_s,
    gab_activity,
    latent_heat_J_per_kg,
)
from hoofsense.physics.psychrometrics import vapour_pressure_Pa
from hoofsense.records import SCAN_SITES, Site

Array = NDArray[np.float64]

STEP_S = 0.125
READ_EVERY = 2  # steps between readings: 4 readings a second
PATCHES = 4
BASELINE_S, PASS_S, GAP_S = 10.0, 22.0, 18.0
LATE_S = 8.0  # of each gap: from here each site is read once more
EASE_OFF_K = 330.0  # the operator turns away from a site this hot
RADIATIVE_W_per_m2_K = 5.7
_HEAT_CELLS, _HEAT_FIRST_m, _HEAT_GROWTH = 18, 1e-4, 1.25
_WATER_CELLS, _WATER_FIRST_m, _WATER_GROWTH = 14, 4e-6, 1.35


@dataclass(frozen=True, slots=True)
class Scenario:
    """Ranges one kind of day is drawn from (uniform unless said). Temperatures in degC for reading's sake.

    film_g         mean film of the open sole, g/m2; sulci hold groove_times as much
    groove_gain    heat reaching the sulci against the open sole
    patchiness     standard deviation of the logarithm of the film between the patches of one spot
    pass_gain      the operator's gain at the first and the last pass
    creep_g_per_s  water creeping into one patch of one sulcus
    unseen         one patch of each sulcus lies outside the thermometer's spot
    gun_marked     the gun's switches are marked; else the estimator has to guess them
    limitation     what no thermometer can see: reported, and left out of the pooled row
    """

    name: str
    air_degC: tuple[float, float] = (5.0, 25.0)
    humidity: tuple[float, float] = (0.4, 0.8)
    jet_degC: tuple[float, float] = (75.0, 135.0)
    coefficient: tuple[float, float] = (35.0, 80.0)
    film_g: tuple[float, float] = (3.0, 40.0)
    groove_times: tuple[float, float] = (1.0, 2.0)
    groove_gain: tuple[float, float] = (0.55, 0.95)
    patchiness: float = 0.35
    bias_K: float = 0.7
    noise_K: float = 0.3
    pass_gain: tuple[float, float] = (1.0, 1.0)
    creep_g_per_s: tuple[float, float] = (0.0, 0.0)
    unseen: bool = False
    humidity_known: bool = True
    gun_marked: bool = True
    limitation: bool = False


NOMINAL = Scenario("nominal")
SCENARIOS = (
    NOMINAL,
    replace(NOMINAL, name="cold damp", air_degC=(-5.0, 8.0), humidity=(0.8, 0.98)),
    replace(NOMINAL, name="hot dry", air_degC=(28.0, 38.0), humidity=(0.15, 0.4)),
    replace(NOMINAL, name="biased", bias_K=2.5),
    replace(NOMINAL, name="no humidity", humidity_known=False),
    replace(NOMINAL, name="groove scanned", groove_times=(2.0, 4.0), groove_gain=(0.35, 0.6)),
    replace(
        NOMINAL,
        name="groove not scanned",
        groove_times=(2.0, 4.0),
        groove_gain=(0.35, 0.6),
        unseen=True,
        limitation=True,
    ),
    replace(NOMINAL, name="operator gain", pass_gain=(0.75, 1.3)),
    replace(NOMINAL, name="creep", creep_g_per_s=(0.05, 0.4)),
    replace(NOMINAL, name="already dry", film_g=(0.0, 0.0)),
    replace(NOMINAL, name="gun not marked", gun_marked=False),
    replace(NOMINAL, name="patchy spots", patchiness=0.9, limitation=True),
)


@dataclass(frozen=True, slots=True, eq=False)
class Truth:
    """What really happened to a row of feet, and what the thermometer would have shown at each site.

    shown_K   (steps, feet, sites) reading of each site had it been read then; NaN where it dropped out
    film      (steps, feet, sites) mean film of the spot, kg/m2
    gun_on    (steps,)
    """

    at_s: Array
    gun_on: NDArray[np.bool_]
    shown_K: Array
    surface_K: Array
    film: Array
    air_K: Array
    humidity: Array


def _layout(cells: int, first_m: float, growth: float) -> tuple[Array, Array]:
    width = first_m * growth ** np.arange(cells)
    return width, 0.5 * (width[:-1] + width[1:])


class _Columns:
    """Implicit steps of many columns with constant properties; only the top cell's balance changes.

    Eliminated from the bottom up once, so a step is two short sweeps.
    """

    def __init__(self, store: Array, link: Array, bottom: Array, step_s: float) -> None:
        self.store, self.link, self.bottom, self.dt = store, link, bottom, step_s
        cells = store.shape[0]
        self.diagonal = np.empty_like(store)
        self.diagonal[-1] = store[-1] + step_s * (link[-1] + bottom)
        for i in range(cells - 2, 0, -1):
            self.diagonal[i] = store[i] + step_s * (link[i - 1] + link[i])
            self.diagonal[i] -= (step_s * link[i]) ** 2 / self.diagonal[i + 1]
        self.share = step_s * link / self.diagonal[1:]

    def stepped(self, values: Array, bottom_value: Array, top_extra: Array, top_gain: Array) -> Array:
        """New values; top balance: store dT = dt (top_gain - top_extra T - conduction)."""
        right = self.store * values
        right[-1] += self.dt * self.bottom * bottom_value
        for i in range(values.shape[0] - 1, 0, -1):
            right[i - 1] += self.share[i - 1] * right[i]
        top = self.store[0] + self.dt * (self.link[0] * (1.0 - self.share[0]) + top_extra)
        new = np.empty_like(values)
        new[0] = (right[0] + self.dt * top_gain) / top
        for i in range(1, values.shape[0]):
            new[i] = right[i] / self.diagonal[i] + self.share[i - 1] * new[i - 1]
        return new


def simulated(scenario: Scenario, feet: int, passes: int, generator: np.random.Generator) -> Truth:
    """A row of feet of one scenario, heated for a number of passes by the protocol of the guided scan."""
    sites = len(SCAN_SITES)
    shape = (feet, sites, PATCHES)

    def drawn(low: float, high: float, size: tuple[int, ...]) -> Array:
        return generator.uniform(low, high, size)

    foot = (feet, 1, 1)
    air_K = drawn(*scenario.air_degC, foot) + 273.15
    humidity = drawn(*scenario.humidity, foot)
    vapour = np.asarray(vapour_pressure_Pa(air_K, humidity))
    jet_K = drawn(*scenario.jet_degC, foot) + 273.15
    sulcus = np.array([site in (Site.MEDIAL_SULCUS, Site.LATERAL_SULCUS) for site in SCAN_SITES])[
        None, :, None
    ]
    reach = np.where(
        sulcus, drawn(*scenario.groove_gain, (feet, sites, 1)), drawn(0.8, 1.2, (feet, sites, 1))
    )
    coefficient = drawn(*scenario.coefficient, foot) * reach * drawn(0.9, 1.1, shape)
    gain = np.linspace(*scenario.pass_gain, passes)[:, None] * drawn(0.88, 1.12, (passes, feet))
    still = drawn(5.0, 12.0, foot)
    tissue_K = np.clip(air_K - 273.15, -10, 40) * 0.6 + drawn(10.0, 18.0, foot) + 273.15
    start_K = tissue_K - drawn(0.3, 0.7, foot) * (tissue_K - air_K) + drawn(-1.0, 1.0, (feet, sites, 1))

    wet_g = drawn(*scenario.film_g, foot) * np.where(
        sulcus, drawn(*scenario.groove_times, (feet, sites, 1)), 1.0
    )
    film = 1e-3 * wet_g * np.exp(generator.normal(0.0, scenario.patchiness, shape))
    weight = generator.dirichlet(np.full(PATCHES, 3.0), (feet, sites))
    seen = weight.copy()
    if scenario.unseen:
        seen[:, sulcus[0, :, 0], 0] = 0.0
        seen /= seen.sum(axis=-1, keepdims=True)
    creep = np.zeros(shape)
    creep_at = generator.integers(3, sites, feet)
    creep[np.arange(feet), creep_at, 0] = 1e-3 * drawn(*scenario.creep_g_per_s, (feet,))

    conductivity = drawn(0.28, 0.45, foot)
    capacity = conductivity / drawn(1.0e-7, 1.6e-7, foot)
    width, apart = _layout(_HEAT_CELLS, _HEAT_FIRST_m, _HEAT_GROWTH)
    ones = np.ones(shape)
    store = width[:, None, None, None] * (capacity * ones)
    link = (conductivity * ones) / apart[:, None, None, None]
    heat = _Columns(store, link, conductivity * ones / (0.5 * width[-1]), STEP_S)
    depth = np.cumsum(width)[:, None, None, None] / width.sum()
    temperature = start_K + (tissue_K - start_K) * depth * ones

    diffusivity = 10.0 ** drawn(-12.0, -9.85, foot)
    inner = drawn(0.30, 0.40, foot)
    water_width, water_apart = _layout(_WATER_CELLS, _WATER_FIRST_m, _WATER_GROWTH)
    water_store = HORN_DRY_kg_per_m3 * water_width[:, None, None, None] * ones
    water_link = HORN_DRY_kg_per_m3 * (diffusivity * ones) / water_apart[:, None, None, None]
    water_face = HORN_DRY_kg_per_m3 * (diffusivity * ones) / (0.5 * water_width[0])
    water = _Columns(
        water_store, water_link, HORN_DRY_kg_per_m3 * diffusivity * ones / (0.5 * water_width[-1]), STEP_S
    )
    damp = np.where(film > 0.0, GAB_SATURATED, drawn(0.08, 0.2, (feet, sites, 1)))
    moisture = np.broadcast_to(inner, (_WATER_CELLS, *shape)).copy()
    moisture[:7] = damp + (inner - damp) * np.linspace(0.0, 1.0, 7)[:, None, None, None]

    emissivity = drawn(0.93, 0.97, (feet, 1))
    bias = generator.normal(0.0, scenario.bias_K, (feet, 1))
    nozzle = drawn(0.0, 0.03, (feet, 1))
    sweep_s, phase = drawn(2.0, 5.0, foot), drawn(0.0, 2.0 * np.pi, (feet, sites, 1))
    around_K = air_K[:, :, 0]

    steps = round((BASELINE_S + passes * (PASS_S + GAP_S)) / STEP_S)
    at_s = np.arange(1, steps + 1) * STEP_S
    into = at_s - BASELINE_S - 1e-9
    gun_on = (into >= 0.0) & (np.mod(into, PASS_S + GAP_S) < PASS_S)
    number = np.clip(into // (PASS_S + GAP_S), 0, passes - 1).astype(int)
    kept = steps // READ_EVERY
    shown, surface, films = (np.empty((kept, feet, sites)) for _ in range(3))
    eased = np.zeros((feet, sites, 1), dtype=bool)
    for step in range(steps):
        if gun_on[step]:
            swing = 1.0 + 0.6 * np.sin(2.0 * np.pi * at_s[step] / sweep_s + phase)
            h = coefficient * gain[number[step]][:, None, None] * swing * np.where(eased, 0.15, 1.0)
            h = np.maximum(h, still)
            gas_K = jet_K
        else:
            h, gas_K = still * ones, air_K
        top = temperature[0]
        covered = film > 0.0
        activity = np.where(covered, 1.0, gab_activity(np.minimum(moisture[0], GAB_SATURATED)))
        leaving = evaporation_kg_per_m2_s(top, h, vapour, activity)
        warmer = evaporation_kg_per_m2_s(top + 0.1, h, vapour, activity)
        held = np.where(covered, film, 0.3 * moisture[0] * water_store[0])
        leaving = np.minimum(leaving, held / STEP_S)
        slope = np.where(leaving * STEP_S < held, (warmer - leaving) / 0.1, 0.0)
        latent = latent_heat_J_per_kg(top)
        extra = h + RADIATIVE_W_per_m2_K + latent * np.maximum(slope, 0.0)
        gained = h * gas_K + RADIATIVE_W_per_m2_K * air_K - latent * (leaving - np.maximum(slope, 0.0) * top)
        temperature = heat.stepped(temperature, tissue_K, extra, gained)
        soaked = np.where(covered, water_face, 0.0)
        taken = np.where(covered, 0.0, -leaving)
        moisture = water.stepped(moisture, inner, soaked, soaked * GAB_SATURATED + taken)
        moisture[0] = np.minimum(moisture[0], GAB_SATURATED)
        uptake = soaked * np.maximum(GAB_SATURATED - moisture[0], 0.0)
        change = np.where(covered | (leaving < 0.0), -leaving - uptake, 0.0) + creep
        film = np.maximum(film + change * STEP_S, 0.0)
        if (step + 1) % READ_EVERY == 0:
            row = step // READ_EVERY
            spot_K = np.sum(seen * temperature[0], axis=-1)
            share = nozzle if gun_on[step] else 0.0
            mirrored = (1.0 - share) * around_K**4 + share * 573.15**4
            seen4 = emissivity * spot_K**4 + (1.0 - emissivity) * mirrored
            indicated = ((seen4 - 0.05 * around_K**4) / 0.95) ** 0.25
            surface[row] = spot_K
            shown[row] = indicated + bias + generator.normal(0.0, scenario.noise_K, spot_K.shape)
            films[row] = np.sum(weight * film, axis=-1)
            eased = (spot_K > np.where(eased[:, :, 0], EASE_OFF_K - 4.0, EASE_OFF_K))[:, :, None]
    dropped = generator.random(shown.shape) < 0.05
    shown = np.where(dropped, np.nan, np.round(shown, 1))
    return Truth(
        at_s[READ_EVERY - 1 :: READ_EVERY],
        gun_on[READ_EVERY - 1 :: READ_EVERY],
        shown,
        surface,
        films,
        air_K[:, 0, 0],
        humidity[:, 0, 0],
    )


def site_under_thermometer(at_s: float) -> int:
    """Index of the site the guided scan has under the thermometer at a time: each in turn, in each phase."""
    sites = len(SCAN_SITES)
    if at_s < BASELINE_S:
        return min(int(at_s / BASELINE_S * sites), sites - 1)
    into = (at_s - BASELINE_S) % (PASS_S + GAP_S)
    for start, length in ((0.0, PASS_S), (PASS_S, LATE_S), (PASS_S + LATE_S, GAP_S - LATE_S)):
        if into < start + length:
            return min(int((into - start) / length * sites), sites - 1)
    return sites - 1
