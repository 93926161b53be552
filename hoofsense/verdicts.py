"""decide: each foot's question answered at one moment, with the reason in a sentence.

READY is said only on fresh, trusted, valid evidence and never without the person's own look and touch.
The order of the rules is the order of danger: heat first, then damaged evidence, then missing evidence, then
the estimates, then what the person has to confirm.
"""

from __future__ import annotations

from collections.abc import Callable
from dataclasses import dataclass, replace

from hoofsense.estimators.cure_readiness import CureAnswer, CurePhase, cure_answer
from hoofsense.estimators.dew_margin import dew_point_margin
from hoofsense.estimators.drying_progress import FilmClass, drying_answer
from hoofsense.estimators.heat_safety import HeatAnswer, heat_answer
from hoofsense.records import NS_PER_S, AirConditions, Estimate, Question, Reading, Stage, Status, Verdict
from hoofsense.screening import evidence_is_trusted
from hoofsense.visit_state import FootState, VisitState

AIR_STALE_NS = (
    120 * NS_PER_S
)  # an ambient sensor adverts every few seconds; two minutes is silence (our choice)
DEW_MARGIN_K = 3.0  # common coatings-industry margin, see science of dew_margin.py; written for steel
LOOK_VALID_NS = 120 * NS_PER_S  # horn moisture comes back to the surface in a minute or two (our choice)

# What the headline asks for while the scan is under way; the status still says that nothing can be told.
_SCAN_CALLS = {
    "no reading": "READ THE SOLE",
    "no heat pass": "READ, THEN HEAT",
    "pass running": "HEAT EVENLY",
    "site not read": "READ EVERY SPOT",
    "site not scanned": "READ EVERY SPOT",
    "too few passes": "ONE MORE PASS",
    "stale": "NO READING",
}
_HEAT_CALLS = {
    Status.READY: "HEAT IS SAFE",
    Status.NOT_YET: "EASE OFF THE HEAT",
    Status.STOP: "STOP HEATING",
    Status.CANNOT_TELL: "CANNOT TELL",
}


def decide(state: VisitState, at_ns: int) -> tuple[Verdict, ...]:
    """Every foot's verdict on its stage's question, then on the heat where heat can reach the quick."""
    answers: list[Verdict] = []
    for foot in state.feet:
        if foot.stage is Stage.DRY or foot.heat_on:
            heat = heat_answer(foot.heat, at_ns)
            answers.append(_heat(foot, at_ns, heat))
            if foot.stage is Stage.DRY:
                answers.append(_pour(state, foot, at_ns, heat))
                continue
        answers.append(_STAGE_RULES[foot.stage](state, foot, at_ns))
    return tuple(answers)


@dataclass(frozen=True, slots=True)
class _Asked:
    """One question about one foot at one moment; calling it gives the verdict."""

    at_ns: int
    foot: FootState
    question: Question
    estimates: tuple[Estimate, ...] = ()

    def __call__(
        self,
        status: Status,
        call: str,
        rule: str,
        because: str,
        next_step: str,
        until_ns: int | None = None,
    ) -> Verdict:
        return Verdict(
            self.at_ns,
            self.foot.foot,
            self.question,
            status,
            call,
            rule.replace(" ", "_"),
            _sentence(because),
            _sentence(next_step),
            self.estimates,
            until_ns,
        )


def _sentence(text: str) -> str:
    """A clause from an estimator as a sentence on its own."""
    text = text.strip().replace("degC", "°C")
    if not text:
        return ""
    return text[0].upper() + text[1:] + ("" if text[-1] in ".!?" else ".")


def _cover(state: VisitState, foot: FootState, at_ns: int) -> Verdict:
    said = _Asked(at_ns, foot, Question.COVER)
    if foot.signs is None:
        return said(
            Status.NOT_YET,
            "LOOK FIRST",
            "not_looked",
            "Nobody has looked this foot over yet.",
            "Look for smell, discharge, heat, bleeding, cracks and lameness.",
        )
    return said(
        Status.STOP,
        "DO NOT COVER",
        "signs_found",
        f"Found: {', '.join(foot.signs)}. A fill over this foot can seal an infection in.",
        "Leave the foot open and refer it to a veterinarian.",
    )


def _heat(foot: FootState, at_ns: int, answer: HeatAnswer) -> Verdict:
    said = _Asked(at_ns, foot, Question.HEAT, (answer.dose, answer.quick))
    return said(answer.status, _HEAT_CALLS[answer.status], answer.rule, answer.because, answer.next_step)


def _surface_evidence(state: VisitState, foot: FootState, at_ns: int) -> tuple[str, str, str] | None:
    """(rule, because, next step) when this foot's surface readings cannot be relied on now."""
    if foot.surface is None:
        return None
    source = foot.surface.source.partition("/")[0]
    instrument = next((i for i in state.instruments if i.source == source), None)
    if instrument is not None and not instrument.linked:
        why = f": {instrument.note}" if instrument.note else ""
        return "thermometer_lost", f"{source} is not connected{why}.", "Bring the thermometer back."
    trusted, why = evidence_is_trusted(state.screening, source, at_ns)
    if not trusted:
        return "thermometer_damaged", why, "Check the thermometer and its battery; read again."
    if not foot.surface_trusted:
        return (
            "thermometer_damaged",
            f"The last readings of this foot came while {source} was sending damaged ones.",
            "Read the foot again.",
        )
    return None


def _air_evidence(state: VisitState, at_ns: int) -> tuple[str, str, str] | None:
    measured_at_ns = state.air.measured_at_ns
    if measured_at_ns is None or state.air.air_K is None:
        return "no_air", "No air temperature has come yet.", "Switch the ambient sensor on."
    if at_ns - measured_at_ns > AIR_STALE_NS:
        age = (at_ns - measured_at_ns) // NS_PER_S
        return "air_stale", f"The air was last measured {age} s ago; {AIR_STALE_NS // NS_PER_S} s is the limit.", (
            "Bring the ambient sensor back."
        )  # fmt: skip
    for instrument in state.instruments:
        if any(q.value in ("air_temperature", "relative_humidity") for q in instrument.measures):
            trusted, why = evidence_is_trusted(state.screening, instrument.source, at_ns)
            if not trusted:
                return "air_damaged", why, "Check the ambient sensor and its battery."
    return None


def _fresh_air(state: VisitState, at_ns: int) -> AirConditions:
    """The air without a humidity that has gone stale."""
    measured_at_ns = state.air.humidity_at_ns
    if measured_at_ns is not None and at_ns - measured_at_ns <= AIR_STALE_NS:
        return state.air
    return replace(state.air, relative_humidity_ratio=None)


def _coldest(foot: FootState) -> Reading | None:
    """The coldest last reading of any spot; a spot nobody named counts as one."""
    readings = [reading for _, reading in foot.site_surfaces]
    return min(readings, key=lambda r: r.value, default=foot.surface)


def _pour(state: VisitState, foot: FootState, at_ns: int, heat: HeatAnswer) -> Verdict:
    answer = drying_answer(foot.drying, at_ns)
    damp = _air_evidence(state, at_ns)
    coldest = _coldest(foot)
    estimates = [answer.probability]
    if damp is None and coldest is not None:
        estimates.append(
            dew_point_margin(coldest.value, coldest.standard_uncertainty, _fresh_air(state, at_ns))
        )
    said = _Asked(at_ns, foot, Question.POUR, tuple(estimates))
    bad = _surface_evidence(state, foot, at_ns)
    if heat.status is Status.STOP:
        return said(Status.STOP, "STOP HEATING", heat.rule, heat.because, heat.next_step)
    if bad is not None:
        return said(Status.CANNOT_TELL, "CANNOT TELL", *bad)
    if answer.film is FilmClass.CANNOT_TELL:
        call = _SCAN_CALLS.get(answer.rule, "CANNOT TELL")
        return said(Status.CANNOT_TELL, call, answer.rule, answer.because, answer.next_step)
    if answer.film is not FilmClass.NO_FILM:
        return said(Status.NOT_YET, "KEEP DRYING", answer.rule, answer.because, answer.next_step)
    if damp is not None:
        return said(Status.CANNOT_TELL, "CANNOT TELL", *damp)
    margin = estimates[-1]
    if margin.low is None or margin.value is None:
        return said(
            Status.CANNOT_TELL, "CANNOT TELL", "no_dew_point", margin.reason, "Switch the humidity sensor on."
        )
    if margin.low < DEW_MARGIN_K:
        return said(
            Status.NOT_YET,
            "TOO CLOSE TO THE DEW POINT",
            "dew_margin",
            f"The coldest spot is {margin.value:.1f} K above the dew point ({margin.low:.1f} K at worst); "
            f"{DEW_MARGIN_K:.0f} K is the least.",
            "Warm the sole, or pour in drier air.",
        )
    looked = foot.looked_at_ns
    if looked is None or at_ns - looked > LOOK_VALID_NS:
        return said(
            Status.NOT_YET,
            "LOOK AND TOUCH",
            "look_first",
            answer.because,
            "Look along both grooves and touch the sole; then say whether it is dry.",
        )
    if not foot.looked_dry:
        return said(
            Status.NOT_YET,
            "KEEP DRYING",
            "looked_wet",
            "You saw or felt that the sole is still wet.",
            "Heat the wet spot again, then look again.",
        )
    look_until_ns = looked + LOOK_VALID_NS
    until_ns = min(look_until_ns, answer.expires_at_ns or look_until_ns)
    return said(Status.READY, "POUR NOW", answer.rule, answer.because, answer.next_step, until_ns)


def _minutes(seconds: float) -> str:
    return f"{seconds / 60.0:.0f} min"


def _between(estimate: Estimate) -> str:
    if estimate.low is None or estimate.high is None:
        return estimate.reason
    return f"between {_minutes(estimate.low)} and {_minutes(estimate.high)} after the pour"


def _work(state: VisitState, foot: FootState, at_ns: int) -> Verdict:
    if foot.cure is None or foot.mixed_at_ns is None:
        raise ValueError(f"{foot.foot.value} is in the pour stage without a mix: fold set it so by mistake")
    answer = cure_answer(foot.cure, at_ns)
    said = _Asked(at_ns, foot, Question.WORK, (answer.work,))
    elapsed_s = (at_ns - foot.mixed_at_ns) / NS_PER_S
    low, high = answer.work.low, answer.work.high
    if low is None or high is None:
        return said(
            Status.CANNOT_TELL,
            "CANNOT TELL",
            "no_work_time",
            answer.work.reason,
            "Go by the data sheet's time.",
        )
    if elapsed_s < low:
        left = (low - elapsed_s) / 60.0
        return said(
            Status.READY,
            "POUR AND LEVEL",
            "workable",
            f"At least {left:.1f} min of working time are left.",
            "Keep the foot level while it runs; mark it poured when it is shaped.",
        )
    if elapsed_s < high:
        return said(
            Status.NOT_YET,
            "FINISH SHAPING",
            "stiffening",
            f"It may stiffen any moment now, at the latest in {(high - elapsed_s) / 60.0:.1f} min.",
            "Finish the shape and mark it poured.",
        )
    return said(
        Status.NOT_YET,
        "LEAVE IT BE",
        "work_time_over",
        f"It has been {elapsed_s / 60.0:.0f} min since mixing; it can no longer be worked.",
        "Mark it poured if it is on the foot; else mix anew.",
    )


def _touch_after(foot: FootState, since_s: float) -> bool | None:
    """What the latest touch check said, if it was made no earlier than since_s after the pour."""
    if foot.pour is None:
        return None
    since_ns = foot.pour.poured_at_ns + round(since_s * NS_PER_S)
    late = [check for check in foot.touches if check.at_ns >= since_ns]
    return late[-1].firm if late else None


def _cure_gate(
    state: VisitState,
    foot: FootState,
    at_ns: int,
    question: Question,
    chosen: Callable[[CureAnswer], tuple[Estimate, CurePhase]],
) -> tuple[_Asked, CureAnswer, Estimate, Verdict | None]:
    """What trim and load ask alike: a verdict when the cure itself says wait or cannot be told."""
    if foot.cure is None or foot.pour is None:
        raise ValueError(f"{foot.foot.value} is curing without a pour: fold set it so by mistake")
    answer = cure_answer(foot.cure, at_ns)
    when, phase = chosen(answer)
    said = _Asked(at_ns, foot, question, (when,))
    damp = _air_evidence(state, at_ns)
    bad = _surface_evidence(state, foot, at_ns)
    stopped: Verdict | None = None
    if damp is not None:
        stopped = said(Status.CANNOT_TELL, "CANNOT TELL", *damp)
    elif bad is not None and bad[0] == "thermometer_damaged":
        stopped = said(Status.CANNOT_TELL, "CANNOT TELL", *bad)
    elif phase is CurePhase.CANNOT_TELL or when.high is None:
        stopped = said(Status.CANNOT_TELL, "CANNOT TELL", answer.rule, answer.because, answer.next_step)
    elif phase is CurePhase.WILL_NOT_CURE:
        stopped = said(Status.NOT_YET, "WILL NOT CURE", answer.rule, answer.because, answer.next_step)
    return said, answer, when, stopped


def _trim(state: VisitState, foot: FootState, at_ns: int) -> Verdict:
    said, answer, firm, stopped = _cure_gate(
        state, foot, at_ns, Question.TRIM, lambda answer: (answer.firm, answer.phase)
    )
    if stopped is not None:
        return stopped
    if answer.phase is CurePhase.WAIT and _elapsed_s(foot, at_ns) < (firm.low or 0.0):
        return said(Status.NOT_YET, "WAIT", answer.rule, answer.because, answer.next_step)
    touched = _touch_after(foot, firm.low or 0.0)
    if touched is None:
        return said(
            Status.NOT_YET, "CHECK BY TOUCH", answer.rule, answer.because,
            f"Press the fill at its edge, not through thick film; touch cannot feel the {answer.slowest}.",
        )  # fmt: skip
    if not touched:
        return said(
            Status.NOT_YET, "WAIT", "felt_soft", "You felt it soft.", "Wait a few minutes and press it again."
        )
    if _elapsed_s(foot, at_ns) < (firm.high or 0.0):
        return said(
            Status.NOT_YET, "WAIT", "firm_to_touch_only",
            f"It feels firm, but the {answer.slowest} cannot be felt; it is firm {_between(firm)}.",
            f"Wait until {_minutes(firm.high or 0.0)} after the pour.",
        )  # fmt: skip
    return said(
        Status.READY, "READY TO TRIM", "firm", f"It feels firm and is past its safe-by time: {_between(firm)}.",
        "Trim over it, then mark it trimmed.",
    )  # fmt: skip


def _load(state: VisitState, foot: FootState, at_ns: int) -> Verdict:
    said, answer, load, stopped = _cure_gate(
        state, foot, at_ns, Question.LOAD, lambda answer: (answer.load, answer.load_phase)
    )
    if stopped is not None:
        return stopped
    touched = _touch_after(foot, 0.0)
    if not touched:
        return said(
            Status.NOT_YET, "CHECK BY TOUCH", "no_firm_touch",
            "Nobody has marked it firm to the touch." if touched is None else "It was last felt soft.",
            "Press it at its edge and mark what you feel.",
        )  # fmt: skip
    if _elapsed_s(foot, at_ns) < (load.high or 0.0):
        return said(
            Status.NOT_YET, "KEEP THE FOOT UP", "load_not_safe_yet",
            f"It bears weight {_between(load)}; {_minutes(_elapsed_s(foot, at_ns))} have passed.",
            f"Hold or block the foot until {_minutes(load.high or 0.0)} after the pour.",
        )  # fmt: skip
    return said(
        Status.READY, "FOOT MAY GO DOWN", "bears_weight",
        f"Trimmed, firm to the touch and past its safe-by time: {_between(load)}.",
        "Boot or tape the foot, put it down, and mark it down.",
    )  # fmt: skip


def _finish(state: VisitState, foot: FootState, at_ns: int) -> Verdict:
    said = _Asked(at_ns, foot, Question.LOAD)
    if foot.trimmed_at_ns is None:
        return said(
            Status.CANNOT_TELL, "DOWN EARLY", "down_before_trim",
            "The foot was put down before it was trimmed over.", "Note what happened; this pad may fail early.",
        )  # fmt: skip
    return said(
        Status.READY, "DONE", "down", "The foot is down; its record is complete.", "Book the next visit."
    )


def _elapsed_s(foot: FootState, at_ns: int) -> float:
    if foot.pour is None:
        raise ValueError(f"{foot.foot.value} has no pour to count from")
    return (at_ns - foot.pour.poured_at_ns) / NS_PER_S


_STAGE_RULES: dict[Stage, Callable[[VisitState, FootState, int], Verdict]] = {
    Stage.PREPARE: _cover,
    Stage.POUR: _work,
    Stage.CURE: _trim,
    Stage.TRIM: _load,
    Stage.FINISH: _finish,
}
