"""How long may it be worked, when may it be trimmed, and when may the foot go down?

Never before the trim and never on infrared alone: the person's own touch is asked for and kept.
"""

from __future__ import annotations

from collections.abc import Callable

from hoofsense.estimators.cure_readiness import CureAnswer, CurePhase, cure_answer
from hoofsense.foot_events import tells_firm
from hoofsense.records import NS_PER_S, Estimate, Question, Status, Verdict
from hoofsense.verdict_evidence import Asked, air_evidence, surface_evidence
from hoofsense.visit_state import FootState, VisitState


def _minutes(seconds: float) -> str:
    return f"{seconds / 60.0:.0f} min"


def _between(estimate: Estimate) -> str:
    if estimate.low is None or estimate.high is None:
        return estimate.reason
    return f"between {_minutes(estimate.low)} and {_minutes(estimate.high)} after the pour"


def work_verdict(state: VisitState, foot: FootState, at_ns: int) -> Verdict:
    if foot.cure is None or foot.mixed_at_ns is None:
        raise ValueError(f"{foot.foot.value} is in the pour stage without a mix: fold set it so by mistake")
    answer = cure_answer(foot.cure, at_ns)
    said = Asked(at_ns, foot, Question.WORK, (answer.work,))
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


def _touch_after(foot: FootState, since_s: float, load: bool = False) -> bool | None:
    """What the latest touch check said, if it was made no earlier than since_s after the pour.

    load  whether a thumbnail's dent counts as soft
    """
    if foot.pour is None:
        return None
    since_ns = foot.pour.poured_at_ns + round(since_s * NS_PER_S)
    late = [
        c for c in foot.touches if c.at_ns >= since_ns and (tells_firm(c) or (load and c.asked == "load"))
    ]
    return late[-1].firm if late else None


def _cure_gate(
    state: VisitState,
    foot: FootState,
    at_ns: int,
    question: Question,
    chosen: Callable[[CureAnswer], tuple[Estimate, CurePhase]],
) -> tuple[Asked, CureAnswer, Estimate, Verdict | None]:
    """What trim and load ask alike: a verdict when the cure itself says wait or cannot be told."""
    if foot.cure is None or foot.pour is None:
        raise ValueError(f"{foot.foot.value} is curing without a pour: fold set it so by mistake")
    answer = cure_answer(foot.cure, at_ns)
    when, phase = chosen(answer)
    said = Asked(at_ns, foot, question, (when,))
    damp = air_evidence(state, at_ns)
    bad = surface_evidence(state, foot, at_ns)
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


def _beyond_touch(answer: CureAnswer) -> str:
    return "" if answer.touch_feels_slowest else " No touch reaches the bond line; it goes by time."


def trim_verdict(state: VisitState, foot: FootState, at_ns: int) -> Verdict:
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
            f"Press the rim and the middle, not through thick film.{_beyond_touch(answer)}",
        )  # fmt: skip
    if not touched:
        return said(
            Status.NOT_YET, "WAIT", "felt_soft", "You felt it soft.", "Wait a few minutes and press it again."
        )
    if _elapsed_s(foot, at_ns) < (firm.high or 0.0):
        return said(
            Status.NOT_YET, "WAIT", "firm_to_touch_only",
            f"It feels firm; the {answer.slowest} is firm {_between(firm)}.{_beyond_touch(answer)}",
            f"Wait until {_minutes(firm.high or 0.0)} after the pour.",
        )  # fmt: skip
    return said(
        Status.READY, "READY TO TRIM", "firm",
        f"It feels firm and its safe-by time is past: {_between(firm)}.",
        "Trim over it, then mark it trimmed.",
    )  # fmt: skip


def load_verdict(state: VisitState, foot: FootState, at_ns: int) -> Verdict:
    said, _, load, stopped = _cure_gate(
        state, foot, at_ns, Question.LOAD, lambda answer: (answer.load, answer.load_phase)
    )
    if stopped is not None:
        return stopped
    touched = _touch_after(foot, 0.0, load=True)
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


def finish_verdict(state: VisitState, foot: FootState, at_ns: int) -> Verdict:
    said = Asked(at_ns, foot, Question.LOAD)
    if foot.trimmed_at_ns is None:
        return said(
            Status.CANNOT_TELL, "DOWN EARLY", "down_before_trim",
            "The foot was put down before it was trimmed over.", "Note why; this pad may fail early.",
        )  # fmt: skip
    return said(
        Status.READY, "DONE", "down", "The foot is down; its record is complete.", "Book the next visit."
    )


def _elapsed_s(foot: FootState, at_ns: int) -> float:
    if foot.pour is None:
        raise ValueError(f"{foot.foot.value} has no pour to count from")
    return (at_ns - foot.pour.poured_at_ns) / NS_PER_S
