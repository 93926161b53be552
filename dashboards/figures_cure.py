"""Predicted against checked, one line for each pour: a figure, the same in words, and a page that holds both.

The figure is a plain dict, as those of figures.py; the page carries the plotting library with it and asks no
other machine for anything.
"""

from __future__ import annotations

from collections.abc import Sequence
from pathlib import Path
from typing import Any

from dashboards.markup import element, joined
from hoofsense.estimators.cure_calibration import CheckedPour
from hoofsense.units import value_in

_INK, _MUTED, _GRID = "#16191d", "#5a626b", "#e3e6e9"
_SAID, _CHECKED, _MISSED = "#1f5f99", "#16191d", "#9b1c00"  # each at least 4.5 to 1 on white
_ROW_px = 34
_MARGIN_px = 110


def _minutes(seconds: float) -> float:
    return round(value_in(seconds, "min"), 2)


def checked_figure(checked: Sequence[CheckedPour]) -> dict[str, Any]:
    """For each pour from top to bottom: what was said before (bar and dot), and between which touches it was
    firm (line with ends); a missed one is a cross as well as red, so that colour is not needed to tell."""
    said = [one for one in checked if one.predicted is not None]
    traces = [
        {
            "type": "bar", "orientation": "h", "name": "said before: not before to safe by", "width": 0.55,
            "y": [one.name for one in said],
            "base": [_minutes(one.predicted[0]) for one in said if one.predicted],
            "x": [_minutes(one.predicted[2] - one.predicted[0]) for one in said if one.predicted],
            "marker": {"color": "#c9dcee", "line": {"color": _SAID, "width": 1}}, "hoverinfo": "skip",
        },
        _dots("said before: likely", "diamond-tall", _SAID, [
            (one.name, _minutes(one.predicted[1])) for one in said if one.predicted
        ]),
        _dots("fitted after", "circle-open", _MUTED, [(one.name, _minutes(one.fitted_s)) for one in checked]),
    ]  # fmt: skip
    for name, held, colour, symbol in (
        ("checked: last soft to first firm touch", (True, None), _CHECKED, "line-ns-open"),
        ("checked, outside of what was said", (False,), _MISSED, "x"),
    ):
        of = [one for one in checked if one.covered in held]
        ends = [(one.name, _minutes(t)) for one in of for t in (one.soft_until_s, one.firm_from_s) if t]
        trace = _dots(name, symbol, colour, ends)
        x, y = _segments(of)
        traces += [
            {"type": "scatter", "mode": "lines", "x": x, "y": y, "line": {"color": colour, "width": 3},
             "showlegend": False, "hoverinfo": "skip"},
            trace,
        ]  # fmt: skip
    axis = {"gridcolor": _GRID, "zeroline": False, "color": _INK}
    return {
        "data": traces,
        "layout": {
            "height": _MARGIN_px * 2 + _ROW_px * len(checked),
            "margin": {"l": 130, "r": 20, "t": 20, "b": 60},
            "paper_bgcolor": "#ffffff", "plot_bgcolor": "#ffffff", "barmode": "overlay",
            "font": {"color": _INK, "size": 14},
            "legend": {"orientation": "h", "y": 1.02, "yanchor": "bottom"},
            "xaxis": {**axis, "title": {"text": "minutes after the pour"}, "rangemode": "tozero"},
            "yaxis": {**axis, "type": "category", "autorange": "reversed",
                      "categoryorder": "array", "categoryarray": [one.name for one in checked]},
        },
    }  # fmt: skip


def _dots(name: str, symbol: str, colour: str, at: Sequence[tuple[str, float]]) -> dict[str, Any]:
    return {
        "type": "scatter", "mode": "markers", "name": name,
        "x": [x for _, x in at], "y": [y for y, _ in at],
        "marker": {"symbol": symbol, "color": colour, "size": 12, "line": {"width": 2, "color": colour}},
        "hovertemplate": "%{x:.1f} min<extra>%{fullData.name}</extra>",
    }  # fmt: skip


def _segments(checked: Sequence[CheckedPour]) -> tuple[list[float | None], list[str | None]]:
    """From the last soft to the first firm touch; a break after each."""
    x: list[float | None] = []
    y: list[str | None] = []
    for one in checked:
        if one.soft_until_s is not None and one.firm_from_s is not None:
            x += [_minutes(one.soft_until_s), _minutes(one.firm_from_s), None]
            y += [one.name, one.name, None]
    return x, y


def checked_sentences(checked: Sequence[CheckedPour]) -> list[str]:
    """The same in words, one sentence for each pour."""
    return [_sentence(one) for one in checked]


def _sentence(one: CheckedPour) -> str:
    if one.predicted is None:
        said = "nothing was said before"
    else:
        low, likely, high = (f"{_minutes(t):.0f}" for t in one.predicted)
        said = f"said not before {low}, likely {likely}, safe by {high} min"
    soft = "never felt soft" if one.soft_until_s is None else f"soft until {_minutes(one.soft_until_s):.1f}"
    firm = "never felt firm" if one.firm_from_s is None else f"firm from {_minutes(one.firm_from_s):.1f} min"
    held = {True: "as said", False: "outside of what was said", None: "cannot be told"}[one.covered]
    air = value_in(one.air_K, "Cel")
    return f"{one.name}, {air:.0f} °C: {said}; {soft}, {firm}: {held}."


def write_checked_page(path: Path, material: str, checked: Sequence[CheckedPour]) -> None:
    """A page of its own with the figure and its words; OSError when one is there or cannot be written."""
    import plotly.io

    figure = plotly.io.to_html(
        checked_figure(checked), full_html=False, include_plotlyjs=True, include_mathjax=False,
        config={"displaylogo": False, "displayModeBar": False},
    )  # fmt: skip
    title = f"Predicted against checked: {material}"
    words = joined(*(element("li", sentence) for sentence in checked_sentences(checked)))
    page = (
        f'<!DOCTYPE html>\n<html lang="en"><head><meta charset="utf-8">{element("title", title)}'
        "<style>body{font-family:sans-serif;margin:1rem;max-width:70rem;color:#16191d}</style></head>"
        f"<body>{element('h1', title)}"
        f'<div role="img" aria-label="The figure that the list below tells in words">{figure}</div>'
        f"{element('h2', 'In words')}<ul>{words}</ul></body></html>\n"
    )
    with path.open("x", encoding="utf-8") as file:
        file.write(page)
