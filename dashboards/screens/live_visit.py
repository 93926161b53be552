"""The live visit: which foot, and what to do with it now. Verdict first; the picture comes after."""

from __future__ import annotations

from typing import Any

from markupsafe import Markup

from dashboards import words
from dashboards.markup import element
from dashboards.screens.caliper_sheet import sheet_frame, sheet_slots
from dashboards.screens.feet_tiles import tile_slots
from dashboards.screens.stage_actions import action_slots
from dashboards.screens.verdict_panel import heat_frame, verdict_frame, verdict_slots
from dashboards.screens.visit_facts import fact_slots, readings_frame

View = dict[str, Any]


def slots(view: View) -> dict[str, str]:
    """Everything on the screen that depends on the view, as inner HTML by the name of its place.

    A name with '@' is a state: the part before it names the element, the part after it the data attribute.
    A pure function of the view, so that only what changed is sent.
    """
    return {
        **fact_slots(view),
        **tile_slots(view),
        **verdict_slots(view),
        **action_slots(view),
        **sheet_slots(view),
    }


def body(charts: Markup) -> Markup:
    """The screen with empty places. charts is where the pictures are mounted after the first paint."""
    tiles = element(
        "section",
        element("h2", words.FEET_HEADING, class_="sr"),
        element(
            "div",
            *(element("div", data_slot=f"{foot}.tile", class_=f"at-{foot}") for foot in words.FEET),
            class_="tiles",
        ),
        element("div", data_slot="attention", class_="when-live"),
        class_="feet",
    )
    actions = element(
        "section",
        element("h2", words.ACTIONS_HEADING, class_="sr"),
        element("div", data_slot="actions", class_="thumb"),
        element("div", data_slot="more", class_="more"),
        class_="actions",
    )
    answer = element(
        "div",
        element("p", class_="refusal", id="refusal", role="alert"),
        heat_frame(),
        verdict_frame(),
        actions,
        element("div", data_slot="cautions", class_="cautions"),
        class_="answers",
    )
    trace = element(
        "section",
        element("h2", words.TRACE_HEADING, id="trace-heading"),
        element(
            "section",
            element("h3", words.NUMBERS_HEADING, class_="sr"),
            readings_frame(),
            class_="when-live",
        ),
        element(
            "div",
            charts,
            class_="picture",
            role="img",
            aria_labelledby="trace-heading",
            aria_describedby="trace-words",
        ),
        element(
            "ul",
            *(
                element("li", element("i", class_=f"line-{name}", aria_hidden="true"), said)
                for name, said in (
                    ("sole", words.SOLE),
                    ("air", words.AIR),
                    ("dew", words.DEW_POINT),
                    ("least", words.DEW_LIMIT),
                    ("band", words.HEAT_ON),
                )
            ),
            class_="legend",
        ),
        element("p", data_slot="trace", class_="trace-words", id="trace-words"),
        class_="trace card",
        aria_labelledby="trace-heading",
    )
    measured = element("div", trace, sheet_frame(), class_="measured-side")
    records = element(
        "div",
        _card("marks", words.MARKS_HEADING),
        _card("instruments", words.INSTRUMENTS_HEADING),
        _card("notices", words.NOTICES_HEADING),
        class_="records",
    )
    return element("main", tiles, answer, measured, records, id="main")


def _card(slot: str, heading: str) -> Markup:
    return element(
        "section",
        element("h2", heading, id=f"{slot}-heading"),
        element("div", data_slot=slot),
        class_=f"card {slot}",
        aria_labelledby=f"{slot}-heading",
    )
