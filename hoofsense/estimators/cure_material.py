"""The material of every member: its kinetics, and the rate at which its reference pour is firm on time."""

from __future__ import annotations

from dataclasses import replace
from functools import lru_cache

import numpy as np
import numpy.typing as npt

from hoofsense.estimators.cure_surroundings import (
    EMISSIVITY_ratio,
    FILM_COVER_m2_K_per_W,
    HORN_CAPACITY_J_per_m3_K,
    HORN_CONDUCTIVITY_W_per_m_K,
    HORN_THICKNESS_m,
    STILL_FILM_W_per_m2_K,
    TISSUE_W_per_m2_K,
    tissue_K_in,
)
from hoofsense.estimators.fixed_members import fixed_normals
from hoofsense.physics.cure_kinetics import Kinetics, kinetics_of, reduced_time
from hoofsense.physics.pad_cure import cure_course, reached_s
from hoofsense.physics.poured_pad import Ambient, Fill, steady_ambient
from hoofsense.records import MaterialProfile

FloatArray = npt.NDArray[np.float64]

_HEAT_u_ln = 0.20  # standard uncertainty: assumption; the study of synthetic pours shows what it covers
_SHAPE_N_RANGE = (1.1, 3.8)
_SHAPE_B_RANGE = (0.02, 1.5)
_ENERGY_RANGE_J_per_mol = (30e3, 90e3)

# What differs from member to member, in the order of the columns of the fixed normals.
_DIMENSIONS = (
    "ln_rate",
    "energy",
    "shape_b",
    "shape_n",
    "thickness",
    "film",
    "air",
    "material",
    "sole",
    "warm_share",
    "tissue",
    "heat",
    "horn",
    "radiant",
    "tissue_film",
    "conductivity",
    "jitter",
)

# Further dimensions of the same design, uncorrelated with the inputs: the noise of the readings.
NOISE_DIMENSIONS = 7

LONGEST_s = 48 * 3600.0  # no time beyond this is told apart
_SOLVE_ROUNDS = 12
_SOLVE_TOLERANCE = 1e-3  # of ln time: 1 s in a quarter of an hour
_SOLVE_STEPS = 120
_SOLVE_SPAN = 1.7  # of the reference firm time; what is later is extrapolated


def reading_noise(members: int) -> FloatArray:
    """Fixed standard normal numbers for the noise of readings, shape (NOISE_DIMENSIONS, members)."""
    return fixed_normals(members, len(_DIMENSIONS) + NOISE_DIMENSIONS)[:, -NOISE_DIMENSIONS:].T


def column_of(members: int, name: str) -> FloatArray:
    """Standard normal numbers of one input, shape (members,); ValueError for a name that is no input."""
    return fixed_normals(members, len(_DIMENSIONS) + NOISE_DIMENSIONS)[:, _DIMENSIONS.index(name)]


def _material(profile: MaterialProfile, members: int) -> tuple[Kinetics, FloatArray]:
    """Kinetics of the members with the rate at 1/s still to be solved, and their heat of reaction, J/m3."""
    energy = np.clip(
        profile.activation_energy_J_per_mol
        + profile.activation_energy_u_J_per_mol * column_of(members, "energy"),
        *_ENERGY_RANGE_J_per_mol,
    )
    b_low, b_high = min(_SHAPE_B_RANGE[0], profile.shape_b), max(_SHAPE_B_RANGE[1], profile.shape_b)
    n_low, n_high = min(_SHAPE_N_RANGE[0], profile.shape_n), max(_SHAPE_N_RANGE[1], profile.shape_n)
    kinetics = kinetics_of(
        members,
        rate_per_s=1.0,
        activation_energy_J_per_mol=energy,
        reference_K=profile.reference_air_K,
        b=np.clip(
            profile.shape_b * np.exp(profile.shape_b_u_ln * column_of(members, "shape_b")), b_low, b_high
        ),
        m=profile.shape_m,
        n=np.clip(profile.shape_n + profile.shape_n_u * column_of(members, "shape_n"), n_low, n_high),
        glass_start_K=profile.glass_start_K or 0.0,
        glass_full_K=profile.glass_full_K or 0.0,
    )
    heat = profile.heat_of_reaction_J_per_kg * np.exp(_HEAT_u_ln * column_of(members, "heat"))
    return kinetics, profile.density_kg_per_m3 * heat


def with_rate(kinetics: Kinetics, ln_rate: FloatArray) -> Kinetics:
    """The same members with another rate, 1/s."""
    rate = np.exp(ln_rate)
    rate.setflags(write=False)
    return Kinetics(
        rate,
        kinetics.activation_energy_J_per_mol,
        kinetics.reference_K,
        kinetics.b,
        kinetics.m,
        kinetics.n,
        kinetics.glass_start_K,
        kinetics.glass_full_K,
    )


def reference_fill(
    profile: MaterialProfile, kinetics: Kinetics, heat_J_per_m3: FloatArray
) -> tuple[Fill, Ambient]:
    """The profile's reference pour: under a film, in still air, on a sole 10 mm thick."""
    members = kinetics.members

    def all_of(value: float) -> FloatArray:
        return np.full(members, value)

    fill = Fill(
        pad_thickness_m=all_of(profile.reference_thickness_m),
        pad_conductivity_W_per_m_K=all_of(profile.conductivity_W_per_m_K),
        pad_capacity_J_per_m3_K=all_of(profile.density_kg_per_m3 * profile.heat_capacity_J_per_kg_K),
        heat_J_per_m3=heat_J_per_m3,
        horn_thickness_m=all_of(HORN_THICKNESS_m),
        horn_conductivity_W_per_m_K=all_of(HORN_CONDUCTIVITY_W_per_m_K),
        horn_capacity_J_per_m3_K=all_of(HORN_CAPACITY_J_per_m3_K),
        tissue_W_per_m2_K=all_of(TISSUE_W_per_m2_K),
        tissue_K=all_of(float(tissue_K_in(profile.reference_air_K))),
        cover_m2_K_per_W=all_of(FILM_COVER_m2_K_per_W),
        emissivity_ratio=all_of(EMISSIVITY_ratio),
        material_K=all_of(profile.reference_material_K),
        sole_K=all_of(profile.reference_sole_K),
        kinetics=kinetics,
    )
    return fill, steady_ambient(profile.reference_air_K, profile.reference_air_K, STILL_FILM_W_per_m2_K)


def curing_part(profile: MaterialProfile) -> MaterialProfile:
    """The profile without its log and its notes: two that cure alike are then equal, and remembered once."""
    return replace(
        profile,
        assumptions=(),
        logged_pours=0,
        logged_covered_ratio=0.0,
        logged_low_K=None,
        logged_high_K=None,
    )


def solved_material(profile: MaterialProfile, members: int) -> tuple[Kinetics, FloatArray, float]:
    """Kinetics whose reference pour is firm on time in every member, their heat, a scale for working time.

    The scale is the profile's stated working time over the modelled one of the central member.
    raises  ReferencePourError where no rate gives the reference pour its firm time
    """
    solved = _solved_material(replace(curing_part(profile), ln_rate_u=1.0), members)
    if isinstance(solved, str):
        raise ReferencePourError(solved)
    return solved


class ReferencePourError(ValueError):
    """No rate makes a profile's reference pour firm at its stated time."""


@lru_cache(maxsize=16)
def _solved_material(profile: MaterialProfile, members: int) -> tuple[Kinetics, FloatArray, float] | str:
    """The solution, or why there is none: a refusal is remembered as well as a success."""
    kinetics, heat = _material(profile, members)
    try:
        solved, work_s = rate_solved(profile, kinetics, heat)
    except ReferencePourError as refusal:
        return str(refusal)
    heat.setflags(write=False)
    return solved, heat, float(profile.reference_work_s / np.exp(np.mean(np.log(work_s))))


def reference_times_s(
    profile: MaterialProfile, kinetics: Kinetics, heat_J_per_m3: FloatArray
) -> tuple[FloatArray, FloatArray]:
    """When each member's reference pour is firm, and when it can no longer be worked; each shape (M,)."""
    span_s = _SOLVE_SPAN * profile.reference_firm_s
    time_s = np.linspace(0.0, span_s, round(_SOLVE_SPAN * _SOLVE_STEPS) + 1)
    fill, ambient = reference_fill(profile, kinetics, heat_J_per_m3)
    course = cure_course(fill, ambient, time_s, stop_degree=profile.firm_degree)

    def reached(degree: FloatArray, threshold: float) -> FloatArray:
        return reached_s(course.time_s, degree, threshold, kinetics, course.last_K, LONGEST_s)

    firm = reached(course.lowest_degree, profile.firm_degree)
    return firm, reached(course.highest_degree, profile.work_degree)


def rate_solved(
    profile: MaterialProfile, kinetics: Kinetics, heat_J_per_m3: FloatArray
) -> tuple[Kinetics, FloatArray]:
    """The same members with the rate at which their reference pour is firm on time, and its working time.

    Secant steps in the logarithms, all members at once.
    raises  ReferencePourError where no rate gives the reference pour its firm time
    """
    needed = reduced_time(0.0, profile.firm_degree, kinetics.b, kinetics.m, kinetics.n)
    target = np.log(profile.reference_firm_s)
    ln_rate = np.log(needed / profile.reference_firm_s) - _EXOTHERM_GUESS_ln
    step, slope, before = np.zeros_like(ln_rate), np.full_like(ln_rate, -1.0), np.zeros_like(ln_rate)
    for _ in range(_SOLVE_ROUNDS):
        tried = with_rate(kinetics, ln_rate)
        firm, work = reference_times_s(profile, tried, heat_J_per_m3)
        error = np.log(firm) - target
        if np.max(np.abs(error)) < _SOLVE_TOLERANCE:
            return tried, work
        moved = np.abs(step) > _TINY_STEP
        seen = (error - before) / np.where(moved, step, 1.0)
        slope = np.where(moved, np.clip(seen, *_SLOPE_RANGE), slope)
        step, before = np.clip(-error / slope, -1.0, 1.0), error
        ln_rate = ln_rate + step
    raise ReferencePourError(
        f"material {profile.name!r}: no rate makes the reference pour firm after "
        f"{profile.reference_firm_s / 60.0:.1f} min: correct its temperatures or thresholds"
    )


_EXOTHERM_GUESS_ln = 0.9  # the reaction's own heat shortens a mild pour by about this much; a start only
_SLOPE_RANGE = (-4.0, -0.3)  # of ln firm time in ln rate; around -1, steeper with much heat
_TINY_STEP = 1e-9
