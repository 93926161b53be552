"""decide: each foot's question answered at one moment, with the reason in a sentence.

READY is said only on fresh, trusted, valid evidence and never without the person's own look and touch.
"""

from __future__ import annotations

from collections.abc import Callable

from hoofsense.cure_verdicts import finish_verdict, load_verdict, trim_verdict, work_verdict
from hoofsense.dry_verdicts import heat_verdict, pour_verdict
from hoofsense.estimators.heat_safety import heat_answer
from hoofsense.records import Question, Stage, Status, Verdict
from hoofsense.verdict_evidence import Asked
from hoofsense.visit_state import FootState, VisitState


def decide(state: VisitState, at_ns: int) -> tuple[Verdict, ...]:
    """Every foot's verdict on its stage's question, then on the heat where heat can reach the quick."""
    answers: list[Verdict] = []
    for foot in state.feet:
        if foot.stage is Stage.DRY or foot.heat_on:
            heat = heat_answer(foot.heat, at_ns)
            answers.append(heat_verdict(foot, at_ns, heat))
            if foot.stage is Stage.DRY:
                answers.append(pour_verdict(state, foot, at_ns, heat))
                continue
        answers.append(_STAGE_RULES[foot.stage](state, foot, at_ns))
    return tuple(answers)


def cover_verdict(state: VisitState, foot: FootState, at_ns: int) -> Verdict:
    said = Asked(at_ns, foot, Question.COVER)
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


_STAGE_RULES: dict[Stage, Callable[[VisitState, FootState, int], Verdict]] = {
    Stage.PREPARE: cover_verdict,
    Stage.POUR: work_verdict,
    Stage.CURE: trim_verdict,
    Stage.TRIM: load_verdict,
    Stage.FINISH: finish_verdict,
}
