"""What touch checks of past pours say about a material: rate, activation energy, curve shape, intervals.

For each mark of a logged pour the reaction-conduction model gives the logarithm of the time of the place that
was touched (cure_mark_times); the likelihood is Phi((ln U - mu)/tau) - Phi((ln L - mu)/tau), open at the ends
where no soft or no firm touch was made. Rate, energy and shape have normal priors, the scatter tau between
pours is integrated out. The posterior is a weighted sum over fixed points that are moved to where the weight
is, in rounds: nothing is drawn, the same log gives the same answer every time.

The activation energy is never fitted on the air: a pad warms itself and is warmed by the foot, so the air at
the pour regresses to a false energy (35 to 44 kJ/mol for a true 50). A narrow season says nothing about it,
and then it stays as it was. The shape of the curve stays as it was unless marks of a second degree of cure
tell it: firm alone says when, not how it got there or how long the rest takes.
"""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import dataclass, replace

import numpy as np
import numpy.typing as npt

from hoofsense.estimators.cure_evidence import Times
from hoofsense.estimators.cure_log import LoggedPour
from hoofsense.estimators.cure_mark_times import (
    DEGREES,
    LEARNED,
    MarkTimes,
    energy_of,
    log_likelihood,
    mark_times,
    point_material,
    shape_b_of,
    shape_n_of,
)
from hoofsense.estimators.cure_material import reference_times_s
from hoofsense.estimators.fixed_members import fixed_normals
from hoofsense.records import MaterialProfile

FloatArray = npt.NDArray[np.float64]

# Scatter of ln time between pours of one material that the inputs do not explain (thickness, temperatures,
# mix, each about 0.1): assumption, uniform over these.
_SCATTERS_ln = (0.06, 0.10, 0.15, 0.22, 0.33)

_POINTS = 1024
_WIDER = 1.2  # the points spread this much wider than the weight, so that its tails hold points
_ROUNDS_MOST = 12
_COARSE_ROUNDS = 3  # with the largest scatter alone
_EFFECTIVE_LEAST_share = 0.1  # of the points must carry weight, else the marks are believed less this round
_EFFECTIVE_WANTED_share = 0.4
_LESS_BELIEF_ratio = 0.7
_BELIEF_LEAST = 1e-3
_SCATTER_SHARE_MOST = 0.95  # of the weight on the largest scatter
_DOMAIN = 3.4  # prior standard uncertainties over which the fitted times hold

# When an energy or a shape may be claimed: the pours must span this much air, so many must carry second
# marks, and the posterior must be this much narrower than the prior. Engineering choices; over 15 to 25 degC
# the energy is not identified at all.
ENERGY_SPAN_K = 15.0
ENERGY_SHRINK_ratio = 0.6
SHAPE_SHRINK_ratio = 0.8
FEWEST_POURS = 3
# What remains unknown of the next batch however many pours were logged; assumptions. The form of the curve is
# itself one, so its shape is never taken to be known better than this.
BATCH_u_ln = 0.10
SHAPE_B_LEAST_u_ln = 0.3
SHAPE_N_LEAST_u = 0.25


@dataclass(frozen=True, slots=True)
class CheckedPour:
    """Predicted against checked, for a plot: times in s after the pour under the calibrated material."""

    name: str
    air_K: float
    fitted_s: float
    soft_until_s: float | None
    firm_from_s: float | None
    predicted: Times | None
    covered: bool | None


@dataclass(frozen=True, slots=True)
class Learned:
    """One number of the material: as far as it may be claimed, the profile's own when it may not.

    u       standard uncertainty
    reason  one sentence on why it is claimed, or not
    """

    value: float
    u: float
    claimed: bool
    reason: str


@dataclass(frozen=True, slots=True)
class Calibration:
    """What is known of a material after its logged pours.

    ln_rate, ln_rate_u   change of ln k against the profile's reference pour, and its standard uncertainty
    energy               J/mol;  ln_shape_b, shape_n  the curve
    scatter_ln           of ln firm time between pours, beyond what the inputs explain
    covered, missed, undecided  past intervals against touches
    low_K, high_K        range of air over the pours
    """

    pours: int
    ln_rate: float
    ln_rate_u: float
    energy: Learned
    ln_shape_b: Learned
    shape_n: Learned
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


def calibrated(
    profile: MaterialProfile, pours: Sequence[LoggedPour], times: MarkTimes | None = None
) -> Calibration:
    """The posterior of a material after its logged pours.

    times   from mark_times for the same pours, when they are at hand already
    raises  ValueError for fewer than three pours, or for marks that no material can have left
    """
    if len(pours) < FEWEST_POURS:
        count = f"{len(pours)} logged pour{'' if len(pours) == 1 else 's'}"
        raise ValueError(f"{count} say too little: log at least {FEWEST_POURS} with touches")
    times = mark_times(profile, pours) if times is None else times
    z, weights, scatter = _posterior(times, pours)
    mean: FloatArray = weights @ z
    sd = np.sqrt(weights @ (z - mean) ** 2)
    airs = [point.air_K for logged in pours for point in logged.air]
    energy = _energy(profile, mean[1], sd[1], max(airs) - min(airs))
    shape_b, shape_n = _shape(profile, mean[2:], sd[2:], pours)
    claimed = np.array([1.0, energy.claimed, shape_b.claimed, shape_n.claimed])
    verdicts = [logged.covered for logged in pours]
    return Calibration(
        len(pours),
        float(profile.ln_rate_u * mean[0]),
        float(profile.ln_rate_u * sd[0]),
        energy,
        shape_b,
        shape_n,
        scatter,
        verdicts.count(True),
        verdicts.count(False),
        verdicts.count(None),
        min(airs),
        max(airs),
        tuple(
            CheckedPour(
                logged.name,
                logged.air[0].air_K,
                float(np.exp(times.ln_times(i, (mean * claimed)[None])[DEGREES.index("firm"), 0])),
                logged.soft_until_s,
                logged.firm_from_s,
                logged.predicted,
                verdict,
            )
            for i, (logged, verdict) in enumerate(zip(pours, verdicts, strict=True))
        ),
    )


def _posterior(times: MarkTimes, pours: Sequence[LoggedPour]) -> tuple[FloatArray, FloatArray, float]:
    """Points (P, 4) in prior standard uncertainties, their weights (sum 1), and the mean scatter.

    Importance sampling at fixed points: each round they are laid over what the round before found, until the
    weight is spread over enough of them; with the largest scatter alone first, then with all.
    """
    normals = fixed_normals(_POINTS, len(LEARNED))
    mean: FloatArray = np.zeros(len(LEARNED))
    root: FloatArray = np.eye(len(LEARNED))
    for number in range(_ROUNDS_MOST):
        scatters = _SCATTERS_ln[-1:] if number < _COARSE_ROUNDS else _SCATTERS_ln
        z = mean + _WIDER * normals @ root.T
        by_scatter = np.stack([log_likelihood(times, pours, z, scatter) for scatter in scatters])
        total = np.logaddexp.reduce(by_scatter, axis=0)
        inside = np.max(np.abs(z), axis=1) <= _DOMAIN
        logs = np.where(
            inside, total - 0.5 * np.sum(z**2, axis=1) + 0.5 * np.sum(normals**2, axis=1), -np.inf
        )
        belief = 1.0
        while _effective_share(weights := _normalised(belief * logs)) < _EFFECTIVE_LEAST_share:
            belief *= _LESS_BELIEF_ratio
            if belief < _BELIEF_LEAST:
                break
        wanted = _EFFECTIVE_WANTED_share if number < _ROUNDS_MOST - 1 else _EFFECTIVE_LEAST_share
        if scatters == _SCATTERS_ln and belief == 1.0 and _effective_share(weights) >= wanted:
            break
        mean = np.asarray(weights @ z)
        root = np.asarray(np.linalg.cholesky((z - mean).T @ (weights[:, None] * (z - mean))))
    else:
        raise ValueError(_UNEXPLAINED)
    shares = np.exp(by_scatter - total) @ weights
    if shares[-1] > _SCATTER_SHARE_MOST:
        raise ValueError(_UNEXPLAINED)
    return z, weights, float(np.array(_SCATTERS_ln) @ shares)


_UNEXPLAINED = (
    f"the touches scatter by more than {100.0 * _SCATTERS_ln[-1]:.0f} % between pours, which no one material "
    "explains: correct the log, or keep a profile of its own for each material"
)


def _normalised(logs: FloatArray) -> FloatArray:
    weights: FloatArray = np.exp(logs - logs.max())
    return np.asarray(weights / weights.sum())


def _effective_share(weights: FloatArray) -> float:
    return float(1.0 / np.sum(weights**2) / weights.size)


def _energy(profile: MaterialProfile, mean_z: float, sd_z: float, span_K: float) -> Learned:
    was = (profile.activation_energy_J_per_mol, profile.activation_energy_u_J_per_mol)
    if span_K < ENERGY_SPAN_K:
        return Learned(
            *was,
            False,
            f"the air spanned only {span_K:.0f} K and an energy needs {ENERGY_SPAN_K:.0f}, "
            "so it stays as it was",
        )
    if sd_z > ENERGY_SHRINK_ratio:
        return Learned(
            *was,
            False,
            f"the touches narrow the energy only to {100.0 * sd_z:.0f} % of what was assumed, "
            "so it stays as it was",
        )
    reason = f"the air spanned {span_K:.0f} K, enough to tell the energy"
    return Learned(float(energy_of(profile, mean_z)), was[1] * sd_z, True, reason)


def _shape(
    profile: MaterialProfile, mean_z: FloatArray, sd_z: FloatArray, pours: Sequence[LoggedPour]
) -> tuple[Learned, Learned]:
    """ln b and n."""
    was = ((float(np.log(profile.shape_b)), profile.shape_b_u_ln), (profile.shape_n, profile.shape_n_u))
    seconds = sum(1 for logged in pours if logged.seconds)
    if seconds < FEWEST_POURS:
        reason = (
            f"{seconds} pours carry a second mark and the curve's shape needs {FEWEST_POURS}, "
            "so it stays as it was"
        )
        return Learned(*was[0], False, reason), Learned(*was[1], False, reason)
    n = float(shape_n_of(profile, mean_z[1]))
    found = (
        (float(np.log(shape_b_of(profile, mean_z[0]))), max(was[0][1] * sd_z[0], SHAPE_B_LEAST_u_ln)),
        (n, max(n / profile.shape_n * profile.shape_n_u * sd_z[1], SHAPE_N_LEAST_u)),
    )
    told = []
    for i, name in enumerate(("beginning", "end")):
        if sd_z[i] > SHAPE_SHRINK_ratio:
            reason = (
                f"second marks narrow the curve's {name} only to {100.0 * sd_z[i]:.0f} % of what was "
                "assumed, so it stays as it was"
            )
            told.append(Learned(*was[i], False, reason))
        else:
            told.append(Learned(*found[i], True, f"{seconds} pours carry marks that tell the curve's {name}"))
    return told[0], told[1]


def calibrated_profile(profile: MaterialProfile, calibration: Calibration) -> MaterialProfile:
    """The profile with what was learned: reference times, energy, shape, uncertainties, logged range.

    The reference pour keeps its thickness and temperatures; its firm and working time become those of the
    calibrated material. Only pours whose intervals could be told right or wrong count as logged.
    """
    ratios = _reference_ratios(profile, calibration)
    energy, shape_b, shape_n = calibration.energy, calibration.ln_shape_b, calibration.shape_n
    learned = (
        f"rate, energy and shape from {calibration.pours} logged pours: {energy.reason}; {shape_n.reason}"
    )
    stale = [
        *_LEARNED,
        *(("shape b",) if shape_b.claimed else ()),
        *(("shape n",) if shape_n.claimed else ()),
    ]
    return replace(
        profile,
        reference_firm_s=profile.reference_firm_s * ratios[0],
        reference_work_s=profile.reference_work_s * ratios[1],
        activation_energy_J_per_mol=energy.value,
        activation_energy_u_J_per_mol=energy.u,
        shape_b=float(np.exp(shape_b.value)),
        shape_b_u_ln=shape_b.u,
        shape_n=shape_n.value,
        shape_n_u=shape_n.u,
        ln_rate_u=float(np.hypot(calibration.ln_rate_u, BATCH_u_ln)),
        logged_pours=calibration.covered + calibration.missed,
        logged_covered_ratio=calibration.covered_ratio,
        logged_low_K=calibration.low_K,
        logged_high_K=calibration.high_K,
        assumptions=(*(a for a in profile.assumptions if not a.startswith(tuple(stale))), learned),
    )


_LEARNED = (
    "reference firm",
    "reference work",
    "activation energy",
    "ln rate u",
    "rate, energy and shape from",
)


def _reference_ratios(profile: MaterialProfile, calibration: Calibration) -> tuple[float, float]:
    """Calibrated over stated: firm and working time of the reference pour."""
    learned = np.array(
        [
            calibration.ln_rate / profile.ln_rate_u,
            (calibration.energy.value - profile.activation_energy_J_per_mol)
            / profile.activation_energy_u_J_per_mol,
            (calibration.ln_shape_b.value - np.log(profile.shape_b)) / profile.shape_b_u_ln,
            np.log(calibration.shape_n.value / profile.shape_n) / (profile.shape_n_u / profile.shape_n),
        ]
    )
    kinetics, heat = point_material(profile, np.stack([np.zeros_like(learned), learned]))
    firm_s, work_s = reference_times_s(profile, kinetics, heat)
    return float(firm_s[1] / firm_s[0]), float(work_s[1] / work_s[0])
