"""What every verdict rests on: whether the surface and the air are known well enough to be used at all."""

from __future__ import annotations

from dataclasses import dataclass, replace

from hoofsense.records import NS_PER_S, AirConditions, Estimate, Question, Status, Verdict
from hoofsense.screening import evidence_is_trusted
from hoofsense.visit_state import FootState, VisitState

AIR_STALE_S = 120  # an ambient sensor adverts every few seconds; two minutes are silence (our choice)
AIR_STALE_NS = AIR_STALE_S * NS_PER_S


@dataclass(frozen=True, slots=True)
class Asked:
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


def surface_evidence(state: VisitState, foot: FootState, at_ns: int) -> tuple[str, str, str] | None:
    """(rule, because, next step) when this foot's surface readings cannot be relied on now."""
    if foot.surface is None:
        return None
    source = foot.surface.source.rpartition("/")[0]
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


def air_evidence(state: VisitState, at_ns: int) -> tuple[str, str, str] | None:
    measured_at_ns = state.air.measured_at_ns
    if measured_at_ns is None or state.air.air_K is None:
        return "no_air", "No air temperature has come yet.", "Switch the ambient sensor on."
    if at_ns - measured_at_ns > AIR_STALE_NS:
        age = (at_ns - measured_at_ns) // NS_PER_S
        return "air_stale", f"The air was last measured {age} s ago; {AIR_STALE_S} s is the limit.", (
            "Bring the ambient sensor back."
        )  # fmt: skip
    for instrument in state.instruments:
        if any(q.value in ("air_temperature", "relative_humidity") for q in instrument.measures):
            trusted, why = evidence_is_trusted(state.screening, instrument.source, at_ns)
            if not trusted:
                return "air_damaged", why, "Check the ambient sensor and its battery."
    return None


def fresh_air(state: VisitState, at_ns: int) -> AirConditions:
    """The air without a humidity that has gone stale."""
    measured_at_ns = state.air.humidity_at_ns
    if measured_at_ns is not None and at_ns - measured_at_ns <= AIR_STALE_NS:
        return state.air
    return replace(state.air, relative_humidity_ratio=None)
