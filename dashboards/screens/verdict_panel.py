"""The answer for the foot in hand, readable at arm's length, and the guard on the heat."""

from __future__ import annotations

import math
from collections.abc import Callable
from typing import Any

from markupsafe import Markup

from dashboards import words
from dashboards.markup import element, joined
from dashboards.screens.feet_tiles import foot_in_hand
from dashboards.screens.shapes import hoof_map, rail, shape

View = dict[str, Any]

MARGIN = "dew_point_margin"  # shown among the readings, not among the estimates
WORKING_TIME = "working_time"  # counted from mixing


def verdict_slots(view: View) -> dict[str, str]:
    """Slots of the verdict and of the heat guard of the foot in hand."""
    held = foot_in_hand(view)
    if held is None:
        return _nothing_in_hand()
    foot_name, foot = held
    verdict = foot.get("verdict") or {}
    status = str(verdict.get("status", "CANNOT TELL"))
    stage = str(foot.get("stage", "prepare"))
    slots = {
        "hand@status": status.replace(" ", "-"),
        "hand@stage": stage,
        "hand.foot": str(
            joined(
                hoof_map(foot_name),
                element("b", words.foot_words(foot_name)),
                element("span", words.STAGES.get(stage, stage)),
            )
        ),
        "hand.question": str(joined(str(verdict.get("question", "")))),
        "hand.status": str(joined(shape(status), element("span", words.STATUSES.get(status, status)))),
        "hand.call": str(joined(str(verdict.get("call", "")))),
        "hand.because": str(joined(str(verdict.get("because", "")))),
        "hand.next": str(joined(str(verdict.get("next_step", "")))),
        "hand.estimates": str(_estimates(foot, verdict)),
        "hand.announce": str(
            joined(
                words.foot_words(foot_name),
                f". {words.STATUSES.get(status, status)}. ",
                str(verdict.get("call", "")),
            )
        ),
    }
    heat = foot.get("heat")
    if heat is not None and status == heat.get("status") == "STOP":  # said once, as the verdict itself
        return {**slots, "hand.signal": str(_signal("STOP")), **_heat_slots(None, stage)}
    return {**slots, "hand.signal": "", **_heat_slots(heat, stage)}


def _nothing_in_hand() -> dict[str, str]:
    empty = dict.fromkeys(
        ("hand.question", "hand.because", "hand.estimates", "hand.signal", "heat.call", "heat.because"), ""
    )
    return {
        **empty,
        "hand@status": "NONE",
        "hand@stage": "",
        "hand.foot": "",
        "hand.status": "",
        "hand.call": str(joined(words.NOTHING_IN_HAND)),
        "hand.next": str(joined(words.NOTHING_IN_HAND_NEXT)),
        "hand.announce": str(joined(words.NOTHING_IN_HAND)),
        "heat@status": "NONE",
        "heat.signal": "",
        "heat.next": "",
    }


def _signal(status: str) -> Markup:
    """Signal word of a heat status that is not quiet."""
    return joined(
        shape("alert"), element("b", words.HEAT_SIGNALS[status]), element("span", words.HEAT_HEADING)
    )


def _heat_slots(heat: View | None, stage: str) -> dict[str, str]:
    status = str((heat or {}).get("status", "CANNOT TELL"))
    if heat is None or stage == "finish":
        return {
            "heat@status": "NONE",
            "heat.signal": "",
            "heat.call": "",
            "heat.because": "",
            "heat.next": "",
        }
    signal = status in words.HEAT_SIGNALS
    head = (
        _signal(status)
        if signal
        else joined(element("b", words.HEAT_HEADING), element("span", words.HEAT_QUIET.get(status, status)))
    )
    return {
        "heat@status": status.replace(" ", "-"),
        "heat.signal": str(head),
        "heat.call": str(joined(str(heat.get("call", "")))) if signal else "",
        "heat.because": str(joined(str(heat.get("because", "")))),
        "heat.next": str(joined(str(heat.get("next_step", "")))) if signal else "",
    }


def _estimates(foot: View, verdict: View) -> Markup:
    """Every estimate of the verdict with its uncertainty in words; times as not before, likely, safe by."""
    rows = []
    for estimate in verdict.get("estimates") or ():
        if estimate.get("name") == MARGIN:
            continue
        if estimate.get("unit") == "s" and estimate.get("value") is not None:
            rows.append(_times(estimate, foot.get("poured_at_ms")))
            continue
        said, between = words.estimate_words(estimate)
        rows.append(
            element(
                "div",
                element("dt", words.estimate_name(str(estimate.get("name", "")))),
                element("dd", element("b", said), element("span", between)),
                class_="estimate",
            )
        )
    return element("dl", *rows, class_="estimates") if rows else Markup("")


def _times(estimate: View, poured_at_ms: int | None) -> Markup:
    """Three times, each made whole to its safe side: no wait ends early, no work ends late."""
    runs_out = estimate.get("name") == WORKING_TIME
    labels = words.WORK_LABELS if runs_out else words.TIME_LABELS
    to_whole: tuple[Callable[[float], int], ...] = (
        (math.floor,) * 3 if runs_out else (math.floor, round, math.ceil)
    )
    places = [
        _time(label, estimate.get(bound), None if runs_out else poured_at_ms, whole)
        for label, bound, whole in zip(labels, ("low", "value", "high"), to_whole, strict=True)
    ]
    return element(
        "div",
        element("dt", words.estimate_name(str(estimate.get("name", "")))),
        element("dd", *places, class_="times"),
        class_="estimate wide",
    )


def _time(
    label: str, after_s: float | None, poured_at_ms: int | None, whole: Callable[[float], int]
) -> Markup:
    if after_s is None:
        return element("span", element("i", label), element("b", words.NO_VALUE), class_="time")
    said = words.duration_words(after_s, whole)
    if poured_at_ms is None:
        return element("span", element("i", label), element("b", said), class_="time")
    minute_ms = words.S_PER_MIN * words.MS_PER_S
    at_ms = whole((poured_at_ms + after_s * words.MS_PER_S) / minute_ms) * minute_ms
    clock = words.clock_words(at_ms).rpartition(":")[0]
    return element("span", element("i", label), element("b", clock), element("span", said), class_="time")


def verdict_frame() -> Markup:
    """The places the slots fill. NO READING lies in the same panel and shows itself when nothing comes."""
    answer = element(
        "div",
        element("p", data_slot="hand.question", class_="question"),
        element(
            "div",
            element("p", data_slot="hand.signal", class_="signal"),
            element(
                "p",
                element("span", data_slot="hand.status", class_="status-word"),
                rail(),
                class_="status-line",
            ),
            element("p", data_slot="hand.call", class_="call"),
            element("p", data_until=True, class_="until"),
            class_="band",
        ),
        element("div", element("b", words.DO_NOW), element("p", data_slot="hand.next"), class_="next"),
        element("div", element("b", words.BECAUSE), element("p", data_slot="hand.because"), class_="because"),
        element("div", data_slot="hand.estimates"),
        class_="answer when-live",
    )
    silent = element(
        "div",
        element("p", words.NO_READING, class_="call"),
        element("p", data_last=True, class_="last"),
        element("p", words.NO_READING_BECAUSE),
        element("p", words.NO_READING_NEXT, class_="next-plain"),
        class_="silent when-lost",
    )
    return element(
        "section",
        element("h2", words.VERDICT_HEADING, class_="sr"),
        element("div", data_slot="hand.foot", class_="whose"),
        element("div", answer, silent, class_="either"),
        element("p", data_slot="hand.announce", class_="sr", role="status"),
        id="verdict",
        class_="verdict",
        tabindex="-1",
        data_slot_on="hand",
    )


def heat_frame() -> Markup:
    return element(
        "section",
        element("h2", data_slot="heat.signal", class_="signal"),
        element("p", data_slot="heat.call", class_="heat-call"),
        element("p", data_slot="heat.next", class_="heat-next"),
        element("p", data_slot="heat.because", class_="heat-because"),
        class_="heat when-live",
        data_slot_on="heat",
    )
