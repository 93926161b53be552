"""Synthetic pours for the cure study: materials and feet that the estimator is not told about.

The truth is the reaction-conduction model on a finer grid with inputs drawn at random: batch, activation
energy, heat, the shape of the curve (uniform over its range, or a late tail beyond it), thickness, horn,
tissue, wind, air at the foot. The estimator gets what a practitioner has: a thickness, a material and a sole
temperature, the air of the sensor, and an infrared thermometer with noise and one bias.
"""

from __future__ import annotations

from dataclasses import dataclass

import numpy as np

from hoofsense.estimators.cure_ensemble import AirPoint
from hoofsense.estimators.cure_material import LONGEST_s, rate_solved, with_rate
from hoofsense.estimators.cure_surroundings import tissue_K_in
from hoofsense.physics.cure_kinetics import kinetics_of
from hoofsense.physics.pad_cure import CureCourse, cure_course, reached_s
from hoofsense.physics.poured_pad import Ambient, Fill, bare_sole_K
from hoofsense.records import MaterialProfile, PourConditions

ICE_K = 273.15
TOLD_THICKNESS_m = 0.008
READING_EVERY_s = 20.0
READING_NOISE_K = 0.5
GRID_s = np.concatenate(
    [np.arange(0.0, 1800.0, 10.0), np.arange(1800.0, 5400.0, 20.0), np.arange(5400.0, 14401.0, 60.0)]
)

# What may be wrong with a pour; "plain" is drawn as the estimator expects, but for its uniform shape.
KINDS = ("plain", "late tail", "biased thermometer", "gaps", "wrong thickness", "unmeasured wind")


@dataclass(frozen=True, slots=True)
class Weather:
    """Air and what was done about it: material and sole in degC, None for as cold as it stands."""

    air_degC: float
    material_degC: float
    sole_degC: float | None


@dataclass(frozen=True, slots=True)
class Pours:
    """Many true pours of one kind in one weather; times in s, arrays over the pours."""

    firm_s: np.ndarray
    rim_s: np.ndarray
    load_s: np.ndarray
    told: tuple[PourConditions, ...]
    air: tuple[AirPoint, ...]
    read_s: tuple[np.ndarray, ...]
    read_K: tuple[np.ndarray, ...]


def drawn(
    profile: MaterialProfile, weather: Weather, kind: str, count: int, generator: np.random.Generator
) -> Pours:
    """So many pours of one kind, with everything the practitioner would have seen of them."""
    fill, ambient = _truth(profile, weather, kind, count, generator)
    course = cure_course(
        fill, ambient, GRID_s, pad_cells=10, horn_cells=8, rim=True, stop_degree=profile.load_degree
    )

    def reached(degree: np.ndarray, threshold: float, last_K: np.ndarray) -> np.ndarray:
        return reached_s(course.time_s, degree, threshold, fill.kinetics, last_K, LONGEST_s)

    def middle(threshold: float) -> np.ndarray:
        return np.maximum(
            reached(course.surface_degree, threshold, course.surface_last_K),
            reached(course.bond_degree, threshold, course.bond_last_K),
        )

    rim = reached(course.rim_degree, profile.firm_degree, course.rim_last_K)
    told = tuple(
        PourConditions(
            0,
            TOLD_THICKNESS_m,
            ICE_K + weather.material_degC,
            float(sole_K + generator.normal(0.0, 1.0)),
            cover_m2_K_per_W=3e-4,
        )
        for sole_K in fill.sole_K
    )
    seen = [_readings(course, i, kind, generator) for i in range(count)]
    return Pours(
        np.maximum(middle(profile.firm_degree), rim),
        rim,
        np.maximum(middle(profile.load_degree), rim),
        told,
        (AirPoint(0.0, ICE_K + weather.air_degC),),
        tuple(times for times, _ in seen),
        tuple(values for _, values in seen),
    )


def _truth(
    profile: MaterialProfile, weather: Weather, kind: str, count: int, generator: np.random.Generator
) -> tuple[Fill, Ambient]:
    late = kind == "late tail"
    b = np.exp(generator.uniform(np.log(0.03), np.log(0.2 if late else 1.2), count))
    n = generator.uniform(2.8, 3.6, count) if late else generator.uniform(1.2, 2.6, count)
    energy = np.clip(
        generator.normal(profile.activation_energy_J_per_mol, profile.activation_energy_u_J_per_mol, count),
        33e3,
        77e3,
    )
    heat = (
        profile.density_kg_per_m3
        * profile.heat_of_reaction_J_per_kg
        * np.exp(generator.normal(0.0, 0.2, count))
    )
    unsolved = kinetics_of(
        count,
        rate_per_s=1.0,
        activation_energy_J_per_mol=energy,
        reference_K=profile.reference_air_K,
        b=b,
        n=n,
    )
    kinetics, _ = rate_solved(profile, unsolved, heat)
    kinetics = with_rate(
        kinetics, np.log(kinetics.rate_per_s) + generator.normal(0.0, profile.ln_rate_u, count)
    )

    air_K = ICE_K + weather.air_degC
    thickness = TOLD_THICKNESS_m + generator.normal(0.0, 0.001, count)
    if kind == "wrong thickness":
        thickness += generator.choice([-0.0025, 0.0025], count)
    film = (
        generator.uniform(14.0, 25.0, count)
        if kind == "unmeasured wind"
        else 8.0 * np.exp(generator.normal(0.0, 0.35, count))
    )
    horn = 0.010 * np.exp(generator.normal(0.0, 0.25, count))
    tissue_film = 40.0 * np.exp(generator.normal(0.0, 0.5, count))
    tissue = tissue_K_in(air_K) + generator.normal(0.0, 4.0, count)
    bare = bare_sole_K(
        tissue, air_K, horn_thickness_m=horn, horn_conductivity_W_per_m_K=0.35, tissue_W_per_m2_K=tissue_film,
        film_W_per_m2_K=film, emissivity_ratio=0.92,
    )  # fmt: skip
    sole = bare
    if weather.sole_degC is not None:
        sole = ICE_K + weather.sole_degC + generator.normal(0.0, 1.0, count)
        tissue = tissue + generator.uniform(0.0, 1.0, count) * np.maximum(sole - bare, 0.0)

    def same(value: float) -> np.ndarray:
        return np.full(count, value)

    fill = Fill(
        pad_thickness_m=np.maximum(thickness, 0.003),
        pad_conductivity_W_per_m_K=0.20 * np.exp(generator.normal(0.0, 0.1, count)),
        pad_capacity_J_per_m3_K=same(profile.density_kg_per_m3 * profile.heat_capacity_J_per_kg_K),
        heat_J_per_m3=heat,
        horn_thickness_m=horn,
        horn_conductivity_W_per_m_K=same(0.35),
        horn_capacity_J_per_m3_K=same(2.5e6),
        tissue_W_per_m2_K=tissue_film,
        tissue_K=tissue,
        cover_m2_K_per_W=same(3e-4),
        emissivity_ratio=same(0.92),
        material_K=ICE_K + weather.material_degC + generator.normal(0.0, 2.0, count),
        sole_K=sole,
        kinetics=kinetics,
    )
    at_foot = air_K + generator.normal(0.0, 1.0, count)
    radiant = at_foot + generator.normal(-1.0, 3.0, count)
    return fill, Ambient(np.zeros(1), at_foot[None], radiant[None], film[None])


def _readings(
    course: CureCourse, pour: int, kind: str, generator: np.random.Generator
) -> tuple[np.ndarray, np.ndarray]:
    """What the thermometer said for up to an hour; with gaps only one minute in four."""
    times = np.arange(0.5 * READING_EVERY_s, min(3600.0, float(course.time_s[-1])), READING_EVERY_s)
    if kind == "gaps":
        times = times[(times // 60.0) % 4 == generator.integers(0, 4)]
    bias = generator.choice([-2.0, 2.0]) if kind == "biased thermometer" else generator.normal(0.0, 1.0)
    true = np.interp(times, course.time_s, course.surface_K[:, pour])
    return times, true + bias + generator.normal(0.0, READING_NOISE_K, times.size)
