"""The cure model with everything that is not known about one fill: 256 fixed members, run forward together.

The members are fixed (fixed_members), so the same inputs give the very same answer everywhere. Each draws its
own material (rate, activation energy, heat, shape of the curve), pour (thickness, temperatures), foot
(tissue, horn) and weather (film, air, radiation). Its rate is solved so that the profile's reference pour is
firm at the profile's time, and only then is the uncertainty of the rate applied.
"""

from __future__ import annotations

from collections.abc import Callable, Sequence
from dataclasses import dataclass

import numpy as np
import numpy.typing as npt

from hoofsense.estimators.cure_material import LONGEST_s, column_of, solved_material, with_rate
from hoofsense.estimators.cure_surroundings import (
    EMISSIVITY_ratio,
    HORN_CAPACITY_J_per_m3_K,
    HORN_CONDUCTIVITY_W_per_m_K,
    HORN_THICKNESS_m,
    TISSUE_W_per_m2_K,
    cold_sole_K,
    film_W_per_m2_K,
    tissue_K_in,
)
from hoofsense.physics.cure_kinetics import Kinetics, reduced_time
from hoofsense.physics.pad_cure import cure_course, reached_s
from hoofsense.physics.poured_pad import Ambient, Fill, side_by_side
from hoofsense.records import MaterialProfile, PourConditions

FloatArray = npt.NDArray[np.float64]

MEMBERS = 256

# Standard uncertainties of what a practitioner does not measure. Assumptions, chosen to span the ranges the
# profiles name; the study of synthetic pours shows what they cover.
_TISSUE_u_K = 4.0
_TISSUE_FILM_u_ln = 0.5
_HORN_u_ln = 0.25
_FILM_u_ln = 0.35
_PAD_CONDUCTIVITY_u_ln = 0.10
_AIR_AT_FOOT_u_K = 1.0
BARN_RADIANT_K = -1.0  # walls and ground against the air
_RADIANT_u_K = 3.0
_TIME_JITTER_u_ln = 0.15
_THICKNESS_LEAST_m = 0.0015

# Steps: fine while the layers even out, coarse in the slow tail. From -10 to 35 degC the centre is then firm
# within 3 s of a far finer solution, the rim within 3 s up to 90 min and 0.15 % after (a test compares them).
STEPS_s = np.concatenate(
    [
        np.arange(0.0, 60.0, 5.0),
        np.arange(60.0, 600.0, 10.0),
        np.arange(600.0, 3600.0, 20.0),
        np.arange(3600.0, 14400.0 + 1.0, 60.0),
    ]
)
STEPS_s.setflags(write=False)
LOCATIONS = ("surface", "bond line", "rim")
_WARM_SHARE = 0.95


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


def forecast(
    profile: MaterialProfile,
    pour: PourConditions,
    air: tuple[AirPoint, ...],
    *,
    air_u_K: float = 0.5,
    radiant_offset_K: float = BARN_RADIANT_K,
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
    course = cure_course(fill, ambient, STEPS_s, rim=True, stop_degree=profile.load_degree)
    jitter = _TIME_JITTER_u_ln * column_of(members, "jitter")
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


def central_firm_s(
    profile: MaterialProfile,
    cases: Sequence[tuple[PourConditions, AirPoint]],
    radiant_offset_K: float = BARN_RADIANT_K,
) -> FloatArray:
    """When the central member is firm at its slowest place, s after the pour, for several cases at once.

    cases  pour and steady air of each; shape of the answer (len(cases),)
    """
    made = [_inputs(profile, pour, (point,), 0.0, radiant_offset_K, 1) for pour, point in cases]
    fill, ambient = side_by_side(made)
    course = cure_course(fill, ambient, STEPS_s, rim=True, stop_degree=profile.firm_degree)
    places = (
        (course.surface_degree, course.surface_last_K),
        (course.bond_degree, course.bond_last_K),
        (course.rim_degree, course.rim_last_K),
    )
    reached = [
        reached_s(course.time_s, degree, profile.firm_degree, fill.kinetics, last_K, LONGEST_s)
        for degree, last_K in places
    ]
    return np.asarray(np.max(reached, axis=0))


def _inputs(
    profile: MaterialProfile,
    pour: PourConditions,
    air: tuple[AirPoint, ...],
    air_u_K: float,
    radiant_offset_K: float,
    members: int,
) -> tuple[Fill, Ambient]:
    solved, heat, _ = solved_material(profile, members)
    ln_rate = np.log(solved.rate_per_s) + profile.ln_rate_u * column_of(members, "ln_rate")
    return inputs_of(
        profile,
        pour,
        air,
        with_rate(solved, ln_rate),
        heat,
        lambda name: column_of(members, name),
        air_u_K=air_u_K,
        radiant_offset_K=radiant_offset_K,
    )


def inputs_of(
    profile: MaterialProfile,
    pour: PourConditions,
    air: tuple[AirPoint, ...],
    kinetics: Kinetics,
    heat_J_per_m3: FloatArray,
    z: Callable[[str], FloatArray],
    *,
    air_u_K: float = 0.5,
    radiant_offset_K: float = BARN_RADIANT_K,
) -> tuple[Fill, Ambient]:
    """Fill and surroundings of members with these kinetics; z(name) gives each input's standard normals."""
    if not air:
        raise ValueError("a cure cannot be predicted without air: give at least one air temperature")
    members = kinetics.members
    start_K = air[0].air_K
    # A sole warmer than the air explains may be a warm foot or a cold foot with a warmed skin: the share of
    # the excess that the tissue behind it has is spread evenly from 0 to 1.
    excess_K = max(pour.sole_K - cold_sole_K(start_K, air[0].wind_m_per_s), 0.0)
    share = 0.5 + 0.5 * np.clip(z("warm_share") / _EVEN_SPREAD, -1.0, 1.0)
    fill = Fill(
        pad_thickness_m=np.maximum(
            pour.thickness_m + pour.thickness_u_m * z("thickness"), _THICKNESS_LEAST_m
        ),
        pad_conductivity_W_per_m_K=profile.conductivity_W_per_m_K
        * np.exp(_PAD_CONDUCTIVITY_u_ln * z("conductivity")),
        pad_capacity_J_per_m3_K=np.full(
            members, profile.density_kg_per_m3 * profile.heat_capacity_J_per_kg_K
        ),
        heat_J_per_m3=heat_J_per_m3,
        horn_thickness_m=HORN_THICKNESS_m * np.exp(_HORN_u_ln * z("horn")),
        horn_conductivity_W_per_m_K=np.full(members, HORN_CONDUCTIVITY_W_per_m_K),
        horn_capacity_J_per_m3_K=np.full(members, HORN_CAPACITY_J_per_m3_K),
        tissue_W_per_m2_K=TISSUE_W_per_m2_K * np.exp(_TISSUE_FILM_u_ln * z("tissue_film")),
        tissue_K=tissue_K_in(start_K) + share * excess_K + _TISSUE_u_K * z("tissue"),
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


_EVEN_SPREAD = 2.0  # standard normals within +/-2, cut there, spread a share nearly evenly over 0 to 1
