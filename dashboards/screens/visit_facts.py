"""What stands around the verdict: readings, cautions, marks that can be taken back, instruments, notices."""

from __future__ import annotations

from collections.abc import Mapping
from typing import Any

from markupsafe import Markup

from dashboards import words
from dashboards.markup import element, joined
from dashboards.screens.feet_tiles import foot_in_hand
from dashboards.screens.shapes import shape
from dashboards.screens.verdict_panel import MARGIN

View = dict[str, Any]

MARKS_SHOWN = 2  # the newest, always in sight; the rest unfold


def fact_slots(view: View) -> dict[str, str]:
    """Slots of the strip, the readings, the cautions, the marks, the instruments and the notices."""
    name, foot = foot_in_hand(view) or ("", {})
    undo = view.get("mode") != "replay" and not view.get("ended")
    return {
        "visit@invented": "yes" if view.get("invented") else "no",
        "visit.horse": str(joined(str(view.get("horse") or words.NO_NAME))),
        "visit.practice": str(
            joined(" · ".join(p for p in (str(view.get("practice") or ""), _mode(view)) if p))
        ),
        "visit.ended": str(element("p", words.ENDED, class_="ended")) if view.get("ended") else "",
        "readings": str(_readings(name, foot, view)),
        "cautions": str(_cautions(foot.get("cautions") or ())),
        "marks": str(_marks(foot.get("marks") or (), undo)),
        "instruments": str(_instruments(view.get("instruments") or ())),
        "notices": str(_notices(view.get("notices") or ())),
    }


def ages_told(changes: Mapping[str, Any]) -> dict[str, int | None]:
    """Since when each changed thing is known, UTC ms, by the name its place carries; None: never.

    changes  view keys with new values, feet flattened to "feet/LF"
    """
    told: dict[str, int | None] = {}

    def since(thing: Any) -> int | None:
        at_ms = (thing or {}).get("at_ms")
        return None if at_ms is None else int(at_ms)

    for key, value in changes.items():
        if key == "air":
            told["air"] = since(value)
        elif key == "instruments":
            told.update({f"from {one['source']}": since(one) for one in value or ()})
        elif key == "feet":
            told.update({name: since(foot.get("surface")) for name, foot in (value or {}).items()})
        elif key.startswith("feet/"):
            told[key.removeprefix("feet/")] = since((value or {}).get("surface"))
    return told


def until_ms(view: View) -> int | None:
    """Until when the verdict of the foot in hand holds, UTC ms; None when it states no end."""
    _, foot = foot_in_hand(view) or ("", {})
    until = (foot.get("verdict") or {}).get("until_ms")
    return None if until is None else int(until)


def ages_of(view: View) -> dict[str, int | None]:
    """ages_told of the whole view, with its "until"."""
    return {**ages_told(view), "until": until_ms(view)}


def _mode(view: View) -> str:
    mode = str(view.get("mode", "live"))
    return "" if mode == "live" else words.MODES.get(mode, mode)


def _readings(name: str, foot: View, view: View) -> Markup:
    air = view.get("air") or {}
    surface = foot.get("surface") or {}
    margin = next(
        (e for e in (foot.get("verdict") or {}).get("estimates") or () if e.get("name") == MARGIN),
        None,
    )
    spot = words.site_words(surface.get("site"))
    humidity = air.get("rh_percent")
    degC = surface.get("degC")
    told = [
        _reading(
            words.SOLE,
            words.NEVER_READ if degC is None else words.temperature_words(degC),
            joined(spot),
            age=name if surface else None,
        )
    ]
    if margin is not None:
        said, between = words.estimate_words(margin)
        told.append(_reading(words.DEW_MARGIN, said, joined(between)))
    told.append(
        _reading(
            words.DEW_POINT, words.temperature_words(air.get("dew_degC")), None, age="air" if air else None
        )
    )
    told.append(
        _reading(
            words.AIR,
            words.temperature_words(air.get("degC")),
            joined("" if humidity is None else f"{words.HUMIDITY} {humidity:.0f} %"),
        )
    )
    return element("dl", *told, class_="readings")


def _reading(label: str, value: str, note: Markup | None, age: str | None = None) -> Markup:
    return element(
        "div",
        element("dt", label),
        element(
            "dd",
            element("b", value),
            element("span", note) if note else None,
            element("span", class_="age", data_age=age) if age else None,
        ),
    )


def _cautions(cautions: Any) -> Markup:
    boxes = []
    for caution in cautions:
        signal, text = words.signal_of(caution)
        boxes.append(
            element(
                "div",
                element(
                    "p", shape("alert") if signal != "NOTICE" else None, element("b", signal), class_="signal"
                ),
                element("p", text),
                class_="caution",
                data_signal=signal,
            )
        )
    return joined(*boxes)


def _marks(marks: Any, undo: bool) -> Markup:
    newest_first = list(reversed(list(marks)))
    if not newest_first:
        return element("p", words.MARKS_EMPTY, class_="plain")
    shown = element("ul", *(_mark(m, undo) for m in newest_first[:MARKS_SHOWN]), class_="marks")
    if len(newest_first) <= MARKS_SHOWN:
        return shown
    return joined(
        shown,
        element(
            "details",
            element("summary", f"{words.MARKS_EARLIER} ({len(newest_first) - MARKS_SHOWN})"),
            element("ul", *(_mark(m, undo) for m in newest_first[MARKS_SHOWN:]), class_="marks"),
            data_keep="earlier-marks",
        ),
    )


def _mark(mark: View, undo: bool) -> Markup:
    label, clock = str(mark["label"]), words.clock_words(int(mark["at_ms"]))
    return element(
        "li",
        element("span", element("b", label), element("time", clock)),
        element(
            "button",
            words.TAKE_BACK,
            element("span", f": {label} {clock}", class_="sr"),
            class_="action small",
            type="button",
            data_mark={"mark": "undo", "of": str(mark["id"])},
            data_key=f"undo-{mark['id']}",
        )
        if undo and mark.get("undoable", True)
        else None,
    )


def _instruments(instruments: Any) -> Markup:
    rows = []
    for one in instruments:
        trusted = bool(one.get("trusted"))
        battery = one.get("battery_percent")
        notes = [
            "" if battery is None else words.BATTERY.format(n=round(battery)),
            words.refused_words(one.get("refused") or {}),
            str(one.get("note") or ""),
        ]
        rows.append(
            element(
                "li",
                element(
                    "span",
                    element("b", str(one.get("what") or one["source"])),
                    element("span", str(one["source"]), class_="source"),
                ),
                element(
                    "span",
                    element("b", words.TRUSTED if trusted else words.NOT_TRUSTED, class_="trust"),
                    element("span", class_="age", data_age=f"from {one['source']}"),
                ),
                element("small", " · ".join(n for n in notes if n)) if any(notes) else None,
                data_trusted="yes" if trusted else "no",
            )
        )
    if not rows:
        return element("p", words.INSTRUMENTS_EMPTY, class_="plain")
    return element("ul", *rows, class_="instruments")


def _notices(notices: Any) -> Markup:
    if not notices:
        return element("p", words.NOTICES_EMPTY, class_="plain")
    rows = (
        element("li", element("time", words.clock_words(int(n["at_ms"]))), element("span", str(n["text"])))
        for n in reversed(list(notices))
    )
    return element("ul", *rows, class_="notices")
