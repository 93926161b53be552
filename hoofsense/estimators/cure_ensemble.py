"""The cure model with everything that is not known about one fill: 256 fixed members, run forward together.

The members are fixed (fixed_members), so the same inputs give the very same answer everywhere. Each draws its
own material (rate, activation energy, heat, shape of the curve), pour (thickness, temperatures), foot
(tissue, horn) and weather (film, air, radiation). Its rate is solved so that the profile's reference pour is
firm at the profile's time, and only then is the uncertainty of the rate applied.
"""

from __future__ import annotations

from dataclasses import dataclass
from functools import lru_cache

import numpy as np
import numpy.typing as npt

from hoofsense.estimators.fixed_members import fixed_normals
from hoofsense.physics.constants import ICE_POINT_K
from hoofsense.physics.cure_kinetics import Kinetics, kinetics_of, reduced_time
from hoofsense.physics.pad_cure import CureCourse, cure_course, reached_s
from hoofsense.physics.poured_pad import Ambient, Fill, bare_sole_K, steady_ambient
from hoofsense.records import MaterialProfile, PourConditions

FloatArray = npt.NDArray[np.float64]

MEMBERS = 256

# Defaults of the foot and the weather. Sources: handbook values from memory for horn and film; tissue and
# horn thickness are assumptions; the covers are computed from thickness over conductivity.
HORN_THICKNESS_m = 0.010
HORN_CONDUCTIVITY_W_per_m_K = 0.35
HORN_CAPACITY_J_per_m3_K = 1250.0 * 2000.0
TISSUE_W_per_m2_K = 40.0
EMISSIVITY_ratio = 0.92
STILL_FILM_W_per_m2_K = 8.0
FILM_COVER_m2_K_per_W = 3e-4  # 0.1 mm of polyethylene at 0.33 W/(m K)
INSULATING_COVER_m2_K_per_W = 0.12  # 5 mm of closed-cell foam at 0.04 W/(m K)
# Temperature of the living tissue by air temperature: assumption, +/-4 K.
_TISSUE_AIR_K = ICE_POINT_K + np.array([-10.0, 0.0, 10.0, 21.0, 35.0])
_TISSUE_K = ICE_POINT_K + np.array([8.0, 12.0, 18.0, 27.0, 34.0])

# Convection in wind, h = 5.7 + 3.8 v for v up to 5 m/s (W. H. McAdams, Heat Transmission, 1954; from memory).
_WIND_STILL_W_per_m2_K = 5.7
_WIND_SLOPE_J_per_m3_K = 3.8
_WIND_MOST_W_per_m2_K = 40.0

# Standard uncertainties of what a practitioner does not measure. Assumptions, chosen to span the ranges the
# profiles name; the study of synthetic pours shows what they cover.
_HEAT_u_ln = 0.20
_SHAPE_B_u_ln = 0.8
_SHAPE_N_u = 0.6  # wide on purpose: with 0.4 a fifth of late-tailed materials was later than "safe by"
_SHAPE_N_RANGE = (1.1, 3.8)
_SHAPE_B_RANGE = (0.02, 1.5)
_TISSUE_u_K = 4.0
_TISSUE_FILM_u_ln = 0.5
_HORN_u_ln = 0.25
_FILM_u_ln = 0.35
_PAD_CONDUCTIVITY_u_ln = 0.10
_AIR_AT_FOOT_u_K = 1.0
_RADIANT_OFFSET_K = -1.0
_RADIANT_u_K = 3.0
_TIME_JITTER_u_ln = 0.15
_ENERGY_RANGE_J_per_mol = (30e3, 90e3)
_THICKNESS_LEAST_m = 0.0015

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

_WARM_SHARE = 0.95

# Further dimensions of the same design, uncorrelated with the inputs: the noise of the readings.
NOISE_DIMENSIONS = 7

LONGEST_s = 48 * 3600.0  # no time beyond this is told apart
# Steps: fine while the exotherm runs, coarse in the slow tail; checked against finer grids in the tests.
_GRID_s = (
    np.arange(0.0, 600.0, 5.0),
    np.arange(600.0, 1800.0, 10.0),
    np.arange(1800.0, 5400.0, 20.0),
    np.arange(5400.0, 14400.0 + 1.0, 60.0),
)
LOCATIONS = ("surface", "bond line", "rim")
_SOLVE_ROUNDS = 12
_SOLVE_TOLERANCE = 1e-3  # of ln time: 1 s in a quarter of an hour
_SOLVE_STEPS = 120
_SOLVE_SPAN = 1.7  # of the reference firm time; what is later is extrapolated


@dataclass(frozen=True, slots=True)
class AirPoint:
    """The air at one moment of a cure: seconds after the pour, K, and m/s (None: not measured)."""

    after_s: float
    air_K: float
    wind_m_per_s: float | None = None


@dataclass(frozen=True, slots=True, eq=False)
class CureForecast:
    """One run of all members; arrays are read-only.

    time_s      shape (S,), s after the pour
    surface_K   shape (S, M), what an infrared thermometer should see
    bond_K      shape (S, M)
    ln_work     shape (M,), ln s at which the first place reaches the work degree
    ln_firm     shape (3, M), ln s at LOCATIONS;  ln_load  the same
    hottest_K, hottest_bond_K  shape (M,)
    surface_needs_s            shape (M,), equivalent age at the profile's reference air that a surface needs
    warmest_surface_K          shape (S,), above 95 % of the members
    """

    time_s: FloatArray
    surface_K: npt.NDArray[np.float32]
    bond_K: npt.NDArray[np.float32]
    ln_work: FloatArray
    ln_firm: FloatArray
    ln_load: FloatArray
    hottest_K: FloatArray
    hottest_bond_K: FloatArray
    surface_needs_s: FloatArray
    warmest_surface_K: FloatArray

    @property
    def members(self) -> int:
        return int(self.ln_work.shape[0])


def tissue_K_in(air_K: npt.ArrayLike) -> FloatArray:
    """Default temperature of the living tissue behind the horn in air; an assumption good to about 4 K."""
    return np.asarray(np.interp(np.asarray(air_K, dtype=np.float64), _TISSUE_AIR_K, _TISSUE_K))


def film_W_per_m2_K(wind_m_per_s: float | None) -> float:
    """Convective film coefficient at the face of the pad; still air where the wind is not known."""
    if wind_m_per_s is None:
        return STILL_FILM_W_per_m2_K
    if not wind_m_per_s >= 0.0:
        raise ValueError(f"wind {wind_m_per_s} m/s must be 0 or more: check the sensor")
    return min(_WIND_STILL_W_per_m2_K + _WIND_SLOPE_J_per_m3_K * wind_m_per_s, _WIND_MOST_W_per_m2_K)


def cold_sole_K(air_K: float, wind_m_per_s: float | None = None) -> float:
    """Temperature of a bare sole that nobody warmed, in that air."""
    return float(
        bare_sole_K(
            tissue_K_in(air_K),
            air_K,
            horn_thickness_m=HORN_THICKNESS_m,
            horn_conductivity_W_per_m_K=HORN_CONDUCTIVITY_W_per_m_K,
            tissue_W_per_m2_K=TISSUE_W_per_m2_K,
            film_W_per_m2_K=film_W_per_m2_K(wind_m_per_s),
            emissivity_ratio=EMISSIVITY_ratio,
        )
    )


def reading_noise(members: int) -> FloatArray:
    """Fixed standard normal numbers for the noise of readings, shape (NOISE_DIMENSIONS, members)."""
    return fixed_normals(members, len(_DIMENSIONS) + NOISE_DIMENSIONS)[:, -NOISE_DIMENSIONS:].T


def _column(members: int, name: str) -> FloatArray:
    return fixed_normals(members, len(_DIMENSIONS) + NOISE_DIMENSIONS)[:, _DIMENSIONS.index(name)]


def _material(profile: MaterialProfile, members: int) -> tuple[Kinetics, FloatArray]:
    """Kinetics of the members with the rate at 1/s still to be solved, and their heat of reaction, J/m3."""
    energy = np.clip(
        profile.activation_energy_J_per_mol
        + profile.activation_energy_u_J_per_mol * _column(members, "energy"),
        *_ENERGY_RANGE_J_per_mol,
    )
    b_low, b_high = min(_SHAPE_B_RANGE[0], profile.shape_b), max(_SHAPE_B_RANGE[1], profile.shape_b)
    n_low, n_high = min(_SHAPE_N_RANGE[0], profile.shape_n), max(_SHAPE_N_RANGE[1], profile.shape_n)
    kinetics = kinetics_of(
        members,
        rate_per_s=1.0,
        activation_energy_J_per_mol=energy,
        reference_K=profile.reference_air_K,
        b=np.clip(profile.shape_b * np.exp(_SHAPE_B_u_ln * _column(members, "shape_b")), b_low, b_high),
        m=profile.shape_m,
        n=np.clip(profile.shape_n + _SHAPE_N_u * _column(members, "shape_n"), n_low, n_high),
        glass_start_K=profile.glass_start_K or 0.0,
        glass_full_K=profile.glass_full_K or 0.0,
    )
    heat = profile.heat_of_reaction_J_per_kg * np.exp(_HEAT_u_ln * _column(members, "heat"))
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


@lru_cache(maxsize=16)
def solved_material(profile: MaterialProfile, members: int) -> tuple[Kinetics, FloatArray, float]:
    """Kinetics whose reference pour is firm on time in every member, their heat, a scale for working time.

    The scale is the profile's stated working time over the modelled one of the central member.
    raises  ValueError where no rate gives the reference pour its firm time
    """
    kinetics, heat = _material(profile, members)
    needed = reduced_time(0.0, profile.firm_degree, kinetics.b, kinetics.m, kinetics.n)
    target = np.log(profile.reference_firm_s)
    time_s = np.linspace(0.0, _SOLVE_SPAN * profile.reference_firm_s, round(_SOLVE_SPAN * _SOLVE_STEPS) + 1)

    def misfit(ln_rate: FloatArray) -> tuple[FloatArray, CureCourse, Kinetics]:
        tried = with_rate(kinetics, ln_rate)
        fill, ambient = reference_fill(profile, tried, heat)
        course = cure_course(fill, ambient, time_s, stop_degree=profile.firm_degree)
        firm = reached_s(
            course.time_s, course.lowest_degree, profile.firm_degree, tried, course.last_K, LONGEST_s
        )
        return np.log(firm) - target, course, tried

    ln_rate = np.log(needed / profile.reference_firm_s) - _EXOTHERM_GUESS_ln
    error, course, tried = misfit(ln_rate)
    slope = np.full(members, -1.0)
    for _ in range(_SOLVE_ROUNDS):
        if np.max(np.abs(error)) < _SOLVE_TOLERANCE:
            break
        step = np.clip(-error / slope, -1.0, 1.0)
        ln_rate = ln_rate + step
        previous, (error, course, tried) = error, misfit(ln_rate)
        moved = np.abs(step) > 1e-9
        slope = np.where(moved, (error - previous) / np.where(moved, step, 1.0), slope)
        slope = np.clip(slope, -4.0, -0.3)
    else:
        raise ValueError(
            f"material {profile.name!r}: no rate makes the reference pour firm after "
            f"{profile.reference_firm_s / 60.0:.1f} min: correct its temperatures or thresholds"
        )
    work = reached_s(
        course.time_s, course.highest_degree, profile.work_degree, tried, course.last_K, LONGEST_s
    )
    heat.setflags(write=False)
    return tried, heat, float(profile.reference_work_s / np.exp(np.mean(np.log(work))))


_EXOTHERM_GUESS_ln = 0.9  # the reaction's own heat shortens a mild pour by about this much; a start only


def forecast(
    profile: MaterialProfile,
    pour: PourConditions,
    air: tuple[AirPoint, ...],
    *,
    air_u_K: float = 0.5,
    radiant_offset_K: float = _RADIANT_OFFSET_K,
    members: int = MEMBERS,
) -> CureForecast:
    """Run every member forward from the pour.

    air               at least one point, in time order; the first holds before it, the last after it
    air_u_K           standard uncertainty of the air readings
    radiant_offset_K  surroundings minus air: about -1 in a barn, -20 under a clear sky
    members           1 (the central case alone) or at least 64
    raises            ValueError without air, or for a pour no foot can have
    """
    fill, ambient = _inputs(profile, pour, air, air_u_K, radiant_offset_K, members)
    time_s = np.concatenate(_GRID_s)
    course = cure_course(fill, ambient, time_s, rim=True, stop_degree=profile.load_degree)
    jitter = _TIME_JITTER_u_ln * _column(members, "jitter")
    work_scale = solved_material(profile, members)[2]

    def ln_reached(degree: FloatArray, threshold: float, last_K: FloatArray) -> FloatArray:
        reached = reached_s(course.time_s, degree, threshold, fill.kinetics, last_K, LONGEST_s)
        return np.asarray(np.log(reached) + jitter)

    def at_locations(threshold: float) -> FloatArray:
        return np.stack(
            [
                ln_reached(course.surface_degree, threshold, course.surface_last_K),
                ln_reached(course.bond_degree, threshold, course.bond_last_K),
                ln_reached(course.rim_degree, threshold, course.rim_last_K),
            ]
        )

    kinetics = fill.kinetics
    needs = reduced_time(0.0, profile.firm_degree, kinetics.b, kinetics.m, kinetics.n) / kinetics.rate_per_s
    result = CureForecast(
        course.time_s,
        course.surface_K.astype(np.float32),
        course.bond_K.astype(np.float32),
        ln_reached(course.highest_degree, profile.work_degree, course.last_K) + np.log(work_scale),
        at_locations(profile.firm_degree),
        at_locations(profile.load_degree),
        course.hottest_K,
        course.hottest_bond_K,
        needs,
        np.quantile(course.surface_K, _WARM_SHARE, axis=1),
    )
    for name in CureForecast.__slots__:
        getattr(result, name).setflags(write=False)
    return result


def _inputs(
    profile: MaterialProfile,
    pour: PourConditions,
    air: tuple[AirPoint, ...],
    air_u_K: float,
    radiant_offset_K: float,
    members: int,
) -> tuple[Fill, Ambient]:
    if not air:
        raise ValueError("a cure cannot be predicted without air: give at least one air temperature")

    def z(name: str) -> FloatArray:
        return _column(members, name)

    solved, heat, _ = solved_material(profile, members)
    kinetics = with_rate(solved, np.log(solved.rate_per_s) + profile.ln_rate_u * z("ln_rate"))
    start_K = air[0].air_K
    # A sole warmer than the air explains may be a warm foot or a cold foot with a warmed skin: the share of
    # the excess that the tissue behind it has is spread evenly from 0 to 1.
    excess_K = max(pour.sole_K - cold_sole_K(start_K, air[0].wind_m_per_s), 0.0)
    share = 0.5 + 0.5 * np.clip(z("warm_share") / 2.0, -1.0, 1.0)
    tissue = tissue_K_in(start_K) + share * excess_K + _TISSUE_u_K * z("tissue")
    thickness = np.maximum(pour.thickness_m + pour.thickness_u_m * z("thickness"), _THICKNESS_LEAST_m)
    fill = Fill(
        pad_thickness_m=thickness,
        pad_conductivity_W_per_m_K=profile.conductivity_W_per_m_K
        * np.exp(_PAD_CONDUCTIVITY_u_ln * z("conductivity")),
        pad_capacity_J_per_m3_K=np.full(
            members, profile.density_kg_per_m3 * profile.heat_capacity_J_per_kg_K
        ),
        heat_J_per_m3=heat,
        horn_thickness_m=HORN_THICKNESS_m * np.exp(_HORN_u_ln * z("horn")),
        horn_conductivity_W_per_m_K=np.full(members, HORN_CONDUCTIVITY_W_per_m_K),
        horn_capacity_J_per_m3_K=np.full(members, HORN_CAPACITY_J_per_m3_K),
        tissue_W_per_m2_K=TISSUE_W_per_m2_K * np.exp(_TISSUE_FILM_u_ln * z("tissue_film")),
        tissue_K=tissue,
        cover_m2_K_per_W=np.full(members, pour.cover_m2_K_per_W),
        emissivity_ratio=np.full(members, EMISSIVITY_ratio),
        material_K=pour.material_K + pour.material_u_K * z("material"),
        sole_K=pour.sole_K + pour.sole_u_K * z("sole"),
        kinetics=kinetics,
    )
    offset = np.hypot(air_u_K, _AIR_AT_FOOT_u_K) * z("air")
    radiant = radiant_offset_K + _RADIANT_u_K * z("radiant")
    factor = np.exp(_FILM_u_ln * z("film"))
    air_K = np.array([[p.air_K] for p in air]) + offset
    films = np.array([[film_W_per_m2_K(p.wind_m_per_s)] for p in air]) * factor
    return fill, Ambient(np.array([p.after_s for p in air]), air_K, air_K + radiant, films)
