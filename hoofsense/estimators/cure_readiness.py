"""When may this fill be trimmed, and when may it carry the horse?

This version integrates the Arrhenius equivalent age from the pour on, with the air as it was reported and
with the infrared surface readings, and takes the slower of the two at every moment: a reading may postpone
an answer, never advance it. Its interval is wide because equivalent age alone knows neither the heat of the
foot nor the heat of the reaction.

Phases: WAIT until safe-by (high). Between not-before (low) and safe-by the phase is still WAIT, under a rule
of its own that lets the practitioner feel the pad without trusting it. From safe-by on CHECK_BY_TOUCH: the
touch decides, not this estimate. WILL_NOT_CURE when firm is predicted later than six hours: waiting does not
help. CANNOT_TELL while there is no fresh air temperature.
"""

from __future__ import annotations

import math
from dataclasses import dataclass, replace
from enum import Enum

from hoofsense.physics.constants import ICE_POINT_K
from hoofsense.physics.equivalent_age import age_factor
from hoofsense.records import NS_PER_S, AirConditions, Estimate, MaterialProfile, PourConditions

MODEL = "equivalent age of air and surface"

AIR_STALE_s = 900.0  # engineering choice: weather seldom moves a cure verdict within a quarter of an hour
SURFACE_HOLD_s = 120.0  # engineering choice: a pad's surface moves about 1 K in this time
WILL_NOT_CURE_s = 6.0 * 3600.0  # engineering choice: no horse stands for more than six hours
AIR_VALID_K = (243.15, 323.15)  # where the profiles and the physics make sense
SURFACE_VALID_K = (233.15, 393.15)  # a pad being warmed; beyond this the reading is not of a pad

# How far equivalent age alone may be off, from comparing it with a reaction-conduction model over -10 to
# 35 degC and cold and warmed feet (it was 0.7 to 1.6 times the modelled firm time).
_EARLY_RATIO = 0.6
_LATE_RATIO = 1.8

_BIN_s = 20.0


class CurePhase(Enum):
    WAIT = "wait"
    CHECK_BY_TOUCH = "check by touch"
    WILL_NOT_CURE = "will not cure"
    CANNOT_TELL = "cannot tell"


@dataclass(frozen=True, slots=True)
class CureTrace:
    """Everything the estimate remembers of one fill: running sums, and the last air and surface value.

    age_s is the equivalent time at the profile's reference air temperature up to until_ns.
    """

    profile: MaterialProfile
    pour: PourConditions
    age_s: float
    until_ns: int
    air_K: float | None
    air_at_ns: int | None
    surface_K: float | None = None
    surface_at_ns: int | None = None


@dataclass(frozen=True, slots=True)
class CureAnswer:
    """The estimates are seconds after the pour: low = not before, value = likely, high = safe by (90 %)."""

    work: Estimate
    firm: Estimate
    load: Estimate
    slowest: str
    phase: CurePhase
    load_phase: CurePhase
    rule: str
    because: str
    next_step: str


def cure_begun(profile: MaterialProfile, pour: PourConditions, air: AirConditions) -> CureTrace:
    """The trace of a fill at the moment it was poured."""
    trace = CureTrace(profile, pour, 0.0, pour.poured_at_ns, None, None)
    return with_air(trace, pour.poured_at_ns, air)


def with_air(trace: CureTrace, at_ns: int, air: AirConditions) -> CureTrace:
    """The trace with the air as known now; no temperature, or an older one, changes nothing."""
    if air.air_K is None:
        return trace
    measured_ns = at_ns if air.measured_at_ns is None else min(air.measured_at_ns, at_ns)
    if trace.air_at_ns is not None and measured_ns < trace.air_at_ns:
        return trace
    trace = _advanced(trace, at_ns)
    return replace(trace, air_K=air.air_K, air_at_ns=measured_ns)


def with_surface(trace: CureTrace, at_ns: int, surface_K: float, standard_uncertainty_K: float) -> CureTrace:
    """The trace with one more infrared reading of the pad; ValueError for a temperature no pad can have."""
    if not SURFACE_VALID_K[0] <= surface_K <= SURFACE_VALID_K[1]:
        raise ValueError(
            f"surface {surface_K} K is outside {SURFACE_VALID_K[0]} to {SURFACE_VALID_K[1]} K: "
            "screen the reading before it is used"
        )
    if at_ns < trace.pour.poured_at_ns or (trace.surface_at_ns is not None and at_ns < trace.surface_at_ns):
        return trace
    trace = _advanced(trace, at_ns)
    return replace(trace, surface_K=surface_K + standard_uncertainty_K, surface_at_ns=at_ns)


def cure_answer(trace: CureTrace, at_ns: int) -> CureAnswer:
    """What may be said now about working, trimming and loading this fill."""
    age_s = (at_ns - trace.pour.poured_at_ns) / NS_PER_S
    if trace.air_K is None or trace.air_at_ns is None:
        return _cannot_tell("cure_no_air", "no air temperature is known", "Switch the air sensor on.")
    air_age_s = (at_ns - trace.air_at_ns) / NS_PER_S
    if air_age_s > AIR_STALE_s:
        return _cannot_tell(
            "cure_air_stale",
            f"the air temperature is {air_age_s / 60.0:.0f} min old; the limit is {AIR_STALE_s / 60.0:.0f}",
            "Bring the air sensor back.",
        )
    if not AIR_VALID_K[0] <= trace.air_K <= AIR_VALID_K[1]:
        return _cannot_tell(
            "cure_air_out_of_range",
            f"air of {trace.air_K - ICE_POINT_K:.0f} degC is outside "
            f"{AIR_VALID_K[0] - ICE_POINT_K:.0f} to {AIR_VALID_K[1] - ICE_POINT_K:.0f} degC",
            "Check the air sensor.",
        )
    now = _advanced(trace, at_ns)
    profile = trace.profile
    factor = _rate_factor(now, at_ns)
    work = _estimate("working_time", now, factor, age_s, profile.reference_work_s)
    firm = _estimate("firm_time", now, factor, age_s, profile.reference_firm_s)
    load = _estimate("load_time", now, factor, age_s, profile.reference_firm_s * _load_over_firm(profile))
    phase = _phase(firm, age_s)
    load_phase = _phase(load, age_s)
    rule, because, next_step = _words(phase, firm, age_s, trace.air_K)
    return CureAnswer(work, firm, load, "surface or bond line", phase, load_phase, rule, because, next_step)


def _rate_factor(trace: CureTrace, at_ns: int) -> float:
    """How fast it cures now against the reference; the colder of air and a fresh surface reading decides."""
    assert trace.air_K is not None
    coldest_K = trace.air_K
    if trace.surface_K is not None and trace.surface_at_ns is not None:
        if (at_ns - trace.surface_at_ns) / NS_PER_S <= SURFACE_HOLD_s:
            coldest_K = min(coldest_K, trace.surface_K)
    profile = trace.profile
    return float(age_factor(coldest_K, profile.activation_energy_J_per_mol, profile.reference_air_K))


def _advanced(trace: CureTrace, at_ns: int) -> CureTrace:
    """Equivalent age carried on to at_ns; over a gap of the air nothing more is counted than it was worth."""
    if at_ns <= trace.until_ns:
        return trace
    if trace.air_K is None or trace.air_at_ns is None:
        return replace(trace, until_ns=at_ns)
    fresh_until_ns = min(at_ns, trace.air_at_ns + round(AIR_STALE_s * NS_PER_S))
    span_s = max(fresh_until_ns - trace.until_ns, 0) / NS_PER_S
    return replace(trace, age_s=trace.age_s + span_s * _rate_factor(trace, at_ns), until_ns=at_ns)


def _load_over_firm(profile: MaterialProfile) -> float:
    """Isothermal time to the load degree over that to the firm degree, by the trapezoid rule."""

    def spent(degree: float) -> float:
        steps = 400
        width = degree / steps
        inverse: list[float] = [
            1.0 / ((profile.shape_b + (i * width) ** profile.shape_m) * (1.0 - i * width) ** profile.shape_n)
            for i in range(steps + 1)
        ]
        return width * (math.fsum(inverse) - 0.5 * (inverse[0] + inverse[-1]))

    return spent(profile.load_degree) / spent(profile.firm_degree)


def _estimate(name: str, trace: CureTrace, factor: float, age_s: float, needed_s: float) -> Estimate:
    likely_s = age_s + (needed_s - trace.age_s) / factor
    likely_s = max(likely_s, 0.0)
    return Estimate(
        name,
        likely_s,
        likely_s * _EARLY_RATIO,
        likely_s * _LATE_RATIO,
        "s",
        MODEL,
        True,
        "Rests on equivalent age alone, so it knows neither the warmth of the foot nor of the reaction.",
    )


def _phase(estimate: Estimate, age_s: float) -> CurePhase:
    assert estimate.value is not None and estimate.high is not None
    if estimate.value > WILL_NOT_CURE_s:
        return CurePhase.WILL_NOT_CURE
    return CurePhase.CHECK_BY_TOUCH if age_s >= estimate.high else CurePhase.WAIT


def _words(phase: CurePhase, firm: Estimate, age_s: float, air_K: float) -> tuple[str, str, str]:
    assert firm.low is not None and firm.value is not None and firm.high is not None
    low, likely, high = (t / 60.0 for t in (firm.low, firm.value, firm.high))
    band = f"firm not before {low:.0f}, likely at {likely:.0f}, safe by {high:.0f} min after the pour"
    if phase is CurePhase.WILL_NOT_CURE:
        limit_h = WILL_NOT_CURE_s / 3600.0
        return (
            "cure_too_cold",
            f"at {air_K - ICE_POINT_K:.0f} degC it would be firm only after {likely / 60.0:.1f} h, "
            f"more than {limit_h:.0f} h",
            "Warm the pad and the foot; waiting will not do it.",
        )
    if phase is CurePhase.CHECK_BY_TOUCH:
        return (
            "cure_check_by_touch",
            f"{age_s / 60.0:.0f} min after the pour; {band}",
            "Feel it at the edge and in the middle before you trim.",
        )
    if age_s >= firm.low:
        return (
            "cure_may_be_felt",
            f"{age_s / 60.0:.0f} min after the pour; {band}",
            "You may feel it, but do not trust it yet.",
        )
    return (
        "cure_too_early",
        f"{age_s / 60.0:.0f} min after the pour; {band}",
        f"Hold the foot; feel it in {max(low - age_s / 60.0, 0.0):.0f} min.",
    )


def _cannot_tell(rule: str, because: str, next_step: str) -> CureAnswer:
    def nothing(name: str) -> Estimate:
        return Estimate(name, None, None, None, "s", MODEL, False, f"No value: {because}.")

    unknown = CurePhase.CANNOT_TELL
    return CureAnswer(
        nothing("working_time"),
        nothing("firm_time"),
        nothing("load_time"),
        "unknown",
        unknown,
        unknown,
        rule,
        because,
        next_step,
    )
