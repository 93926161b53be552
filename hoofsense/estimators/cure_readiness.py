"""When may this fill be trimmed, and when may it carry the horse?

The answer comes from the reaction-conduction model, run for 256 members from the pour on (cure_ensemble), and
from what was read and felt since (cure_evidence). The trace holds only what was said: pour, air, surface
readings in bins, touches.

Authority. An infrared reading may postpone an answer. It may advance one only for a profile with at least ten
logged pours that its intervals covered, inside its logged range of air, and safe-by then only a third of the
way. A touch is direct evidence and moves the answer either way. Readings that do not fit the model leave the
prediction made at the pour in charge.

Phases. WAIT until safe-by (high). Between not-before (low) and safe-by the phase is still WAIT, under a rule
of its own: it may be felt, but is not trusted yet. From safe-by on CHECK_BY_TOUCH: the touch decides, and it
can feel the surface and the rim but not the bond line. WILL_NOT_CURE when firm is likely only after six
hours. CANNOT_TELL while there is no fresh air temperature, or when the pour makes no sense.
"""

from __future__ import annotations

from dataclasses import dataclass, field, replace
from enum import Enum

from hoofsense.estimators.cure_air import AIR_STALE_s, AirHistory, air_begun, air_with
from hoofsense.estimators.cure_evidence import CureEvidence, Times, cure_evidence
from hoofsense.estimators.cure_material import LONGEST_s, ReferencePourError
from hoofsense.estimators.cure_smoother import Touch
from hoofsense.estimators.cure_surface import SurfaceBins, bins_with
from hoofsense.physics.constants import ICE_POINT_K
from hoofsense.records import NS_PER_S, AirConditions, Estimate, MaterialProfile, PourConditions

MODEL = "reaction and conduction, 256 members"

WILL_NOT_CURE_s = 6.0 * 3600.0  # engineering choice: no horse stands for more than six hours
AIR_VALID_K = (243.15, 323.15)  # where the model was compared with finer solutions
POUR_VALID_K = (243.15, 343.15)
THICKNESS_VALID_m = (0.0015, 0.040)
# Through more than this an infrared thermometer sees the cover, not the pad.
SEEN_THROUGH_m2_K_per_W = 0.01
_TOUCHES_KEPT = 8
_STALLED_ratio = 0.99  # of LONGEST_s


class CurePhase(Enum):
    WAIT = "wait"
    CHECK_BY_TOUCH = "check by touch"
    WILL_NOT_CURE = "will not cure"
    CANNOT_TELL = "cannot tell"


@dataclass(frozen=True, slots=True)
class CureTrace:
    """What was said about one fill: bounded, comparable, without arrays."""

    profile: MaterialProfile
    pour: PourConditions
    air: AirHistory
    surface: SurfaceBins = field(default_factory=SurfaceBins)
    touches: tuple[Touch, ...] = ()


@dataclass(frozen=True, slots=True)
class CureAnswer:
    """The estimates are seconds after the pour: low = not before, value = likely, high = safe by (90 %).

    slowest              "surface", "bond line" or "rim"
    touch_feels_slowest  False when the slowest place is the bond line, which no thumb reaches
    readings_used        bins of surface readings behind the answer; 0 when distrusted or too few
    readings_trusted     False when they failed the residual test
    """

    work: Estimate
    firm: Estimate
    load: Estimate
    slowest: str
    phase: CurePhase
    load_phase: CurePhase
    rule: str
    because: str
    next_step: str
    touch_feels_slowest: bool = True
    readings_used: int = 0
    readings_trusted: bool = True


def cure_begun(profile: MaterialProfile, pour: PourConditions, air: AirConditions) -> CureTrace:
    """The trace of a fill at the moment it was poured (or mixed, to be told its working time)."""
    return CureTrace(profile, pour, air_begun(pour.poured_at_ns, air))


def with_air(trace: CureTrace, at_ns: int, air: AirConditions) -> CureTrace:
    """The trace with the air as known now; no temperature, or an older one, changes nothing."""
    history = air_with(trace.air, trace.pour.poured_at_ns, at_ns, air)
    return trace if history is trace.air else replace(trace, air=history)


def with_surface(trace: CureTrace, at_ns: int, surface_K: float, standard_uncertainty_K: float) -> CureTrace:
    """The trace with one more infrared reading of the pad.

    A reading from before the pour or of a thick cover is no evidence and changes nothing; one of a
    temperature that no pad has is only counted.
    """
    after_s = _after_s(trace, at_ns)
    if after_s < 0.0 or trace.pour.cover_m2_K_per_W > SEEN_THROUGH_m2_K_per_W:
        return trace
    return replace(trace, surface=bins_with(trace.surface, after_s, surface_K, standard_uncertainty_K))


def with_touch(trace: CureTrace, at_ns: int, firm: bool) -> CureTrace:
    """The trace with what a thumb felt at the rim; a touch from before the pour changes nothing."""
    after_s = _after_s(trace, at_ns)
    if after_s < 0.0:
        return trace
    return replace(trace, touches=(*trace.touches, Touch(after_s, firm))[-_TOUCHES_KEPT:])


def cure_answer(trace: CureTrace, at_ns: int) -> CureAnswer:
    """What may be said now about working, trimming and loading this fill.

    A reading takes part once its bin is full, at most 20 s later in the first 20 min.
    """
    unfit = _unfit(trace, at_ns)
    if unfit is not None:
        return _cannot_tell(*unfit)
    age_s = max(_after_s(trace, at_ns), 0.0)
    pour = replace(trace.pour, poured_at_ns=0)
    surface = trace.surface.closed(age_s)
    try:
        evidence = cure_evidence(
            trace.profile, pour, trace.air.points, trace.air.air_u_K, surface, trace.touches
        )
    except ReferencePourError as refusal:
        return _cannot_tell("cure_material_unusable", f"{refusal}.", "Choose another material profile.")
    reason = _reason(evidence, len(trace.touches))
    phase, load_phase = _phase(evidence.firm, age_s), _phase(evidence.load, age_s)
    rule, because, next_step = _words(phase, evidence, age_s, trace.air.points[-1].air_K)
    return CureAnswer(
        _estimate("working_time", evidence.work, evidence.trusted, reason),
        _estimate("firm_time", evidence.firm, evidence.trusted, reason),
        _estimate("load_time", evidence.load, evidence.trusted, reason),
        evidence.slowest,
        phase,
        load_phase,
        rule,
        because,
        next_step,
        evidence.slowest != "bond line",
        evidence.used,
        evidence.trusted,
    )


def _after_s(trace: CureTrace, at_ns: int) -> float:
    return (at_ns - trace.pour.poured_at_ns) / NS_PER_S


def _unfit(trace: CureTrace, at_ns: int) -> tuple[str, str, str] | None:
    """Why nothing can be said: rule, because, next step; None when there is evidence to go by."""
    pour, last = trace.pour, trace.air.last
    if last is None or trace.air.last_ns is None:
        return "cure_no_air", "No air temperature is known.", "Switch the air sensor on."
    old_s = (at_ns - trace.air.last_ns) / NS_PER_S
    if old_s > AIR_STALE_s:
        return (
            "cure_air_stale",
            f"The air temperature is {old_s / 60.0:.0f} min old; the limit is {AIR_STALE_s / 60.0:.0f}.",
            "Bring the air sensor back.",
        )
    for name, value_K, (low_K, high_K) in (
        ("air", last.air_K, AIR_VALID_K),
        ("material", pour.material_K, POUR_VALID_K),
        ("sole", pour.sole_K, POUR_VALID_K),
    ):
        if not low_K <= value_K <= high_K:
            return (
                f"cure_{name}_out_of_range",
                f"The {name} is said to be {_degC(value_K)}; "
                f"cure is known from {_degC(low_K)} to {_degC(high_K)}.",
                f"Check the {name} temperature.",
            )
    if not THICKNESS_VALID_m[0] <= pour.thickness_m <= THICKNESS_VALID_m[1]:
        low_mm, high_mm = (1e3 * limit for limit in THICKNESS_VALID_m)
        return (
            "cure_thickness_out_of_range",
            f"The fill is said to be {1e3 * pour.thickness_m:.1f} mm thick; "
            f"cure is known from {low_mm:.1f} to {high_mm:.0f} mm.",
            "Check the thickness.",
        )
    return None


def _degC(kelvin: float) -> str:
    return f"{kelvin - ICE_POINT_K:.0f} °C"


def _estimate(name: str, times: Times, valid: bool, reason: str) -> Estimate:
    return Estimate(name, times[1], times[0], times[2], "s", MODEL, valid, reason)


def _phase(times: Times, age_s: float) -> CurePhase:
    if times[1] > WILL_NOT_CURE_s:
        return CurePhase.WILL_NOT_CURE
    return CurePhase.CHECK_BY_TOUCH if age_s >= times[2] else CurePhase.WAIT


def _reason(evidence: CureEvidence, touches: int) -> str:
    if not evidence.trusted:
        return "Rests on the prediction at the pour; the surface readings do not fit it and are not used."
    parts = ["the prediction at the pour"]
    if evidence.used:
        may = "" if evidence.earned else ", which may only postpone it"
        parts.append(f"{evidence.used} spans of surface readings{may}")
    if touches:
        parts.append(f"{touches} {'touch' if touches == 1 else 'touches'}")
    return f"Rests on {' and '.join(parts)}."


def _words(phase: CurePhase, evidence: CureEvidence, age_s: float, air_K: float) -> tuple[str, str, str]:
    low, likely, high = (time_s / 60.0 for time_s in evidence.firm)
    age = age_s / 60.0
    slowest = evidence.slowest
    if phase is CurePhase.WILL_NOT_CURE:
        if evidence.firm[1] >= _STALLED_ratio * LONGEST_s:
            return (
                "cure_stalls",
                f"At {_degC(air_K)} it turns to glass before it is firm; the {slowest} stays soft.",
                "Warm the pad and the foot; waiting will not do it.",
            )
        return (
            "cure_too_cold",
            f"At {_degC(air_K)} the {slowest} is firm only after {likely / 60.0:.0f} h; "
            f"the limit is {WILL_NOT_CURE_s / 3600.0:.0f} h.",
            "Warm the pad and the foot, and cover it; waiting will not do it.",
        )
    band = f"the {slowest} is firm not before {low:.0f}, likely at {likely:.0f}, safe by {high:.0f} min"
    doubt = "" if evidence.trusted else " The surface readings do not fit the prediction and are not used."
    because = f"{age:.0f} min after the pour; {band}.{doubt}"
    if phase is CurePhase.CHECK_BY_TOUCH:
        feel = (
            "Press the rim and the middle; both must be firm."
            if slowest != "bond line"
            else "Press the rim and the middle; the bond line cannot be felt and goes by time."
        )
        return "cure_check_by_touch", because, feel
    if age_s >= evidence.firm[0]:
        return "cure_may_be_felt", because, "You may feel the rim, but do not trust it yet."
    return "cure_too_early", because, f"Hold the foot; feel the rim in {max(low - age, 1.0):.0f} min."


def _cannot_tell(rule: str, because: str, next_step: str) -> CureAnswer:
    def nothing(name: str) -> Estimate:
        return Estimate(name, None, None, None, "s", MODEL, False, because)

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
