"""The plan's answer, readable at arm's length: how much, for how long, how level, and what helps most."""

from __future__ import annotations

import math
from typing import Any

from markupsafe import Markup

from dashboards import words
from dashboards.markup import element, joined

View = dict[str, Any]


def answer(plan: View) -> Markup:
    """The answer, or what has to be measured first, or why there is none."""
    made = plan.get("plan")
    if made:
        poured = element("p", words.PLAN_POURED, class_="plan-why") if plan.get("poured") else None
        return joined(
            poured, _mix(plan, made), _facts(plan, made), _lever(made), _share(plan, made), _rests_on(plan)
        )
    why = str(plan.get("why") or "")
    if why:
        return joined(
            element("p", words.NO_VALUE, class_="call"),
            element("p", f"{why[:1].upper()}{why[1:]}.".replace("..", "."), class_="plan-why"),
        )
    missing = plan.get("missing") or ()
    return joined(
        element("p", words.PLAN_MISSING, class_="call small-call"),
        element("ul", *(element("li", str(each)) for each in missing), class_="missing"),
    )


def _mix(plan: View, made: View) -> Markup:
    mix, mass, settings = made["mix_mL"], made["mass_g"], plan["settings"]
    units = words.PLAN_UNIT if made["units"] == 1 else words.PLAN_UNITS_MANY.format(n=made["units"])
    notes = (
        words.between_words(mix, "mL", 0),
        f"{words.number_words(mass['value'], 0)} g",
        words.PLAN_UNITS.format(n=units, size=f"{settings['unit_mL']:g}"),
    )
    return joined(
        element(
            "p", words.PLAN_MIX.format(volume=f"{words.number_words(mix['value'], 0)} mL"), class_="call"
        ),
        element("p", " · ".join(notes), class_="plan-notes"),
    )


def _facts(plan: View, made: View) -> Markup:
    return element(
        "dl",
        _times(words.PLAN_WORK, words.WORK_LABELS, made["work_s"], (math.floor,) * 3),
        _fact(*_goes(made)),
        _fact(words.PLAN_LEVEL, *_level(made["level_deg"])),
        _fact(
            words.PLAN_THINNEST.format(place=made["thinnest_place"]),
            words.length_words(made["thinnest_mm"]["value"]),
            words.between_words(made["thinnest_mm"], "mm"),
            words.PLAN_LEAST.format(mm=words.length_words(plan["settings"]["least_mm"])),
        ),
        None
        if made["firm_s"] is None
        else _times(words.PLAN_FIRM, words.TIME_LABELS, made["firm_s"], (math.floor, round, math.ceil)),
        class_="plan-facts",
    )


def _fact(label: str, said: str, *notes: str) -> Markup:
    return element(
        "div",
        element("dt", label),
        element("dd", element("b", said), *(element("span", note) for note in notes if note)),
        class_="fact",
    )


def _times(label: str, names: tuple[str, ...], of: View, whole: tuple[Any, ...]) -> Markup:
    """Three times, each made whole to its safe side."""
    if of["value"] is None:
        return _fact(label, words.NO_VALUE, str(of["reason"]))
    places = (
        element(
            "span", element("i", name), element("b", words.duration_words(of[bound], to_whole)), class_="time"
        )
        for name, bound, to_whole in zip(names, ("low", "value", "high"), whole, strict=True)
    )
    return element(
        "div", element("dt", label), element("dd", *places, class_="times"), class_="fact estimate wide"
    )


def _goes(made: View) -> tuple[str, ...]:
    said = words.PLAN_ONE if made["pours"] == 1 else words.PLAN_TWO
    takes = words.PLAN_GO_TAKES.format(time=words.duration_words(made["pour_s"]))
    too_long = made["work_s"]["low"] is not None and not made["fits"]
    return words.PLAN_POURS, said, takes, words.PLAN_NO_FIT if too_long else ""


def _level(level: View) -> tuple[str, ...]:
    if level["value"] is None:
        return words.NO_VALUE, str(level["reason"])
    return f"{words.number_words(level['value'])}°", str(level["reason"])


def _lever(made: View) -> Markup | None:
    if not made["levers"]:
        return None
    best = made["levers"][0]
    gain = words.PLAN_GAIN.format(time=words.duration_words(best["gain_s"]))
    return element(
        "p", element("b", words.PLAN_LEVER), element("span", f"{best['action']}: {gain}."), class_="lever"
    )


def _share(plan: View, made: View) -> Markup | None:
    """How much to fill so that no place is too thin, where one is."""
    least = plan["settings"]["least_mm"]
    if made["thinnest_mm"]["value"] >= least:
        return None
    share, mm = made["share_needed_percent"], words.length_words(least)
    said = (
        words.PLAN_NO_SHARE.format(mm=mm)
        if share is None or share > 100.0
        else words.PLAN_SHARE_NEEDED.format(share=f"{math.ceil(share)}", mm=mm)
    )
    return element("p", said, class_="plan-share")


def _rests_on(plan: View) -> Markup:
    settings = plan["settings"]

    def told(degC: float | None) -> str:
        return words.PLAN_NOT_MEASURED if degC is None else words.temperature_words(degC)

    return element(
        "p",
        words.PLAN_RESTS_ON.format(
            material=settings["material"],
            air=told(settings["air_degC"]),
            sole=told(settings["sole_degC"]),
            degC=told(settings["material_degC"]),
        ),
        class_="hint",
    )
