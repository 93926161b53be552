"""How much do I pour, and how long can I work it? The sheet, the plan it leads to, and the foot drawn.

Everything here comes from the view's "plan"; the page's words are complete without its pictures.
"""

from __future__ import annotations

import json
import zlib
from typing import Any

from markupsafe import Markup

from dashboards import words
from dashboards.markup import element, joined
from dashboards.screens.caliper_sheet import sheet_frame
from dashboards.screens.feet_tiles import foot_in_hand, take_in_hand
from dashboards.screens.plan_answer import answer
from dashboards.screens.plan_balance import balance
from dashboards.screens.plan_details import check_list, notes, orders, wishes
from dashboards.screens.shapes import hoof_map

View = dict[str, Any]

FIGURES = (
    ("foot", words.FIGURE_FOOT),
    ("pad", words.FIGURE_PAD),
    ("result", words.FIGURE_RESULT),
)


def slots(view: View) -> dict[str, str]:
    """Slots "plan.*" of the foot in hand, and the states that tell pour_plan.js what to draw."""
    held = foot_in_hand(view)
    name, foot = held or ("", {})
    plan = (view.get("plan") or {}).get(name) or {}
    made = plan.get("plan")
    sheet = foot.get("sheet") or {}
    open_now = held is not None and view.get("mode") != "replay" and not view.get("ended")
    return {
        "plan@foot": name,
        "plan@version": _version(plan, sheet.get("next")),
        "plan@open": "yes" if open_now and plan else "no",
        "plan@made": "yes" if made else "no",
        "plan@result": "yes" if made and made["result"] else "no",
        "plan.feet": str(_feet(view, name)),
        "plan.whose": str(_whose(name, int(view["at_ms"]))) if held is not None else "",
        "plan.answer": str(answer(plan)) if held is not None else str(element("p", words.NOTHING_IN_HAND)),
        "plan.orders": str(orders(made)) if made else "",
        "plan.wishes": str(wishes(name, plan["settings"])) if open_now and plan else "",
        "plan.check": str(check_list(made)) if made else "",
        "plan.notes": str(notes(made)) if made else "",
        "plan.balance": str(balance(plan)) if plan else "",
        "plan.foot": str(
            joined(words.foot_figure_words(name, plan.get("values") or (), sheet.get("next"))) if plan else ""
        ),
        "plan.pad": str(
            joined(
                words.pad_figure_words(made["chosen"], plan["settings"]["least_mm"])
                if made
                else words.FIGURE_WAITING
            )
        ),
        "plan.result": str(joined(words.result_figure_words(made["result"])))
        if made and made["result"]
        else "",
    }


def rests_on(view: View) -> tuple[object, ...]:
    """What slots() looks at: while these are the same, so are the slots."""
    name, foot = foot_in_hand(view) or ("", {})
    following = (foot.get("sheet") or {}).get("next")
    stages = tuple((key, one.get("stage")) for key, one in (view.get("feet") or {}).items())
    plan = (view.get("plan") or {}).get(name)
    day = words.date_words(int(view["at_ms"]))
    return name, day, following, stages, view.get("mode"), view.get("ended"), plan


def _version(plan: View, following: str | None) -> str:
    """Changes whenever a picture does."""
    text = json.dumps([plan, following], sort_keys=True, default=str)
    return f"{zlib.crc32(text.encode()):08x}"


def _whose(name: str, at_ms: int) -> Markup:
    return joined(
        hoof_map(name), element("b", words.foot_words(name)), element("span", words.date_words(at_ms))
    )


def _feet(view: View, in_hand: str) -> Markup:
    return joined(
        *(
            element(
                "button",
                element("b", name, aria_hidden="true"),
                element("span", words.foot_words(name)),
                class_="action chip-button",
                type="button",
                aria_pressed="true" if name == in_hand else "false",
                data_mark=take_in_hand(name, str(foot.get("stage"))),
                data_key=f"foot-{name}",
            )
            for name, foot in (view.get("feet") or {}).items()
        )
    )


def body(charts: Markup) -> Markup:
    """The screen with empty places. Its pictures are drawn by pour_plan.js; charts is not used here."""
    feet = element(
        "section",
        element("h2", words.PLAN_FEET, class_="sr"),
        element("div", data_slot="plan.feet", class_="plan-feet"),
    )
    told = element(
        "section",
        element("div", data_slot="plan.whose", class_="whose"),
        element("h2", words.PLAN_QUESTION, class_="question"),
        element("div", data_slot="plan.answer", class_="plan-answer"),
        element("p", words.PLAN_OLD, class_="when-lost old-plan"),
        id="verdict",
        class_="plan-panel",
        tabindex="-1",
    )
    wanted = element(
        "section",
        element("details", element("summary", words.PLAN_WISHES), element("div", data_slot="plan.wishes")),
        class_="card wishes-card when-open",
    )
    return element(
        "main",
        element("template", charts),  # what serves the page asks for it to be there
        element("p", class_="refusal", id="refusal", role="alert"),
        element("div", feet, told, sheet_frame(folded=True), wanted, class_="plan-first"),
        element(
            "div",
            *(_figure(name, heading) for name, heading in FIGURES),
            _card("plan.orders", words.PLAN_ORDERS, "orders"),
            class_="plan-drawn",
        ),
        element(
            "div",
            _card("plan.check", words.PLAN_CHECK, "check"),
            _card("plan.balance", words.PLAN_BALANCE, "balance"),
            _card("plan.notes", words.PLAN_GAPS, "notes"),
            element("button", words.PLAN_PRINT, class_="action print-button", type="button", data_print=True),
            class_="plan-more",
        ),
        id="main",
        class_="plan-page",
        data_slot_on="plan",
    )


def _card(slot: str, heading: str, name: str) -> Markup:
    return element(
        "section",
        element("h2", heading, id=f"{name}-heading"),
        element("div", data_slot=slot, class_="card-body"),
        class_=f"card {name}-card",
        aria_labelledby=f"{name}-heading",
    )


def _figure(name: str, heading: str) -> Markup:
    return element(
        "figure",
        element("h2", heading, id=f"{name}-figure"),
        element(
            "div",
            class_="drawing",
            data_figure=name,
            role="img",
            aria_labelledby=f"{name}-figure",
            aria_describedby=f"{name}-words",
        ),
        element("figcaption", data_slot=f"plan.{name}", id=f"{name}-words"),
        class_=f"card {name}-figure-card",
    )
