"""When a logged pour should have reached its degrees of cure, for any rate, energy and curve shape.

The reaction-conduction model is run for every pour at fixed points of the prior (fixed_members), and the
logarithms of its times are fitted by a polynomial: what the likelihood of thousands of points then costs is a
product of matrices. At every energy and shape the reference pour is firm on time before the rate is moved, so
a firm mark tells the rate (and, over the seasons, the energy), and only a second mark tells the shape.
"""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import dataclass, replace
from functools import cache
from itertools import combinations_with_replacement

import numpy as np
import numpy.typing as npt
from scipy.special import log_ndtr

from hoofsense.estimators.cure_ensemble import STEPS_s, inputs_of
from hoofsense.estimators.cure_log import LoggedPour
from hoofsense.estimators.cure_material import LONGEST_s, rate_solved, reference_times_s, with_rate
from hoofsense.estimators.fixed_members import fixed_normals
from hoofsense.physics.cure_kinetics import Kinetics, kinetics_of
from hoofsense.physics.pad_cure import cure_course, reached_s
from hoofsense.records import MaterialProfile

FloatArray = npt.NDArray[np.float64]

# What is learned, in the order of the columns of every array z: each in prior standard uncertainties.
LEARNED = ("ln rate", "energy", "shape b", "shape n")
DEGREES = ("work", "firm", "load")

_POINTS = 256
_POLYNOMIAL_DEGREE = 4  # its residual, 1 to 2 % of a time, is asserted in the tests
_ENERGY_LEAST_J_per_mol = 30e3


@dataclass(frozen=True, slots=True, eq=False)
class MarkTimes:
    """ln time of every pour at DEGREES, as polynomials in z."""

    coefficients: FloatArray  # (pours, terms, 3)

    def ln_times(self, pour: int, z: FloatArray) -> FloatArray:
        """ln s after the pour at DEGREES, shape (3, P), for points of shape (P, 4)."""
        return np.asarray((_terms(z) @ self.coefficients[pour]).T)


def mark_times(profile: MaterialProfile, pours: Sequence[LoggedPour]) -> MarkTimes:
    """Run the model for every pour at the fixed points, and fit it."""
    z = fixed_normals(_POINTS, len(LEARNED))
    kinetics, heat = point_material(profile, z)
    terms, scale = _terms(z), work_scale(profile)
    fitted = [
        np.linalg.lstsq(terms, modelled_ln_times(profile, logged, kinetics, heat, scale).T, rcond=None)[0]
        for logged in pours
    ]
    return MarkTimes(np.array(fitted))


def _terms(z: FloatArray) -> FloatArray:
    """Every product of up to _POLYNOMIAL_DEGREE columns, shape (P, terms)."""
    return np.stack([np.prod(z[:, list(columns)], axis=1) for columns in _products()], axis=1)


@cache
def _products() -> tuple[tuple[int, ...], ...]:
    degrees = range(_POLYNOMIAL_DEGREE + 1)
    return tuple(c for d in degrees for c in combinations_with_replacement(range(len(LEARNED)), d))


def energy_of(profile: MaterialProfile, z: npt.ArrayLike) -> FloatArray:
    """Activation energy, J/mol, of points z in prior standard uncertainties."""
    return np.asarray(
        profile.activation_energy_J_per_mol + profile.activation_energy_u_J_per_mol * np.asarray(z)
    )


def shape_b_of(profile: MaterialProfile, z: npt.ArrayLike) -> FloatArray:
    return np.asarray(profile.shape_b * np.exp(profile.shape_b_u_ln * np.asarray(z)))


def shape_n_of(profile: MaterialProfile, z: npt.ArrayLike) -> FloatArray:
    """The exponent stays positive: normal in its logarithm, as wide as the profile says at its centre."""
    return np.asarray(profile.shape_n * np.exp(profile.shape_n_u / profile.shape_n * np.asarray(z)))


def point_material(profile: MaterialProfile, z: FloatArray) -> tuple[Kinetics, FloatArray]:
    """Kinetics and heat (J/m3) at points z (P, 4): the reference pour firm on time, then the rate moved."""
    points = z.shape[0]
    kinetics = kinetics_of(
        points,
        rate_per_s=1.0,
        activation_energy_J_per_mol=np.maximum(energy_of(profile, z[:, 1]), _ENERGY_LEAST_J_per_mol),
        reference_K=profile.reference_air_K,
        b=shape_b_of(profile, z[:, 2]),
        m=profile.shape_m,
        n=shape_n_of(profile, z[:, 3]),
        glass_start_K=profile.glass_start_K or 0.0,
        glass_full_K=profile.glass_full_K or 0.0,
    )
    heat = np.full(points, profile.density_kg_per_m3 * profile.heat_of_reaction_J_per_kg)
    solved, _ = rate_solved(profile, kinetics, heat)
    return with_rate(solved, np.log(solved.rate_per_s) + profile.ln_rate_u * z[:, 0]), heat


def work_scale(profile: MaterialProfile) -> float:
    """The stated working time of the reference pour over the modelled one."""
    kinetics, heat = point_material(profile, np.zeros((1, len(LEARNED))))
    return float(profile.reference_work_s / reference_times_s(profile, kinetics, heat)[1][0])


def modelled_ln_times(
    profile: MaterialProfile, logged: LoggedPour, kinetics: Kinetics, heat_J_per_m3: FloatArray, scale: float
) -> FloatArray:
    """ln s after the pour at DEGREES, (3, M): work anywhere in the pad, the others where it was felt."""
    nothing = np.zeros(kinetics.members)
    fill, ambient = inputs_of(
        profile, replace(logged.pour, poured_at_ns=0), logged.air, kinetics, heat_J_per_m3, lambda _: nothing
    )
    rim = logged.place == "rim"
    course = cure_course(fill, ambient, STEPS_s, rim=rim, stop_degree=profile.load_degree)
    degree, last_K = {
        "surface": (course.surface_degree, course.surface_last_K),
        "bond line": (course.bond_degree, course.bond_last_K),
        "rim": (course.rim_degree, course.rim_last_K),
    }[logged.place]

    def reached(of: FloatArray, threshold: float, at_K: FloatArray) -> FloatArray:
        return np.log(reached_s(course.time_s, of, threshold, kinetics, at_K, LONGEST_s))

    return np.stack(
        [
            reached(course.highest_degree, profile.work_degree, course.last_K) + np.log(scale),
            reached(degree, profile.firm_degree, last_K),
            reached(degree, profile.load_degree, last_K),
        ]
    )


def log_likelihood(
    times: MarkTimes, pours: Sequence[LoggedPour], z: FloatArray, scatter: float
) -> FloatArray:
    """ln probability of all marks, shape (P,), at points z (P, 4).

    scatter  of ln time between pours, shared by all marks of a pour; each touch errs by itself besides
    """
    total = np.zeros(z.shape[0])
    for i, logged in enumerate(pours):
        expected = times.ln_times(i, z)
        if not logged.seconds:
            alone = float(np.hypot(scatter, THUMB_u_ln))
            total += _log_mark(expected, "firm", logged.soft_until_s, logged.firm_from_s, alone)
            continue
        marks = [("firm", logged.soft_until_s, logged.firm_from_s)]
        marks += [(mark.degree, mark.not_yet_s, mark.reached_s) for mark in logged.seconds]
        shared = np.empty((_NODES.size, z.shape[0]))
        for row, node in zip(shared, _NODES, strict=True):
            row[:] = -0.5 * node**2 + _LN_SPACING
            for mark in marks:
                row += _log_mark(expected + scatter * node, *mark, THUMB_u_ln)
        total += np.logaddexp.reduce(shared, axis=0)
    return total


THUMB_u_ln = 0.05  # error of one touch alone, in ln time; assumption
# What the marks of one pour share is integrated by the trapezoidal rule over a standard normal.
_NODES = np.linspace(-3.0, 3.0, 17)
_LN_SPACING = float(np.log((_NODES[1] - _NODES[0]) / np.sqrt(2.0 * np.pi)))


def _log_mark(
    ln_times: FloatArray, degree: str, before_s: float | None, from_s: float | None, u_ln: float
) -> FloatArray:
    at = ln_times[DEGREES.index(degree)]
    upper = None if from_s is None else (np.log(from_s) - at) / u_ln
    lower = None if before_s is None else (np.log(before_s) - at) / u_ln
    return log_between(lower, upper)


def log_between(lower: FloatArray | None, upper: FloatArray | None) -> FloatArray:
    """ln[Phi(upper) - Phi(lower)], without loss far out in either tail; None is an open end."""
    if lower is None and upper is None:
        raise ValueError("an interval needs at least one end")
    if lower is None:
        return np.asarray(log_ndtr(upper))
    if upper is None:
        return np.asarray(log_ndtr(-lower))
    # In the upper tail use the mirror image, where Phi is small instead of close to 1.
    mirrored = lower > 0.0
    below = np.where(mirrored, -upper, lower)
    above = np.where(mirrored, -lower, upper)
    far, near = log_ndtr(below), log_ndtr(above)
    return np.asarray(near + np.log1p(-np.minimum(np.exp(far - near), 1.0 - _TINY)))


_TINY = 1e-12
