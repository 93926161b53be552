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
    _, foot = foot_in_hand(view) or ("", {})
    undo = view.get("mode") != "replay" and not view.get("ended")
    return {
        "visit@invented": "yes" if view.get("invented") else "no",
        "visit@ended": "yes" if view.get("ended") else "no",
        "visit.horse": str(joined(str(view.get("horse") or words.NO_NAME))),
        "visit.practice": str(
            joined(" · ".join(p for p in (str(view.get("practice") or ""), _mode(view)) if p))
        ),
        "visit.ended": _ended(view) if view.get("ended") else "",
        **_readings(foot, view),
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


def _ended(view: View) -> str:
    return str(element("p", words.ENDED.format(time=words.clock_words(int(view["at_ms"]))), class_="ended"))


def _mode(view: View) -> str:
    mode = str(view.get("mode", "live"))
    return "" if mode == "live" else words.MODES.get(mode, mode)


def _readings(foot: View, view: View) -> dict[str, str]:
    """Slots "read.*": each number by itself, so that a new one costs only its own few bytes."""
    air = view.get("air") or {}
    surface = foot.get("surface") or {}
    margin = next(
        (e for e in (foot.get("verdict") or {}).get("estimates") or () if e.get("name") == MARGIN), None
    )
    said, between = words.estimate_words(margin) if margin is not None else ("", "")
    degC, humidity = surface.get("degC"), air.get("rh_percent")
    told = {
        "sole": words.NEVER_READ if degC is None else words.temperature_words(degC),
        "spot": words.site_words(surface.get("site")),
        "margin": said,
        "between": between,
        "dew": words.temperature_words(air.get("dew_degC")),
        "air": words.temperature_words(air.get("degC")),
        "humidity": "" if humidity is None else f"{words.HUMIDITY} {humidity:.0f} %",
    }
    return {
        "read@margin": "no" if margin is None else "yes",
        **{f"read.{name}": str(joined(text)) for name, text in told.items()},
        "read.age": str(element("span", data_age=_held_name(view))) if surface else "",
    }


def _held_name(view: View) -> str:
    name, _ = foot_in_hand(view) or ("", {})
    return name


def readings_frame() -> Markup:
    """The places of the readings."""

    def reading(label: str, value: str, *notes: Markup, class_: str | None = None) -> Markup:
        return element(
            "div",
            element("dt", label),
            element("dd", element("b", data_slot=value), *notes),
            class_=class_,
        )

    def note(slot: str) -> Markup:
        return element("span", data_slot=slot)

    return element(
        "dl",
        reading(
            words.SOLE, "read.sole", note("read.spot"), element("span", data_slot="read.age", class_="age")
        ),
        reading(words.DEW_MARGIN, "read.margin", note("read.between"), class_="margin"),
        reading(words.DEW_POINT, "read.dew", element("span", class_="age", data_age="air")),
        reading(words.AIR, "read.air", note("read.humidity")),
        class_="readings",
        data_slot_on="read",
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
