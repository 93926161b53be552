"""The screens of the page, one practitioner's question each. A screen is listed here once it exists."""

from __future__ import annotations

from collections.abc import Callable
from dataclasses import dataclass
from typing import Any

from markupsafe import Markup

from dashboards import words
from dashboards.screens import live_visit, pour_plan


@dataclass(frozen=True, slots=True)
class Screen:
    """path it is served under, its title, its body around the charts, and the slots that fill it.

    scripts   of dashboards/assets, besides live.js
    rests_on  what slots looks at, where that changes seldom; None: slots are made anew for every message
    """

    path: str
    title: str
    body: Callable[[Markup], Markup]
    slots: Callable[[dict[str, Any]], dict[str, str]]
    scripts: tuple[str, ...] = ("sheet_sound.js",)
    rests_on: Callable[[dict[str, Any]], tuple[object, ...]] | None = None


SCREENS = (
    Screen("/", words.TITLE, live_visit.body, live_visit.slots),
    Screen(
        "/plan",
        words.PLAN_TITLE,
        pour_plan.body,
        pour_plan.slots,
        scripts=("sheet_sound.js", "pour_plan.js"),
        rests_on=pour_plan.rests_on,
    ),
)


def screen_at(path: str) -> Screen | None:
    """The screen served under path, or None."""
    return next((screen for screen in SCREENS if screen.path == path), None)
