"""The buttons right for the stage of the foot in hand. Each sends one mark; refusals come back as a sentence.

The markup depends only on the foot, its stage, the spot in hand and whether the heat is on, so that a form
being filled in is never replaced under the person's fingers.
"""

from __future__ import annotations

from typing import Any

from markupsafe import Markup

from dashboards import words
from dashboards.markup import element, joined
from dashboards.screens.feet_tiles import foot_in_hand
from dashboards.screens.shapes import shape
from hoofsense.records import SCAN_SITES

View = dict[str, Any]

DEFAULT_THICKNESS_MM = 8  # the pad of the reference pour, a start for the field (science page: 8 mm pad)


def action_slots(view: View) -> dict[str, str]:
    """Slots "actions" (the main buttons, within reach of a thumb) and "more" (what needs a closer look)."""
    held = foot_in_hand(view)
    if view.get("mode") == "replay":
        return {"actions": "", "more": str(element("p", words.REPLAY_ACTIONS, class_="plain"))}
    if view.get("ended"):
        return {"actions": "", "more": str(element("p", words.ENDED_ACTIONS, class_="plain"))}
    if held is None:
        return {"actions": "", "more": ""}
    name, foot = held
    stage = str(foot.get("stage", "prepare"))
    site = (view.get("in_hand") or {}).get("site")
    return {
        "actions": str(_main_buttons(name, foot, stage)),
        "more": str(_closer_look(name, foot, stage, site)),
    }


def _main_buttons(name: str, foot: View, stage: str) -> Markup:
    if stage == "dry":
        return _heat_buttons(name, foot.get("heat_on"), too_hot=_too_hot(foot))
    if stage == "pour":
        return _heat_buttons(name, True, too_hot=_too_hot(foot)) if foot.get("heat_on") else Markup("")
    if stage == "cure":
        return joined(
            _action(words.SOFT, {"mark": "touch", "foot": name, "site": _touched(foot), "firm": False}),
            _action(words.FIRM, {"mark": "touch", "foot": name, "site": _touched(foot), "firm": True}),
        )
    if stage == "trim":
        return _action(words.FOOT_DOWN, {"mark": "down", "foot": name}, main=True)
    return Markup("")


def _too_hot(foot: View) -> bool:
    return (foot.get("heat") or {}).get("status") == "STOP"


def _heat_buttons(name: str, heat_on: bool | None, *, too_hot: bool) -> Markup:
    """The one that changes something comes forward, more heat never while the guard says stop.

    Both stay when it is not known whether the heat is on.
    """
    on = _action(
        words.HEAT_ON, {"mark": "heat", "foot": name, "on": True}, main=heat_on is False and not too_hot
    )
    off = _action(words.HEAT_OFF, {"mark": "heat", "foot": name, "on": False}, main=heat_on is True)
    if heat_on is None:
        return joined(on, off)
    return off if heat_on else on


def _closer_look(name: str, foot: View, stage: str, site: str | None) -> Markup:
    if stage == "prepare":
        return _fitness_form(name, foot)
    if stage == "dry":
        return joined(_spots(name, site), _look(name), _mixed_form(name))
    if stage == "pour":
        return _pour_form(name)
    if stage == "cure":
        return joined(
            element("p", words.TOUCH_LEGEND.format(site=_touched(foot)), class_="hint"),
            _action(words.TRIMMED, {"mark": "trimmed", "foot": name}),
        )
    if stage == "trim":
        return joined(
            element("p", words.TOUCH_LEGEND.format(site=_touched(foot)), class_="hint"),
            element(
                "div",
                _action(words.SOFT, {"mark": "touch", "foot": name, "site": _touched(foot), "firm": False}),
                _action(words.FIRM, {"mark": "touch", "foot": name, "site": _touched(foot), "firm": True}),
                class_="pair",
            ),
        )
    return element("p", words.FINISHED, class_="plain")


def _touched(foot: View) -> str:
    """The site a touch check is asked for: the one the verdict calls slowest, else the toe."""
    return str(foot.get("touch_site") or "toe")


def _action(label: str, mark: dict[str, object], *, main: bool = False) -> Markup:
    key = "-".join(str(v) for v in mark.values())
    return element(
        "button",
        label,
        class_="action main" if main else "action",
        type="button",
        data_mark=mark,
        data_key=key,
    )


def _fitness_form(name: str, foot: View) -> Markup:
    found = set(foot.get("signs") or ())
    chips = [
        element(
            "label",
            element(
                "input", type="checkbox", name="signs", value=sign, data_type="list", checked=sign in found
            ),
            element("span", said),
            class_="chip",
        )
        for sign, said in words.SIGNS.items()
    ]
    refer = element(
        "div",
        element("p", shape("alert"), element("b", "CAUTION"), class_="signal"),
        element("p", words.FITNESS_REFER),
        class_="caution refer",
        data_signal="CAUTION",
        role="alert",
    )
    return element(
        "form",
        element(
            "fieldset",
            element("legend", words.FITNESS_LEGEND.format(foot=words.foot_words(name).lower())),
            element("div", *chips, class_="chips two"),
        ),
        refer,
        element("button", words.FITNESS_NONE, class_="action main when-none", type="submit"),
        element("button", words.FITNESS_FOUND, class_="action main when-some", type="submit"),
        class_="fitness",
        data_mark={"mark": "fitness", "foot": name, "signs": []},
        data_key=f"fitness-{name}",
    )


def _spots(name: str, site: str | None) -> Markup:
    chips = [
        element(
            "button",
            spot.value,
            class_="action chip-button",
            type="button",
            aria_pressed="true" if spot.value == site else "false",
            data_mark={"mark": "hand", "foot": name, "site": spot.value},
            data_key=f"spot-{spot.value}",
        )
        for spot in SCAN_SITES
    ]
    return element(
        "div",
        element("h3", words.SPOT_LEGEND, id="spots"),
        element("div", *chips, class_="chips spots"),
        role="group",
        aria_labelledby="spots",
    )


def _look(name: str) -> Markup:
    return element(
        "div",
        element("h3", words.LOOK_LEGEND, id="look"),
        element(
            "div",
            _action(words.LOOK_WET, {"mark": "look", "foot": name, "dry": False}),
            _action(words.LOOK_DRY, {"mark": "look", "foot": name, "dry": True}),
            class_="pair",
        ),
        role="group",
        aria_labelledby="look",
    )


def _number_field(
    identity: str, field: str, label: str, unit: str, value: int | None, hint: str = ""
) -> Markup:
    return element(
        "div",
        element("label", label, element("small", f" {hint}") if hint else None, for_=identity),
        element(
            "div",
            element(
                "input",
                id=identity,
                name=field,
                data_type="number",
                type="text",
                inputmode="decimal",
                autocomplete="off",
                value="" if value is None else value,
            ),
            element("span", unit, aria_hidden="true"),
            class_="measured",
        ),
        class_="field",
    )


def _mixed_form(name: str) -> Markup:
    return element(
        "form",
        _number_field("mixed-degC", "material_degC", words.MATERIAL_TEMPERATURE, "°C", None, words.OPTIONAL),
        element("button", words.MIXED, class_="action", type="submit"),
        class_="inline-form",
        data_mark={"mark": "mixed", "foot": name},
        data_key=f"mixed-{name}",
    )


def _pour_form(name: str) -> Markup:
    covers = [
        element(
            "label",
            element(
                "input", type="radio", name="cover", value=cover, data_type="text", checked=cover == "none"
            ),
            element("span", said),
            class_="chip",
        )
        for cover, said in words.COVERS.items()
    ]
    return element(
        "form",
        element(
            "div",
            _number_field("thickness", "thickness_mm", words.THICKNESS, "mm", DEFAULT_THICKNESS_MM),
            _number_field(
                "material-degC", "material_degC", words.MATERIAL_TEMPERATURE, "°C", None, words.OPTIONAL
            ),
            class_="fields",
        ),
        element(
            "fieldset", element("legend", words.COVER_LEGEND), element("div", *covers, class_="chips three")
        ),
        element("button", words.POURED, class_="action main", type="submit"),
        class_="pour",
        data_mark={"mark": "poured", "foot": name},
        data_key=f"poured-{name}",
    )
