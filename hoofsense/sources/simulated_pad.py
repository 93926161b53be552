"""The true fill of a simulated foot: a pad that reacts and conducts, on the horn it was poured on.

One column through the pad's centre: nodes from the tissue (first) through the horn to the bond line and on
to the pad's surface (last), explicit finite volumes, reaction and conduction in the same small step. The
rim, which cures slower in the cold, is not modelled: a truth told here is that of the centre.

This model shares no code with the estimators that judge it. Its rate is solved, as theirs must be, from a
reference pour that was timed; a batch may then react faster or slower than its profile says.
"""

from __future__ import annotations

import math
from dataclasses import dataclass
from functools import lru_cache

import numpy as np

from hoofsense.physics.constants import (
    ICE_POINT_K,
    GAS_CONSTANT_J_per_mol_K,
    STEFAN_BOLTZMANN_W_per_m2_K4,
)
from hoofsense.records import MaterialProfile
from hoofsense.sources.simulated_sole import (
    Floats,
    HORN_CELL_m,
    HORN_CONDUCTIVITY_W_per_m_K,
    HORN_DENSITY_kg_per_m3,
    HORN_HEAT_CAPACITY_J_per_kg_K,
    STEP_s,
    Surroundings,
    TISSUE_COEFFICIENT_W_per_m2_K,
    dose_rate_min_per_s,
)

PAD_CELL_m = 0.35e-3  # explicit steps stay stable: diffusion number 0.21
PAD_EMISSIVITY = 0.92  # from memory, plausible 0.85 to 0.96
CURE_REFERENCE_K = 21.0 + ICE_POINT_K  # the temperature rates are quoted at; any other would do

# What covers a fill, m2K/W; assumptions: a thin film with its air gap, about 4 mm of closed foam.
COVER_m2_K_per_W = {"none": 0.0, "film": 3e-4, "insulated": 0.1}

REFERENCE_HORN_m = 0.010  # the reference pour's horn and air are not recorded: assumptions
REFERENCE_STILL_W_per_m2_K = 8.0
FIRST_GUESS = 3.5  # rate constant times firm time of the usual shapes; only a start for the search
SEARCH_LIMIT_RATIO = 20.0  # a rate that needs this many firm times is too slow
MOST_TRIES = 12
SOLVED_WITHIN_s = 1.0
TISSUE_TABLE_K = (  # deep tissue of the foot at an air temperature: assumption, +/-4 K
    (-10.0 + ICE_POINT_K, 8.0 + ICE_POINT_K),
    (0.0 + ICE_POINT_K, 12.0 + ICE_POINT_K),
    (10.0 + ICE_POINT_K, 18.0 + ICE_POINT_K),
    (21.0 + ICE_POINT_K, 27.0 + ICE_POINT_K),
    (35.0 + ICE_POINT_K, 34.0 + ICE_POINT_K),
)


def tissue_K(air_K: float) -> float:
    """Temperature of the living foot under the horn at this air temperature, K; flat outside the table."""
    air, tissue = zip(*TISSUE_TABLE_K, strict=True)
    return float(np.interp(air_K, air, tissue))


@dataclass(frozen=True, slots=True)
class Kinetics:
    """How a batch truly reacts: d(degree)/dt = rate exp(-E/R (1/T - 1/Tref)) (b + degree^m)(1 - degree)^n."""

    rate_per_s: float  # at 21 degC
    activation_energy_J_per_mol: float
    shape_b: float
    shape_m: float
    shape_n: float
    heat_J_per_kg: float
    conductivity_W_per_m_K: float
    density_kg_per_m3: float
    heat_capacity_J_per_kg_K: float

    def speed_per_s(self, degree: Floats, temperature_K: Floats) -> Floats:
        """Rate of cure at each node, 1/s; degree and temperature of one shape."""
        thermal = np.exp(
            -self.activation_energy_J_per_mol
            / GAS_CONSTANT_J_per_mol_K
            * (1.0 / temperature_K - 1.0 / CURE_REFERENCE_K)
        )
        catalysed = degree if self.shape_m == 1.0 else degree**self.shape_m
        left = 1.0 - degree
        used = left * left if self.shape_n == 2.0 else left**self.shape_n
        return np.asarray(self.rate_per_s * thermal * (self.shape_b + catalysed) * used)


class PadColumn:
    """A fill from the pour on, with a ledger of the heat that crossed its ends.

    horn_K        shape (nodes,): horn temperatures at the pour, tissue side first
    temperature_K shape (nodes + pad cells,); degree, shape (pad cells + 1,), starts at the bond line
    """

    def __init__(
        self,
        kinetics: Kinetics,
        thickness_m: float,
        material_K: float,
        horn_m: float,
        horn_K: Floats,
        tissue_K: float,
        cover_m2_K_per_W: float,
    ) -> None:
        if not thickness_m > 2.0 * PAD_CELL_m:
            raise ValueError(
                f"a fill of {thickness_m} m is too thin for this model: use more than {2.0 * PAD_CELL_m} m"
            )
        self.kinetics = kinetics
        self.tissue_K = tissue_K
        self.cover_m2_K_per_W = cover_m2_K_per_W
        horn_cells = len(horn_K) - 1
        pad_cells = int(thickness_m / PAD_CELL_m)
        horn_cell, pad_cell = horn_m / horn_cells, thickness_m / pad_cells
        horn_J = HORN_DENSITY_kg_per_m3 * HORN_HEAT_CAPACITY_J_per_kg_K * horn_cell
        pad_kg = kinetics.density_kg_per_m3 * pad_cell
        pad_J = pad_kg * kinetics.heat_capacity_J_per_kg_K
        capacity = np.concatenate([np.full(horn_cells, horn_J), np.full(pad_cells + 1, pad_J)])
        capacity[0] *= 0.5
        capacity[-1] *= 0.5
        capacity[horn_cells] = 0.5 * (horn_J + pad_J)
        self.capacity_J_per_m2_K: Floats = capacity
        self.conductance_W_per_m2_K: Floats = np.concatenate(
            [
                np.full(horn_cells, HORN_CONDUCTIVITY_W_per_m_K / horn_cell),
                np.full(pad_cells, kinetics.conductivity_W_per_m_K / pad_cell),
            ]
        )
        mass = np.full(pad_cells + 1, pad_kg)
        mass[[0, -1]] *= 0.5
        self._heat_J_per_m2: Floats = mass * kinetics.heat_J_per_kg
        self.bond = horn_cells
        self.temperature_K: Floats = np.concatenate([horn_K, np.full(pad_cells, material_K)])
        self.temperature_K[self.bond] = (horn_J * horn_K[-1] + pad_J * material_K) / (horn_J + pad_J)
        self.degree: Floats = np.zeros(pad_cells + 1)
        self.energy_in_J_per_m2 = 0.0
        self.quick_peak_K = float(horn_K[0])
        self.quick_dose_min = 0.0
        self.hottest_K = float(self.temperature_K[self.bond :].max())

    @property
    def surface_K(self) -> float:
        return float(self.temperature_K[-1])

    @property
    def slowest_degree(self) -> float:
        return float(self.degree.min())

    def stored_energy_J_per_m2(self) -> float:
        """Sensible heat above 0 K plus the heat of reaction still to come, J/m2."""
        return float(
            self.temperature_K @ self.capacity_J_per_m2_K + self._heat_J_per_m2 @ (1.0 - self.degree)
        )

    def outward_W_per_m2_K(self, around: Surroundings) -> tuple[float, float]:
        """Heat transfer from the pad's surface through its cover, and the temperature it goes to (K)."""
        surface, walls = self.surface_K, around.radiant_K
        radiant = PAD_EMISSIVITY * STEFAN_BOLTZMANN_W_per_m2_K4 * (surface**2 + walls**2) * (surface + walls)
        both = around.still_W_per_m2_K + radiant
        sink = (around.still_W_per_m2_K * around.air_K + radiant * walls) / both
        return 1.0 / (1.0 / both + self.cover_m2_K_per_W), sink

    def advance(self, step_s: float, around: Surroundings) -> None:
        """Move the fill on by step_s (0.3 s at most keeps the explicit step stable)."""
        T = self.temperature_K
        outward, sink = self.outward_W_per_m2_K(around)
        at_tissue = TISSUE_COEFFICIENT_W_per_m2_K * (self.tissue_K - float(T[0]))
        at_surface = outward * (sink - float(T[-1]))
        flux = self.conductance_W_per_m2_K * (T[:-1] - T[1:])
        gain = np.empty_like(T)
        gain[0] = at_tissue - flux[0]
        gain[1:-1] = flux[:-1] - flux[1:]
        gain[-1] = flux[-1] + at_surface
        cured = self.kinetics.speed_per_s(self.degree, T[self.bond :]) * step_s
        self.degree += cured
        T += gain * (step_s / self.capacity_J_per_m2_K)
        T[self.bond :] += cured * self._heat_J_per_m2 / self.capacity_J_per_m2_K[self.bond :]
        self.energy_in_J_per_m2 += (at_tissue + at_surface) * step_s
        self.quick_peak_K = max(self.quick_peak_K, float(T[0]))
        self.quick_dose_min += dose_rate_min_per_s(float(T[0])) * step_s
        self.hottest_K = max(self.hottest_K, float(T[self.bond :].max()))


def _kinetics(profile: MaterialProfile, rate_per_s: float, activation_energy_J_per_mol: float) -> Kinetics:
    return Kinetics(
        rate_per_s=rate_per_s,
        activation_energy_J_per_mol=activation_energy_J_per_mol,
        shape_b=profile.shape_b,
        shape_m=profile.shape_m,
        shape_n=profile.shape_n,
        heat_J_per_kg=profile.heat_of_reaction_J_per_kg,
        conductivity_W_per_m_K=profile.conductivity_W_per_m_K,
        density_kg_per_m3=profile.density_kg_per_m3,
        heat_capacity_J_per_kg_K=profile.heat_capacity_J_per_kg_K,
    )


def reference_firm_s(profile: MaterialProfile, kinetics: Kinetics, limit_s: float) -> float:
    """When the reference pour is firm at its slowest point with these kinetics, s; infinity past limit_s."""
    air_K = profile.reference_air_K
    around = Surroundings(air_K, air_K, 0.0, REFERENCE_STILL_W_per_m2_K)
    deep_K = tissue_K(air_K)
    resistance = 1.0 / TISSUE_COEFFICIENT_W_per_m2_K + REFERENCE_HORN_m / HORN_CONDUCTIVITY_W_per_m_K
    inner_K = deep_K - (deep_K - profile.reference_sole_K) / (resistance * TISSUE_COEFFICIENT_W_per_m2_K)
    horn = np.linspace(inner_K, profile.reference_sole_K, round(REFERENCE_HORN_m / HORN_CELL_m) + 1)
    pad = PadColumn(
        kinetics,
        profile.reference_thickness_m,
        profile.reference_material_K,
        REFERENCE_HORN_m,
        horn,
        deep_K,
        COVER_m2_K_per_W["film"],
    )
    before, elapsed_s = 0.0, 0.0
    while elapsed_s < limit_s:
        pad.advance(STEP_s, around)
        elapsed_s += STEP_s
        now = pad.slowest_degree
        if now >= profile.firm_degree:
            return elapsed_s - STEP_s * (now - profile.firm_degree) / (now - before)
        before = now
    return math.inf


@lru_cache(maxsize=8)
def kinetics_of(
    profile: MaterialProfile, batch_rate_ratio: float = 1.0, activation_energy_J_per_mol: float | None = None
) -> Kinetics:
    """The profile's kinetics, its rate solved so that the reference pour is firm when it was timed firm.

    batch_rate_ratio multiplies the solved rate; activation_energy_J_per_mol replaces the profile's own.
    accuracy 1 s of the reference firm time (secant steps on the logarithms)
    """
    energy = (
        profile.activation_energy_J_per_mol
        if activation_energy_J_per_mol is None
        else activation_energy_J_per_mol
    )
    target = profile.reference_firm_s
    limit_s = SEARCH_LIMIT_RATIO * target
    tried: list[tuple[float, float]] = []  # (ln rate, ln firm time)
    guess = math.log(FIRST_GUESS / target)
    for _ in range(MOST_TRIES):
        firm_s = reference_firm_s(profile, _kinetics(profile, math.exp(guess), energy), limit_s)
        if math.isinf(firm_s):
            guess += 1.0
            continue
        if abs(firm_s - target) < SOLVED_WITHIN_s:
            return _kinetics(profile, math.exp(guess) * batch_rate_ratio, energy)
        tried.append((guess, math.log(firm_s / target)))
        slope = -1.0
        if len(tried) >= 2:
            (x0, y0), (x1, y1) = tried[-2:]
            slope = (y1 - y0) / (x1 - x0)
        guess -= tried[-1][1] / slope
    raise ValueError(
        f"material {profile.name!r}: no rate makes its reference pour firm in {target} s: "
        "correct the reference pour or the thresholds in the profile"
    )
