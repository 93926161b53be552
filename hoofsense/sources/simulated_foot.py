"""The feet of a simulated visit, as they truly are: soles while they are dried, fills while they cure."""

from __future__ import annotations

import math
from dataclasses import dataclass, field

import numpy as np

from hoofsense.physics.constants import ICE_POINT_K
from hoofsense.records import NS_PER_S, SCAN_SITES, Foot, MaterialProfile, Site
from hoofsense.sources.simulated_instruments import FILM_SHARE
from hoofsense.sources.simulated_pad import (
    PAD_EMISSIVITY,
    COVER_m2_K_per_W,
    PadColumn,
    kinetics_of,
    tissue_K,
)
from hoofsense.sources.simulated_practitioner import Hands
from hoofsense.sources.simulated_scenarios import FootPlan, Scenario
from hoofsense.sources.simulated_sole import (
    Floats,
    HotAir,
    SoleColumns,
    SoleProperties,
    STEP_s,
    Surroundings,
    humidity_ratio,
    saturation_pressure_Pa,
)
from hoofsense.units import si_from

SECONDS_PER_HOUR = 3600.0
GRAMS_PER_kg = 1000.0
DEGREE_EVERY_s = 10.0  # how often the truth notes the degree of cure

GUN_BESIDE = 0.55  # share of the jet that reaches spots beside the one pointed at: assumption, swept by hand
GUN_BESIDE_CARELESS = 0.8  # held close and turned over the whole sole
NOZZLE_K = 300.0 + ICE_POINT_K
NOZZLE_VIEW = 0.01  # part of a spot's hemisphere the nozzle fills
SEEN_DRY_kg_per_m2 = 1e-3  # a thinner film does not glisten: assumption

# How much one visit differs from another of the same plan (standard deviations, invented).
FILM_SPREAD = 0.10
JET_SPREAD = 0.03
BATCH_SPREAD = 0.05
ENERGY_SPREAD_J_per_mol = 1500.0
FLICKER_K = 0.15  # slow waves of the air temperature
FLICKER_PERIOD_s = 420.0


@dataclass(frozen=True, slots=True)
class LookTruth:
    """The film under each spot of SCAN_SITES when the practitioner looked."""

    at_ns: int
    film_g_per_m2: tuple[float, ...]
    looked_dry: bool


@dataclass(frozen=True, slots=True)
class DegreeTruth:
    """The true cure at one moment: degrees 0 to 1 at the slowest node, the bond line and the surface."""

    at_ns: int
    slowest: float
    bond: float
    surface: float
    hottest_K: float


@dataclass(frozen=True, slots=True)
class FootTruth:
    """What was really so with one foot. Times are None when it never came to that.

    firm_after_s, load_after_s  seconds from the pour until the slowest node reached the degree
    quick_peak_K, quick_dose_min  hottest and CEM43 at the quick, drying and cure together
    """

    foot: Foot
    fit: bool
    looks: tuple[LookTruth, ...]
    film_at_pour_g_per_m2: tuple[float, ...] | None
    poured_at_ns: int | None
    firm_after_s: float | None
    load_after_s: float | None
    degrees: tuple[DegreeTruth, ...]
    surface_peak_K: float | None
    quick_peak_K: float | None
    quick_dose_min: float


@dataclass(frozen=True, slots=True)
class Seen:
    """What the thermometer is pointed at."""

    surface_K: float
    emissivity: float
    nozzle_K: float = 0.0
    nozzle_view: float = 0.0


@dataclass(slots=True)
class _OneFoot:
    plan: FootPlan
    sole: SoleColumns
    gun: dict[Site, HotAir]
    pad: PadColumn | None = None
    poured_s: float = 0.0
    film_at_pour: tuple[float, ...] | None = None
    looks: list[LookTruth] = field(default_factory=list)
    degrees: list[DegreeTruth] = field(default_factory=list)
    firm_after_s: float | None = None
    load_after_s: float | None = None


def _in_grams(film_kg_per_m2: Floats) -> tuple[float, ...]:
    return tuple(float(GRAMS_PER_kg * film) for film in film_kg_per_m2)


class SimulatedFeet:
    """All feet of one visit and the air around them, moved on together in steps of STEP_s."""

    def __init__(self, scenario: Scenario, material: MaterialProfile, rng: np.random.Generator) -> None:
        self._scenario = scenario
        self._material = material
        self._kinetics = kinetics_of(
            material,
            float(np.exp(rng.normal(0.0, BATCH_SPREAD))),
            material.activation_energy_J_per_mol + float(rng.normal(0.0, ENERGY_SPREAD_J_per_mol)),
        )
        self._wave = float(rng.uniform(0.0, 2.0 * math.pi))
        feet, spots = [plan.foot for plan in scenario.feet], len(SCAN_SITES)
        self._film_factor = {foot: np.exp(rng.normal(0.0, FILM_SPREAD, spots)) for foot in feet}
        self._jet_factor = {foot: float(np.exp(rng.normal(0.0, JET_SPREAD))) for foot in feet}
        self._feet: dict[Foot, _OneFoot] = {}
        self._steps = 0
        self.first_air_K = si_from(scenario.air_degC, "Cel")
        saturated = float(saturation_pressure_Pa(self.first_air_K))
        self._vapour_Pa = si_from(scenario.humidity_percent, "%") * saturated
        self.around = self._surroundings()

    @property
    def elapsed_s(self) -> float:
        return self._steps * STEP_s

    @property
    def relative_humidity_ratio(self) -> float:
        """Over liquid water at every temperature, as sensors report it."""
        return self._vapour_Pa / float(saturation_pressure_Pa(self.around.air_K))

    def _at_ns(self) -> int:
        return self._scenario.start_ns + round(self.elapsed_s * NS_PER_S)

    def _surroundings(self) -> Surroundings:
        plan, t_s = self._scenario, self.elapsed_s
        wave = FLICKER_K * math.sin(2.0 * math.pi * t_s / FLICKER_PERIOD_s + self._wave)
        air_K = self.first_air_K + plan.air_drift_K_per_h * t_s / SECONDS_PER_HOUR + wave
        return Surroundings(
            air_K,
            air_K - plan.radiant_below_air_K,
            float(humidity_ratio(self._vapour_Pa)),
            plan.still_W_per_m2_K,
        )

    def pick_up(self, plan: FootPlan) -> None:
        """Takes a foot up, brushed and wiped: from now on its sole is simulated."""
        films = np.array(plan.film_g_per_m2) / GRAMS_PER_kg * self._film_factor[plan.foot]
        properties = SoleProperties(
            horn_m=si_from(plan.horn_mm, "mm"),
            tissue_K=tissue_K(self.around.air_K),
            film_kg_per_m2=tuple(float(film) for film in films),
            seep_kg_per_m2_s=tuple(seep / GRAMS_PER_kg for seep in plan.seep_g_per_m2_s),
            outer_water_kg_per_kg=plan.outer_water_kg_per_kg,
        )
        beside = GUN_BESIDE_CARELESS if plan.careless else GUN_BESIDE
        air_K = self.around.air_K
        jet_K = air_K + self._jet_factor[plan.foot] * (si_from(plan.jet_degC, "Cel") - air_K)
        guns = {
            spot: HotAir(
                jet_K=jet_K,
                jet_W_per_m2_K=plan.jet_W_per_m2_K,
                nozzle_K=NOZZLE_K,
                nozzle_view=NOZZLE_VIEW,
                strength=tuple(1.0 if site is spot else beside for site in SCAN_SITES),
            )
            for spot in SCAN_SITES
        }
        self._feet[plan.foot] = _OneFoot(plan, SoleColumns(properties, self.around), guns)

    def looks_dry(self, foot: Foot) -> bool:
        """Looks: whether no spot glistens. The truth notes what was there to be seen."""
        one = self._feet[foot]
        films = one.sole.film_kg_per_m2
        dry = bool((films < SEEN_DRY_kg_per_m2).all())
        one.looks.append(LookTruth(self._at_ns(), _in_grams(films), dry))
        return dry

    def pour(self, plan: FootPlan) -> None:
        """Pours the fill on the mean sole: one column stands for the foot from here on."""
        one = self._feet[plan.foot]
        one.poured_s = self.elapsed_s
        one.film_at_pour = _in_grams(one.sole.film_kg_per_m2)
        one.pad = PadColumn(
            self._kinetics,
            si_from(plan.thickness_mm, "mm"),
            si_from(plan.material_degC, "Cel"),
            si_from(plan.horn_mm, "mm"),
            one.sole.temperature_K.mean(axis=0),
            one.sole.properties.tissue_K,
            COVER_m2_K_per_W[plan.cover],
        )

    def feels_firm(self, foot: Foot) -> bool:
        """Whether the fill is firm at its slowest node."""
        pad = self._feet[foot].pad
        return pad is not None and pad.slowest_degree >= self._material.firm_degree

    def seen(self, foot: Foot, site: Site | None, hands: Hands) -> Seen:
        """What the thermometer sees of a foot: the fill once there is one, else the sole at this spot.

        A thin film is read through; a thick cover is lifted for the reading, too shortly to cool the fill.
        """
        one = self._feet[foot]
        if one.pad is not None:
            outward, sink = one.pad.outward_W_per_m2_K(self.around)
            fill_K = one.pad.surface_K
            if one.plan.cover != "film":
                return Seen(fill_K, PAD_EMISSIVITY)
            cover_K = fill_K - outward * (fill_K - sink) * one.pad.cover_m2_K_per_W
            return Seen((1.0 - FILM_SHARE) * fill_K + FILM_SHARE * cover_K, PAD_EMISSIVITY)
        spot = 0 if site is None else SCAN_SITES.index(site)
        surface_K = float(one.sole.surface_K[spot])
        emissivity = one.sole.properties.emissivity
        if hands.gun_on is not foot:
            return Seen(surface_K, emissivity)
        gun = one.gun[hands.gun_spot]
        return Seen(surface_K, emissivity, gun.nozzle_K, gun.nozzle_view * gun.strength[spot])

    def advance(self, hands: Hands) -> None:
        """Moves everything on by STEP_s."""
        for foot, one in self._feet.items():
            if one.pad is None:
                gun = one.gun[hands.gun_spot] if hands.gun_on is foot else None
                one.sole.advance(STEP_s, self.around, gun)
            else:
                one.pad.advance(STEP_s, self.around)
                self._note_cure(one, one.pad)
        self._steps += 1
        if self._steps % round(1.0 / STEP_s) == 0:
            self.around = self._surroundings()

    def _note_cure(self, one: _OneFoot, pad: PadColumn) -> None:
        after_s = self.elapsed_s + STEP_s - one.poured_s
        slowest = pad.slowest_degree
        if one.firm_after_s is None and slowest >= self._material.firm_degree:
            one.firm_after_s = after_s
        if one.load_after_s is None and slowest >= self._material.load_degree:
            one.load_after_s = after_s
        if after_s % DEGREE_EVERY_s == 0.0:
            at_ns = self._at_ns() + round(STEP_s * NS_PER_S)
            one.degrees.append(
                DegreeTruth(at_ns, slowest, float(pad.degree[0]), float(pad.degree[-1]), pad.hottest_K)
            )

    def truths(self) -> tuple[FootTruth, ...]:
        """The truth of every foot that was picked up, in that order."""
        return tuple(self._truth_of(foot, one) for foot, one in self._feet.items())

    def _truth_of(self, foot: Foot, one: _OneFoot) -> FootTruth:
        peaks, dose = [one.sole.quick_peak_K], one.sole.quick_dose_min
        if one.pad is not None:
            peaks.append(one.pad.quick_peak_K)
            dose += one.pad.quick_dose_min
        poured_ns = self._scenario.start_ns + round(one.poured_s * NS_PER_S)
        return FootTruth(
            foot=foot,
            fit=not one.plan.signs,
            looks=tuple(one.looks),
            film_at_pour_g_per_m2=one.film_at_pour,
            poured_at_ns=None if one.pad is None else poured_ns,
            firm_after_s=one.firm_after_s,
            load_after_s=one.load_after_s,
            degrees=tuple(one.degrees),
            surface_peak_K=one.sole.surface_peak_K,
            quick_peak_K=max(peaks),
            quick_dose_min=dose,
        )
