"""The caliper sheet of the foot in hand: the next site, what was measured, typed entry, redo and skip."""

from __future__ import annotations

from typing import Any

from markupsafe import Markup

from dashboards import words
from dashboards.markup import element, joined
from dashboards.screens.feet_tiles import foot_in_hand

View = dict[str, Any]

TYPED_LIMIT = 40  # characters; no caliper shows as many (our choice)


def sheet_slots(view: View) -> dict[str, str]:
    """Slots "sheet.*" and the states "sheet@open" and "sheet@event".

    The event changes with every value that lands or is asked about, with the next site and with the foot:
    sheet_sound.js beeps then, and says what stands in "sheet.said".
    """
    held = foot_in_hand(view)
    name, foot = held or ("", {})
    sheet = foot.get("sheet") or {}
    site = sheet.get("next")
    open_now = held is not None and view.get("mode") != "replay" and not view.get("ended")
    values = list(sheet.get("values") or ())
    asks = sheet.get("asks")
    mood = "asks" if asks else "next" if site is not None else "done"
    return {
        "sheet@open": "yes" if open_now else "no",
        "sheet@mood": mood,
        "sheet@event": "|".join(str(part) for part in (name, sheet.get("landed", 0), site, asks)),
        "sheet.said": str(joined(_said(name, sheet))) if held is not None else "",
        "sheet.next": str(joined(_next_site(site), _last(sheet))) if held is not None else "",
        "sheet.asks": str(_asks(sheet.get("asks"))),
        "sheet.values": str(_values(values)),
        "sheet.buttons": str(_buttons(name, site, values, sheet.get("sites") or ())) if open_now else "",
    }


def _next_site(site: str | None) -> Markup:
    if site is None:
        return element("p", words.SHEET_DONE, class_="plain")
    return element(
        "p", element("span", words.SHEET_NEXT), element("b", words.site_words(site)), class_="next-site"
    )


def _last(sheet: View) -> Markup | None:
    """The value that came last, taken or held back, large enough to be checked at arm's length."""
    held = sheet.get("held")
    last = held or sheet.get("last")
    if last is None:
        return None
    label = words.SHEET_HELD if held else words.SHEET_LAST
    return element(
        "p",
        element("span", label.format(site=words.site_words(str(last["site"])))),
        element("b", f"{words.number_words(float(last['mm']), 2)} mm"),
        class_="last-value",
    )


def _said(name: str, sheet: View) -> str:
    """What a voice says: the question, or the value that landed, then the next site."""
    asks, last, site = sheet.get("asks"), sheet.get("last"), sheet.get("next")
    if asks:
        return str(asks)
    head = words.foot_words(name) if last is None else words.number_words(float(last["mm"]))
    told = words.SHEET_DONE if site is None else words.SAID_NEXT.format(site=words.site_words(str(site)))
    return f"{head}. {told}"


def _asks(question: str | None) -> Markup:
    """A value that stands out is held back until the site is read again."""
    if not question:
        return Markup("")
    return element(
        "div",
        element("p", element("b", words.SHEET_ASKS), class_="signal"),
        element("p", question),
        class_="caution",
        data_signal="ASK",
        role="alert",
    )


def _values(values: list[View]) -> Markup:
    if not values:
        return element("p", words.SHEET_EMPTY, class_="plain")
    rows = [
        element(
            "tr",
            element("th", words.site_words(str(v["site"])), scope="row"),
            element("td", words.number_words(float(v["mm"])), class_="n"),
            element("td", _spread(v.get("sd_mm")), class_="n"),
            element("td", str(v.get("n", 1)), class_="n"),
        )
        for v in values
    ]
    head = element(
        "tr",
        element("th", words.SHEET_SITE, scope="col"),
        *(
            element("th", label, scope="col", class_="n")
            for label in (words.SHEET_MM, words.SHEET_SPREAD, words.SHEET_TIMES)
        ),
    )
    return element("table", element("thead", head), element("tbody", *rows), class_="values")


def _spread(sd_mm: float | None) -> str:
    return "–" if sd_mm is None else f"± {words.number_words(sd_mm, 2)}"


def _buttons(name: str, site: str | None, values: list[View], sites: Any) -> Markup:
    redo = element(
        "button",
        words.SHEET_REDO,
        class_="action",
        type="button",
        data_mark={"mark": "redo", "foot": name},
        data_key="redo",
    )
    skip = element(
        "button",
        words.SHEET_SKIP,
        class_="action",
        type="button",
        data_mark={"mark": "skip", "foot": name},
        data_key="skip",
    )
    others = [
        element(
            "button",
            words.site_words(str(other)),
            class_="action chip-button",
            type="button",
            data_mark={"mark": "next_site", "foot": name, "site": str(other)},
            data_key=f"next-{other}",
        )
        for other in sites
        if other != site
    ]
    return joined(
        element("div", redo if values else None, skip if site is not None else None, class_="pair"),
        element(
            "details",
            element("summary", words.SHEET_OTHER),
            element("div", *others, class_="chips two"),
            data_keep="other-sites",
        )
        if others
        else None,
    )


def _switch(name: str, label: str) -> Markup:
    """A sound that is off until it is asked for; sheet_sound.js keeps the choice on this device."""
    return element(
        "button",
        element("span", label),
        element("b", words.SWITCHED_OFF, class_="state"),
        class_="action small switch",
        type="button",
        data_switch=name,
        aria_pressed="false",
    )


def sheet_frame(*, folded: bool = False) -> Markup:
    """The places the slots fill, around the entry field, which is never replaced while someone types.

    folded  the table of values behind a summary, where a drawing shows them already
    """
    values = element("div", data_slot="sheet.values")
    entry = element(
        "form",
        element("label", words.SHEET_VALUE, for_="typed"),
        element(
            "div",
            element(
                "input",
                id="typed",
                name="text",
                type="text",
                inputmode="decimal",
                autocomplete="off",
                maxlength=TYPED_LIMIT,
            ),
            element(
                "select",
                element("option", "mm", value="mm"),
                element("option", "in", value="in"),
                name="unit",
                aria_label=words.SHEET_UNIT,
            ),
            element("button", words.SHEET_ENTER, class_="action main", type="submit"),
            class_="measured",
        ),
        class_="typed",
        data_typed=True,
    )
    return element(
        "section",
        element("h2", words.SHEET_HEADING, id="sheet-heading"),
        element("div", data_slot="sheet.next", class_="sheet-now"),
        element("div", data_slot="sheet.asks"),
        entry,
        element("div", data_slot="sheet.buttons", class_="sheet-buttons"),
        element("div", _switch("beep", words.BEEP), _switch("voice", words.VOICE), class_="pair sounds"),
        element("p", data_slot="sheet.said", hidden=True),
        element("details", element("summary", words.SHEET_ALL_VALUES), values) if folded else values,
        class_="sheet card",
        aria_labelledby="sheet-heading",
        data_slot_on="sheet",
    )
