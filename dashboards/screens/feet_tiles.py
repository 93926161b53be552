"""Which horse, which foot? Four tiles placed as the feet stand, seen from above with the head up."""

from __future__ import annotations

from typing import Any

from markupsafe import Markup

from dashboards import words
from dashboards.markup import element, joined
from dashboards.screens.shapes import hoof_map, shape

View = dict[str, Any]

FIRST_SPOT = "toe"  # where a scan of the sole begins when a foot is taken in hand to be dried


def foot_in_hand(view: View) -> tuple[str, View] | None:
    """(name, facts) of the foot in hand; None when there is none or it is not part of the visit."""
    name = (view.get("in_hand") or {}).get("foot")
    foot = view.get("feet", {}).get(name)
    return None if foot is None else (str(name), foot)


def tile_slots(view: View) -> dict[str, str]:
    """Slots "<foot>.tile" of all four places, and "attention" for another foot that asks for the person."""
    feet = view.get("feet", {})
    in_hand = (view.get("in_hand") or {}).get("foot")
    slots = {f"{foot}.tile": str(_tile(foot, feet.get(foot), foot == in_hand)) for foot in words.FEET}
    slots["attention"] = "" if view.get("ended") else str(_attention(feet, in_hand))
    return slots


def told_status(foot: View) -> str:
    """The status a tile shows: a STOP on the heat outranks the verdict of the stage."""
    heat = (foot.get("heat") or {}).get("status")
    return "STOP" if heat == "STOP" else str((foot.get("verdict") or {}).get("status", "CANNOT TELL"))


def take_in_hand(foot: str, stage: str) -> dict[str, object]:
    """The mark that takes a foot in hand, at the first spot of a scan when it is being dried."""
    return {"mark": "hand", "foot": foot, "site": FIRST_SPOT if stage == "dry" else None}


def _tile(name: str, foot: View | None, in_hand: bool) -> Markup:
    if foot is None:
        return element(
            "div",
            element("span", name, class_="code", aria_hidden="true"),
            element("span", words.foot_words(name), class_="sr"),
            element("span", words.NOT_IN_VISIT, class_="absent"),
            class_="tile empty",
        )
    stage = str(foot.get("stage", "prepare"))
    status = told_status(foot)
    return element(
        "button",
        element("span", name, class_="code", aria_hidden="true"),
        element("span", words.foot_words(name) + ". ", class_="sr"),
        element("span", words.STAGES.get(stage, stage), class_="stage"),
        element(
            "span", shape(status), element("b", words.STATUSES.get(status, status)), class_="told when-live"
        ),
        element("span", class_="age", data_age=name),
        element("span", words.IN_HAND, class_="held") if in_hand else None,
        _pips(stage),
        class_="tile",
        type="button",
        data_status=status.replace(" ", "-"),
        data_mark=take_in_hand(name, stage),
        data_key=f"tile-{name}",
        aria_pressed="true" if in_hand else "false",
    )


def _pips(stage: str) -> Markup:
    at = words.STAGE_ORDER.index(stage) if stage in words.STAGE_ORDER else 0
    pips = joined(
        *(
            element("i", class_="now" if n == at else "past" if n < at else None)
            for n in range(len(words.STAGES))
        )
    )
    return element("span", pips, class_="pips", aria_hidden="true")


def _attention(feet: View, in_hand: str | None) -> Markup:
    """A line for each foot not in hand that is ready or is getting too hot; empty when there is none."""
    lines = []
    for name, foot in feet.items():
        heat, verdict = foot.get("heat") or {}, foot.get("verdict") or {}
        told = heat if heat.get("status") == "STOP" else verdict
        too_hot = told is heat
        if name == in_hand or not (too_hot or told.get("status") == "READY") or foot.get("stage") == "finish":
            continue
        status, said = str(told["status"]), str(told.get("call", ""))
        lines.append(
            element(
                "button",
                hoof_map(name),
                element(
                    "span", element("b", f"{words.foot_words(name)} {words.WANTS_YOU}"), element("span", said)
                ),
                shape(status),
                class_="attention",
                type="button",
                data_status=status,
                data_mark=take_in_hand(name, str(foot.get("stage"))),
                data_key=f"attention-{name}",
            )
        )
    return joined(*lines)
