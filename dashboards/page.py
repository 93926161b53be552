"""The document around a screen: complete HTML with every word in place before any script has run.

The verdict therefore shows at the first paint. live.js keeps it current, and only then are the charts'
scripts (Dash and its plotting library) put in; their tags wait inside a template element until that moment.
"""

from __future__ import annotations

import re
from collections.abc import Mapping, Sequence

from markupsafe import Markup, escape

from dashboards import words
from dashboards.markup import data_block, element, joined
from dashboards.screens import SCREENS, Screen

_PLACE = re.compile(r'<[a-z0-9]+(?: [^>]*)? data-slot="([^"]+)"[^>]*>')
_STATE = re.compile(r'<[a-z0-9]+(?: [^>]*)? data-slot-on="([^"]+)"')

THEMES = ("light", "dark")


def states_of(owner: str, slots: Mapping[str, str]) -> list[tuple[str, str]]:
    """(name, value) of the states "owner@name" among the slots."""
    return [
        (name.removeprefix(f"{owner}@"), value)
        for name, value in slots.items()
        if name.startswith(f"{owner}@")
    ]


def filled(body: Markup, slots: Mapping[str, str]) -> Markup:
    """The body with every place holding its slot and every state its data attributes.

    Attribute values are escaped, so a '>' can only end a tag. KeyError when a place has no slot.
    """

    def with_states(owner: re.Match[str]) -> str:
        told = (f' data-{name}="{escape(value)}"' for name, value in states_of(owner.group(1), slots))
        return owner.group(0) + "".join(told)

    text = _PLACE.sub(lambda place: place.group(0) + slots[place.group(1)], str(body))
    return Markup(_STATE.sub(with_states, text))


def document(
    screen: Screen,
    slots: Mapping[str, str],
    start: Mapping[str, object],
    *,
    theme: str,
    links: Mapping[str, str],
    more: Sequence[str] = (),
    chart_head: str,
    chart_entry: str,
    chart_config: str,
    chart_scripts: str,
    chart_renderer: str,
) -> str:
    """The whole page.

    start           what live.js begins with (event id, time, ages), written as a data block
    links           addresses of "style", "script", "icon" and "plot" (the plotting library)
    more            addresses of the screen's own styles and scripts
    chart_*         the parts Dash asks to be in the page
    """
    head = joined(
        element("meta", charset="utf-8"),
        element("meta", name="viewport", content="width=device-width, initial-scale=1"),
        element("meta", name="color-scheme", content=theme),
        element("title", f"{screen.title} – hoofsense"),
        element("link", rel="icon", href=links["icon"], type="image/svg+xml"),
        element("link", rel="stylesheet", href=links["style"]),
        element("script", src=links["script"], defer=True),
        *(
            element("script", src=address, defer=True)
            if address.partition("?")[0].endswith(".js")
            else element("link", rel="stylesheet", href=address)
            for address in more
        ),
        Markup(chart_head),
        element("noscript", element("style", Markup(".when-live{display:none!important}"))),
    )
    content = joined(
        element("a", words.SKIP_TO_VERDICT, href="#verdict", class_="skip"),
        element("noscript", element("p", words.NEEDS_SCRIPT, class_="ended")),
        _header(),
        _navigation(screen),
        screen.body(Markup(chart_entry)),
    )
    body = element(
        "body",
        filled(content, slots),
        data_block("words", words.CLIENT),
        data_block("start", dict(start)),
        Markup(chart_config),
        element(
            "template",
            Markup(chart_scripts),
            Markup(chart_renderer),
            id="chart-scripts",
            data_plot=links["plot"],
        ),
        data_link="waiting",
        data_beat="a",
        data_slot_on="visit",
        **{f"data_{name}": value for name, value in states_of("visit", slots)},
    )
    whole = element("html", element("head", head), body, lang=words.LANGUAGE, data_theme=theme)
    return f"<!DOCTYPE html>\n{whole}\n"


def _header() -> Markup:
    return element(
        "header",
        element("p", words.INVENTED, class_="invented"),
        element(
            "div",
            element(
                "div",
                element("h1", data_slot="visit.horse"),
                element("p", data_slot="visit.practice", class_="practice"),
                class_="who",
            ),
            element(
                "p",
                element("i", aria_hidden="true"),
                element("span", words.LINK["waiting"]),
                id="link",
                class_="link",
            ),
            element("button", words.DARK, id="theme", class_="nav-button", type="button"),
            class_="top",
        ),
        element("div", data_slot="visit.ended"),
    )


def _navigation(current: Screen) -> Markup:
    """Links to the screens that exist; nothing while there is only one."""
    if len(SCREENS) < 2:
        return Markup("")
    links = (
        element("a", screen.title, href=screen.path, aria_current="page" if screen is current else None)
        for screen in SCREENS
    )
    return element("nav", *links, aria_label=words.NAVIGATION)
