"""The visit as plain values for a page or a machine: what json.dumps can write, in the units people read.

Ages are not given but moments (at_ms), so that a value that has not changed is not sent again.
"""

from __future__ import annotations

from collections.abc import Sequence
from typing import Any

from hoofsense.cautions import cautions_for
from hoofsense.estimators.caliper_sheet import KNOWN_SITES, last_value_m
from hoofsense.instrument_health import Health
from hoofsense.records import NS_PER_S, Estimate, Quantity, Question, Reading, Verdict
from hoofsense.screening import evidence_is_trusted, refused_counts
from hoofsense.units import value_in
from hoofsense.visit import PEOPLE
from hoofsense.visit_state import FootState, InstrumentSeen, VisitState

NS_PER_MS = 1_000_000
MS_PER_S = 1000
RADIO = "bluetooth"  # the source under which the Bluetooth adapter tells of itself
_PAGE_UNIT = {"K": "Cel", "m": "mm", "1": "%", "Pa": "hPa"}


def point_of(trace: str, reading: Reading) -> tuple[str, int, float]:
    """(series, at_ns, value) of an accepted reading, in the unit its trace is drawn in (degC, mm, %)."""
    unit = _PAGE_UNIT.get(reading.quantity.unit, reading.quantity.unit)
    return trace, reading.measured_at_ns, value_in(reading.value, unit)


def view_of(state: VisitState, verdicts: Sequence[Verdict], mode: str) -> dict[str, Any]:
    """The whole view; one key for each part that changes on its own, feet as "feet/LF"."""
    view: dict[str, Any] = {
        "at_ms": state.at_ns // NS_PER_MS,
        "visit_id": state.visit_id,
        "horse": state.horse,
        "practice": state.practice,
        "invented": state.invented,
        "mode": mode,
        "ended": state.ended,
        "in_hand": {
            "foot": None if state.in_hand is None else state.in_hand.value,
            "site": None if state.site is None else state.site.value,
        },
        "air": _air(state),
        "instruments": [_instrument(state, one) for one in state.instruments],
        "notices": [{"at_ms": at_ns // NS_PER_MS, "text": text} for at_ns, text in state.notices],
    }
    for foot in state.feet:
        view[f"feet/{foot.foot.value}"] = _foot(foot, [v for v in verdicts if v.foot is foot.foot])
    return view


def _foot(foot: FootState, verdicts: Sequence[Verdict]) -> dict[str, Any]:
    asked = next((v for v in verdicts if v.question is not Question.HEAT), None)
    heat = next((v for v in verdicts if v.question is Question.HEAT), None)
    surface = foot.surface
    return {
        "stage": foot.stage.value,
        "signs": list(foot.signs or ()),
        "heat_on": foot.heat_on,
        "verdict": None if asked is None else _verdict(asked),
        "heat": None if heat is None else _verdict(heat),
        "sheet": _sheet(foot),
        "surface": None
        if surface is None
        else {
            "degC": round(value_in(surface.value, "Cel"), 2),
            "site": None if foot.surface_site is None else foot.surface_site.value,
            "at_ms": surface.measured_at_ns // NS_PER_MS,
        },
        "poured_at_ms": None if foot.pour is None else foot.pour.poured_at_ns // NS_PER_MS,
        "cautions": [{"signal": signal, "text": text} for signal, text in cautions_for(foot.stage)],
        "marks": [
            {"id": m.mark_id, "label": m.label, "at_ms": m.at_ns // NS_PER_MS, "undoable": True}
            for m in foot.made
        ],
    }


def _sheet(foot: FootState) -> dict[str, Any]:
    order = {site: place for place, site in enumerate(KNOWN_SITES)}
    values = []
    for one in sorted(foot.sheet.measured, key=lambda one: order[one.site]):
        u_m = one.repeatability_m
        values.append(
            {
                "site": str(one.site),
                "mm": round(value_in(one.mean_m, "mm"), 2),
                "sd_mm": None if u_m is None else round(value_in(u_m, "mm"), 3),
                "n": len(one.values_m),
            }
        )
    held, last = foot.sheet.held_back, last_value_m(foot.sheet)
    return {
        "last": None if last is None else {"site": str(last[0]), "mm": round(value_in(last[1], "mm"), 2)},
        "held": None
        if held is None
        else {"site": str(held.site), "mm": round(value_in(held.value_m, "mm"), 2)},
        "landed": len(foot.sheet.landed),
        "next": None if foot.sheet.next_site is None else str(foot.sheet.next_site),
        "sites": [str(site) for site in dict.fromkeys((*foot.sheet.sequence, *foot.sheet.afterwards))],
        "values": values,
        "asks": None if held is None else held.question,
    }


def _verdict(verdict: Verdict) -> dict[str, Any]:
    return {
        "question": verdict.question.value,
        "status": verdict.status.value,
        "call": verdict.call,
        "rule": verdict.rule,
        "because": verdict.because,
        "next_step": verdict.next_step,
        "until_ms": None if verdict.until_ns is None else verdict.until_ns // NS_PER_MS,
        "estimates": [_estimate(e) for e in verdict.estimates],
    }


def _estimate(estimate: Estimate) -> dict[str, Any]:
    def rounded(number: float | None) -> float | None:
        return None if number is None else float(f"{number:.4g}")

    return {
        "name": estimate.name,
        "value": rounded(estimate.value),
        "low": rounded(estimate.low),
        "high": rounded(estimate.high),
        "unit": estimate.unit,
        "reason": estimate.reason,
        "within_validity": estimate.within_validity,
    }


def _air(state: VisitState) -> dict[str, Any] | None:
    air, dew = state.air, state.dew_point
    if air.measured_at_ns is None or air.air_K is None:
        return None
    humidity = air.relative_humidity_ratio
    return {
        "degC": round(value_in(air.air_K, "Cel"), 1),
        "rh_percent": None if humidity is None else round(value_in(humidity, "%")),
        "dew_degC": None if dew is None else round(value_in(dew.value, "Cel"), 1),
        "at_ms": air.measured_at_ns // NS_PER_MS,
    }


def _instrument(state: VisitState, one: InstrumentSeen) -> dict[str, Any]:
    trusted, why = evidence_is_trusted(state.screening, one.source, state.at_ns)
    if one.source == RADIO:  # measures nothing, so there is nothing to trust
        trusted, why = one.linked, one.note
    return {
        "source": one.source,
        "what": _what(one),
        "at_ms": one.last_ns // NS_PER_MS,
        "linked": one.linked,
        "battery_percent": None if one.battery_ratio is None else round(value_in(one.battery_ratio, "%")),
        "refused": {
            reason: count for source, reason, count in refused_counts(state.screening) if source == one.source
        },
        "trusted": trusted,
        "note": one.note if trusted else why,
        "checked": _checked(state, one),
        "rate_per_s": one.health.rate_per_s,
        "lost": one.health.lost,
        "crc_errors": one.health.crc_errors,
        "restarts": one.health.restarts,
        **_own_clock(one.health),
    }


def _what(one: InstrumentSeen) -> str:
    if one.source == RADIO:
        return "the radio itself"
    return ", ".join(_WHAT[q] for q in one.measures if q is not Quantity.BATTERY)


def _checked(state: VisitState, one: InstrumentSeen) -> bool | None:
    """Whether its caliper passed the guided check; None for what is no caliper, or where nobody said."""
    if state.checked is None or one.source in PEOPLE or Quantity.LENGTH not in one.measures:
        return None
    return one.source in state.checked


def _own_clock(health: Health) -> dict[str, int | None]:
    """Its own clock in whole seconds: how far a dated one is ahead of ours, when a counter stood at zero."""
    if health.clock_ns is None:
        return {"clock_offset_s": None, "clock_began_ms": None}
    seconds = round(health.clock_ns / NS_PER_S)
    if health.counts:
        return {"clock_offset_s": None, "clock_began_ms": seconds * MS_PER_S}
    return {"clock_offset_s": -seconds, "clock_began_ms": None}


_WHAT = {
    Quantity.TEMPERATURE: "temperature",
    Quantity.SURFACE_TEMPERATURE: "surface temperature",
    Quantity.AIR_TEMPERATURE: "air temperature",
    Quantity.DEW_POINT: "dew point",
    Quantity.RELATIVE_HUMIDITY: "humidity",
    Quantity.PRESSURE: "pressure",
    Quantity.WIND_SPEED: "wind",
    Quantity.LENGTH: "length",
    Quantity.BATTERY: "battery",
    Quantity.BUTTON: "button",
}


def measured_rows(state: VisitState) -> list[dict[str, Any]]:
    """Every caliper value of the visit, in the order of feet and sheet."""
    return [
        {"foot": foot.foot.value, "site": value["site"], "mm": value["mm"]}
        for foot in state.feet
        for value in _sheet(foot)["values"]
    ]
