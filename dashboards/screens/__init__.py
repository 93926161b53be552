"""The screens of the page, one practitioner's question each. A screen is listed here once it exists."""

from __future__ import annotations

from collections.abc import Callable
from dataclasses import dataclass
from typing import Any

from markupsafe import Markup

from dashboards import words
from dashboards.screens import live_visit


@dataclass(frozen=True, slots=True)
class Screen:
    """path it is served under, its title, its body around the charts, and the slots that fill it."""

    path: str
    title: str
    body: Callable[[Markup], Markup]
    slots: Callable[[dict[str, Any]], dict[str, str]]


SCREENS = (Screen("/", words.TITLE, live_visit.body, live_visit.slots),)


def screen_at(path: str) -> Screen | None:
    """The screen served under path, or None."""
    return next((screen for screen in SCREENS if screen.path == path), None)
