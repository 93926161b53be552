"""Verdicts as rows: enums by their stable words, estimates as JSON."""

from __future__ import annotations

import json
import math

from hoofsense.records import Estimate, Foot, Question, Status, Verdict

VERDICT_COLUMNS = "at_ns, foot, question, status, call, rule, because, next_step, estimates, until_ns"
VerdictRow = tuple[int, str, str, str, str, str, str, str, str, int | None]


def verdict_row(verdict: Verdict) -> VerdictRow:
    """Values of VERDICT_COLUMNS. The question goes by its name, since its sentence may be reworded."""
    return (
        verdict.at_ns,
        verdict.foot.value,
        verdict.question.name,
        verdict.status.value,
        verdict.call,
        verdict.rule,
        verdict.because,
        verdict.next_step,
        json.dumps([_plain(estimate) for estimate in verdict.estimates], ensure_ascii=False),
        verdict.until_ns,
    )


def verdict_from_row(row: VerdictRow) -> Verdict:
    """The verdict a row holds; ValueError when a word in it is not known."""
    at_ns, foot, question, status, call, rule, because, next_step, estimates, until_ns = row
    if question not in Question.__members__:
        raise ValueError(f"question {question!r} is not known")
    return Verdict(
        at_ns=at_ns,
        foot=Foot(foot),
        question=Question[question],
        status=Status(status),
        call=call,
        rule=rule,
        because=because,
        next_step=next_step,
        estimates=tuple(_estimate(fields) for fields in json.loads(estimates)),
        until_ns=until_ns,
    )


def _plain(estimate: Estimate) -> dict[str, object]:
    return {
        "name": estimate.name,
        "value": _number(estimate.value),
        "low": _number(estimate.low),
        "high": _number(estimate.high),
        "unit": estimate.unit,
        "model": estimate.model,
        "within_validity": bool(estimate.within_validity),
        "reason": estimate.reason,
    }


def _estimate(fields: dict[str, object]) -> Estimate:
    return Estimate(
        name=str(fields["name"]),
        value=_float(fields["value"]),
        low=_float(fields["low"]),
        high=_float(fields["high"]),
        unit=str(fields["unit"]),
        model=str(fields["model"]),
        within_validity=bool(fields["within_validity"]),
        reason=str(fields["reason"]),
    )


def _number(value: float | None) -> float | str | None:
    """JSON has no infinity: it is written as text, which float() reads back."""
    if value is None:
        return None
    return float(value) if math.isfinite(value) else str(float(value))


def _float(value: object) -> float | None:
    return None if value is None else float(str(value))
