"""What touch checks of past pours say about a material: its rate, its activation energy, its intervals.

A touch never says when a pad became firm, only that it was still soft once and firm later: the firm time is
interval-censored. For each pour the reaction-conduction model gives the logarithm of the firm time of the
place that was touched, mu(ln k, E); the likelihood is Phi((ln U - mu)/tau) - Phi((ln L - mu)/tau), open at
the ends where no soft or no firm touch was made. Rate and energy have normal priors, the scatter tau between
pours is integrated out, and the posterior is a sum over a grid: no sampling, the same answer every time.

The activation energy is never fitted on the air: a pad warms itself and is warmed by the foot, so the air at
the pour regresses to a false energy (35 to 44 kJ/mol for a true 50). A narrow season says nothing about it,
and then it stays as it was.
"""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import dataclass, replace

import numpy as np
import numpy.typing as npt
from scipy.special import log_ndtr

from hoofsense.estimators.cure_ensemble import LOCATIONS, AirPoint, inputs_of
from hoofsense.estimators.cure_evidence import Times
from hoofsense.estimators.cure_material import LONGEST_s, rate_solved, reference_times_s, with_rate
from hoofsense.estimators.cure_smoother import Touch
from hoofsense.physics.cure_kinetics import Kinetics, kinetics_of
from hoofsense.physics.pad_cure import cure_course, reached_s
from hoofsense.records import MaterialProfile, PourConditions

FloatArray = npt.NDArray[np.float64]

# The model is run at these many standard uncertainties from the prior's centre, and interpolated between.
_NODES = np.array([-3.0, -2.0, -1.0, 0.0, 1.0, 2.0, 3.0])
_DEGREE = 4  # of the polynomial in each of the two; its residual is asserted in the tests
_FINE = np.linspace(-3.5, 3.5, 141)
_ENERGY_LEAST_J_per_mol = 30e3
# Scatter of ln firm time between pours of one material that the inputs do not explain: assumption, uniform
# over these (thumbs 0.15, thickness and temperatures about 0.1 each).
_SCATTERS_ln = (0.06, 0.10, 0.15, 0.22, 0.33)
_STEPS_s = (np.arange(0.0, 1800.0, 10.0), np.arange(1800.0, 5400.0, 30.0), np.arange(5400.0, 14401.0, 120.0))

# When an energy may be claimed: the pours must span this much air, and the posterior must be this much
# narrower than the prior. Engineering choices; over 15 to 25 degC the energy is not identified at all.
ENERGY_SPAN_K = 15.0
ENERGY_SHRINK_ratio = 0.6
FEWEST_POURS = 3
BATCH_u_ln = 0.10  # what remains unknown of the next batch however many were logged; assumption


@dataclass(frozen=True, slots=True)
class LoggedPour:
    """One pour that was checked by touch.

    soft_until_s, firm_from_s  last soft and first firm touch, s after the pour; None where there was none
    place                      what was touched, one of LOCATIONS
    predicted                  not before, likely, safe by, as said before the touches; None: nothing was
    """

    pour: PourConditions
    air: tuple[AirPoint, ...]
    soft_until_s: float | None
    firm_from_s: float | None
    place: str = "rim"
    predicted: Times | None = None

    def __post_init__(self) -> None:
        soft, firm = self.soft_until_s, self.firm_from_s
        if soft is None and firm is None:
            raise ValueError("a logged pour without any touch says nothing: leave it out")
        if any(value is not None and not value > 0.0 for value in (soft, firm)):
            raise ValueError(f"touches {soft} and {firm} s must come after the pour: correct the log")
        if soft is not None and firm is not None and not soft < firm:
            raise ValueError(f"still soft at {soft:.0f} s but firm at {firm:.0f} s: correct the log")
        if not self.air:
            raise ValueError("a logged pour needs its air temperature: leave it out")
        if self.place not in LOCATIONS:
            raise ValueError(f"place {self.place!r} is not one of {', '.join(LOCATIONS)}")


def logged_pour(
    pour: PourConditions,
    air: tuple[AirPoint, ...],
    touches: Sequence[Touch],
    *,
    place: str = "rim",
    predicted: Times | None = None,
) -> LoggedPour:
    """A logged pour from all its touches: the last soft one, and the first firm one after it.

    raises  ValueError without a touch
    """
    soft = [touch.after_s for touch in touches if not touch.firm]
    last_soft_s = max(soft, default=None)
    firm = [t.after_s for t in touches if t.firm and (last_soft_s is None or t.after_s > last_soft_s)]
    return LoggedPour(pour, air, last_soft_s, min(firm, default=None), place, predicted)


@dataclass(frozen=True, slots=True)
class CheckedPour:
    """Predicted against checked, for a plot: times in s after the pour under the calibrated material."""

    fitted_s: float
    soft_until_s: float | None
    firm_from_s: float | None
    predicted: Times | None
    covered: bool | None


@dataclass(frozen=True, slots=True)
class Calibration:
    """What is known of a material after its logged pours.

    ln_rate, ln_rate_u   change of ln k against the profile's reference pour, and its standard uncertainty
    energy_J_per_mol, energy_u_J_per_mol  as far as it may be claimed: the profile's own when it may not
    energy_claimed       whether the season was wide enough
    energy_reason        one sentence on why or why not
    covered, missed, undecided  past intervals against touches
    low_K, high_K        range of air over the pours
    """

    pours: int
    ln_rate: float
    ln_rate_u: float
    energy_J_per_mol: float
    energy_u_J_per_mol: float
    energy_claimed: bool
    energy_reason: str
    scatter_ln: float
    covered: int
    missed: int
    undecided: int
    low_K: float
    high_K: float
    checked: tuple[CheckedPour, ...]

    @property
    def covered_ratio(self) -> float:
        """Share of the decided intervals that covered; 0 when none was decided."""
        decided = self.covered + self.missed
        return self.covered / decided if decided else 0.0


@dataclass(frozen=True, slots=True, eq=False)
class FirmTimeSurfaces:
    """ln firm time of every pour as a polynomial in ln rate and energy, in prior standard uncertainties."""

    coefficients: FloatArray  # (pours, degree + 1, degree + 1)

    def ln_firm(self, pour: int, ln_rate_z: FloatArray, energy_z: FloatArray) -> FloatArray:
        """Shape (len(ln_rate_z), len(energy_z))."""
        return np.asarray(np.polynomial.polynomial.polygrid2d(ln_rate_z, energy_z, self.coefficients[pour]))


def firm_time_surfaces(profile: MaterialProfile, pours: Sequence[LoggedPour]) -> FirmTimeSurfaces:
    """Run the model for every pour over a grid of rates and energies, and fit it smoothly."""
    rate_z, energy_z = (grid.ravel() for grid in np.meshgrid(_NODES, _NODES, indexing="ij"))
    kinetics, heat = _grid_material(profile, rate_z, energy_z)
    basis = np.polynomial.polynomial.polyvander2d(rate_z, energy_z, [_DEGREE, _DEGREE])
    size = _DEGREE + 1
    fitted = [
        np.linalg.lstsq(basis, _ln_firm(profile, logged, kinetics, heat), rcond=None)[0].reshape(size, size)
        for logged in pours
    ]
    return FirmTimeSurfaces(np.array(fitted))


def _grid_material(
    profile: MaterialProfile, rate_z: FloatArray, energy_z: FloatArray
) -> tuple[Kinetics, FloatArray]:
    """Kinetics of the grid: at every energy the reference pour is firm on time, then the rate is moved."""
    members = rate_z.size
    energy = profile.activation_energy_J_per_mol + profile.activation_energy_u_J_per_mol * energy_z
    kinetics = kinetics_of(
        members,
        rate_per_s=1.0,
        activation_energy_J_per_mol=np.maximum(energy, _ENERGY_LEAST_J_per_mol),
        reference_K=profile.reference_air_K,
        b=profile.shape_b,
        m=profile.shape_m,
        n=profile.shape_n,
        glass_start_K=profile.glass_start_K or 0.0,
        glass_full_K=profile.glass_full_K or 0.0,
    )
    heat = np.full(members, profile.density_kg_per_m3 * profile.heat_of_reaction_J_per_kg)
    solved, _ = rate_solved(profile, kinetics, heat)
    return with_rate(solved, np.log(solved.rate_per_s) + profile.ln_rate_u * rate_z), heat


def _ln_firm(
    profile: MaterialProfile, logged: LoggedPour, kinetics: Kinetics, heat: FloatArray
) -> FloatArray:
    nothing = np.zeros(kinetics.members)
    fill, ambient = inputs_of(
        profile, replace(logged.pour, poured_at_ns=0), logged.air, kinetics, heat, lambda _name: nothing
    )
    course = cure_course(
        fill, ambient, np.concatenate(_STEPS_s), rim=logged.place == "rim", stop_degree=profile.firm_degree
    )
    degree, last_K = {
        "surface": (course.surface_degree, course.surface_last_K),
        "bond line": (course.bond_degree, course.bond_last_K),
        "rim": (course.rim_degree, course.rim_last_K),
    }[logged.place]
    return np.log(reached_s(course.time_s, degree, profile.firm_degree, kinetics, last_K, LONGEST_s))


def calibrated(
    profile: MaterialProfile, pours: Sequence[LoggedPour], surfaces: FirmTimeSurfaces | None = None
) -> Calibration:
    """The posterior of a material after its logged pours.

    surfaces  from firm_time_surfaces for the same pours, when they are at hand already
    raises    ValueError for fewer than three pours
    """
    if len(pours) < FEWEST_POURS:
        raise ValueError(
            f"{len(pours)} logged pours say too little: log at least {FEWEST_POURS} with touches"
        )
    surfaces = firm_time_surfaces(profile, pours) if surfaces is None else surfaces
    prior = -0.5 * (_FINE[:, None] ** 2 + _FINE[None, :] ** 2)
    posterior = np.stack([prior + _log_likelihood(surfaces, pours, tau) for tau in _SCATTERS_ln])
    weights: FloatArray = np.exp(posterior - posterior.max())
    weights /= weights.sum()
    joint = weights.sum(axis=0)
    rate_z, rate_sd = _moments(_FINE, joint.sum(axis=1))
    energy_z, energy_sd = _moments(_FINE, joint.sum(axis=0))
    airs = [point.air_K for logged in pours for point in logged.air]
    low_K, high_K = min(airs), max(airs)
    claimed, reason = _energy_claim(high_K - low_K, energy_sd)
    if not claimed:
        energy_z, energy_sd = 0.0, 1.0
    verdicts = tuple(_covered(logged) for logged in pours)
    fitted = [
        float(np.exp(surfaces.ln_firm(i, np.array([rate_z]), np.array([energy_z]))[0, 0]))
        for i in range(len(pours))
    ]
    return Calibration(
        len(pours),
        profile.ln_rate_u * rate_z,
        profile.ln_rate_u * rate_sd,
        profile.activation_energy_J_per_mol + profile.activation_energy_u_J_per_mol * energy_z,
        profile.activation_energy_u_J_per_mol * energy_sd,
        claimed,
        reason,
        float(np.sum(weights.sum(axis=(1, 2)) * np.array(_SCATTERS_ln))),
        verdicts.count(True),
        verdicts.count(False),
        verdicts.count(None),
        low_K,
        high_K,
        tuple(
            CheckedPour(t, logged.soft_until_s, logged.firm_from_s, logged.predicted, verdict)
            for t, logged, verdict in zip(fitted, pours, verdicts, strict=True)
        ),
    )


def calibrated_profile(profile: MaterialProfile, calibration: Calibration) -> MaterialProfile:
    """The profile with what was learned: reference times, energy, uncertainties, logged range.

    The reference pour keeps its thickness and temperatures; its firm and working time become those of the
    calibrated rate.
    """
    ratios = _reference_ratios(profile, calibration)
    learned = f"rate and energy from {calibration.pours} logged pours, {calibration.energy_reason}"
    return replace(
        profile,
        reference_firm_s=profile.reference_firm_s * ratios[0],
        reference_work_s=profile.reference_work_s * ratios[1],
        activation_energy_J_per_mol=calibration.energy_J_per_mol,
        activation_energy_u_J_per_mol=calibration.energy_u_J_per_mol,
        ln_rate_u=float(np.hypot(calibration.ln_rate_u, BATCH_u_ln)),
        logged_pours=calibration.pours,
        logged_covered_ratio=calibration.covered_ratio,
        logged_low_K=calibration.low_K,
        logged_high_K=calibration.high_K,
        assumptions=(*(a for a in profile.assumptions if not a.startswith(_LEARNED)), learned),
    )


_LEARNED = ("reference firm", "reference work", "activation energy", "ln rate u", "rate and energy from")


def _reference_ratios(profile: MaterialProfile, calibration: Calibration) -> tuple[float, float]:
    """Calibrated over stated: firm and working time of the reference pour."""
    at = np.array([0.0])
    energy_z = (
        calibration.energy_J_per_mol - profile.activation_energy_J_per_mol
    ) / profile.activation_energy_u_J_per_mol
    before, heat = _grid_material(profile, at, at)
    after, _ = _grid_material(
        profile, np.array([calibration.ln_rate / profile.ln_rate_u]), np.array([energy_z])
    )
    was, now = (reference_times_s(profile, kinetics, heat) for kinetics in (before, after))
    return float(now[0][0] / was[0][0]), float(now[1][0] / was[1][0])


def _log_likelihood(surfaces: FirmTimeSurfaces, pours: Sequence[LoggedPour], scatter_ln: float) -> FloatArray:
    total = np.zeros((_FINE.size, _FINE.size))
    for i, logged in enumerate(pours):
        expected = surfaces.ln_firm(i, _FINE, _FINE)
        low, high = logged.soft_until_s, logged.firm_from_s
        upper = (np.log(high) - expected) / scatter_ln if high is not None else None
        lower = (np.log(low) - expected) / scatter_ln if low is not None else None
        total += _log_between(lower, upper)
    return total


def _log_between(lower: FloatArray | None, upper: FloatArray | None) -> FloatArray:
    """ln[Phi(upper) - Phi(lower)], without loss far out in either tail; None is an open end."""
    if lower is None and upper is None:
        raise ValueError("an interval needs at least one end")
    if lower is None:
        return np.asarray(log_ndtr(upper))
    if upper is None:
        return np.asarray(log_ndtr(-lower))
    # In the upper tail use the mirror image, where Phi is small instead of close to 1.
    mirrored = lower > 0.0
    first = np.where(mirrored, -lower, upper)
    second = np.where(mirrored, -upper, lower)
    big, small = log_ndtr(first), log_ndtr(second)
    return np.asarray(big + np.log1p(-np.exp(np.minimum(small - big, -_TINY))))


_TINY = 1e-12


def _moments(values: FloatArray, weights: FloatArray) -> tuple[float, float]:
    mean = float(np.sum(weights * values))
    return mean, float(np.sqrt(np.sum(weights * (values - mean) ** 2)))


def _energy_claim(span_K: float, energy_sd: float) -> tuple[bool, str]:
    if span_K < ENERGY_SPAN_K:
        return False, (
            f"the air spanned only {span_K:.0f} K and an energy needs {ENERGY_SPAN_K:.0f}, "
            "so it stays as it was"
        )
    if energy_sd > ENERGY_SHRINK_ratio:
        return False, (
            f"the touches narrow the energy only to {100.0 * energy_sd:.0f} % of what was assumed, "
            "so it stays as it was"
        )
    return True, f"the air spanned {span_K:.0f} K, enough to tell the energy"


def _covered(logged: LoggedPour) -> bool | None:
    """Whether the interval said beforehand held the firm time; None where the touches cannot tell."""
    if logged.predicted is None:
        return None
    low_s, _, high_s = logged.predicted
    soft, firm = logged.soft_until_s, logged.firm_from_s
    if (soft is not None and soft >= high_s) or (firm is not None and firm <= low_s):
        return False
    if soft is None or firm is None:
        return None
    return low_s <= float(np.sqrt(soft * firm)) <= high_s
