"""The foot from below as plain dicts: values at their sites, the pad's thickness, plan against result.

The toe is up. Places come medial positive, and only here are they turned to the page: the medial side of a
left foot lies on the left, that of a right foot on the right. Every figure has a size of its own in pixels,
which the page scales; its words are in dashboards.words.
"""

from __future__ import annotations

import math
from collections.abc import Mapping, Sequence
from typing import Any

from dashboards import words
from dashboards.figures import INK
from hoofsense.estimators.sheet_sites import medial_on_page
from hoofsense.records import Foot

WIDTH, HEIGHT = 360, 400
MARGIN_mm = 18.0  # around the outline, for the names of the sides
CONTOURS = 8  # at most, over the pad's thickness
STEPS_mm = (0.5, 1.0, 2.0, 5.0)  # between contours: what people count in
TEXT_TURNS_RATIO = 0.6  # of the greatest thickness: from here on the map is too dark for dark text
ROOM_RATIO = 1.35  # of the greatest thickness: room for the numbers beside the bars
ROW_PX, HEAD_PX = 44, 70  # of the plan against its result
FONT = "Helvetica Neue, Arial, Liberation Sans, system-ui, sans-serif"

# Thin to thick: one hue that darkens (light screen) or lightens (dark screen), so that order needs no key.
_SCALE = {
    "light": [[0.0, "#f6f3ee"], [0.5, "#9cc3dc"], [1.0, "#005a8d"]],
    "dark": [[0.0, "#20262b"], [0.5, "#3f7da3"], [1.0, "#a9dcff"]],
}
_CARD = {"light": "#ffffff", "dark": "#171b1f"}  # as in page.css
_ON_SCALE = {"light": ("#16191d", "#ffffff"), "dark": ("#f3f5f6", "#101316")}  # text on thin, on thick


def sole_figures(plan: Mapping[str, Any], following: str | None, theme: str) -> dict[str, Any]:
    """The figures "foot", "pad" and "result" of a foot's plan (plan_view); None where nothing can be drawn.

    following  the site that is measured next
    """
    made = plan.get("plan")
    return {
        "foot": foot_figure(plan, following, theme),
        "pad": pad_figure(plan, theme) if made and plan["drawing"]["map"] else None,
        "result": result_figure(made["result"], theme) if made and made["result"] else None,
    }


def page_side(foot: str) -> int:
    """Which way medial points on the page: -1 left, +1 right."""
    return medial_on_page(Foot(foot))


def foot_figure(plan: Mapping[str, Any], following: str | None, theme: str) -> dict[str, Any]:
    """Outline, frog and every measured value at its site; the site that is next is a filled ring."""
    ink, side, drawing = _ink(theme), page_side(plan["foot"]), plan["drawing"]
    measured = {value["site"]: value["mm"] for value in plan["values"]}
    data = [*_shape(drawing, side, ink)]
    here = {**drawing["places"], **_wall_places(drawing)}
    told = [(site, xy) for site, xy in here.items() if site in measured]
    data.append(_numbers(told, [measured[site] for site, _ in told], side, ink["ink"]))
    rings = [xy for site, xy in drawing["places"].items() if site not in measured and site != following]
    data.append(_rings(rings, side, ink["muted"], filled=False))
    if following in here:
        data.append(_rings([here[following]], side, ink["ink"], filled=True))
    notes = _sides(drawing, side, ink)
    over_all = [site for site in ("foot length", "foot width") if site in measured]
    size = [words.number_words(measured[site], 0) for site in over_all]
    if size:
        notes.append(_note(f"{' × '.join(size)} mm", 0.5, 0.0, ink["muted"]))
    if drawing["sketch"]:
        notes.append(_note(words.SKETCH, 0.0, 0.0, ink["muted"], "left"))
    return {"data": data, "layout": _sole_layout(drawing, notes, ink)}


def pad_figure(plan: Mapping[str, Any], theme: str) -> dict[str, Any]:
    """The pad's thickness after the trim: heat map with contours, the least thickness drawn heavy."""
    ink, side, drawing = _ink(theme), page_side(plan["foot"]), plan["drawing"]
    grid, least = drawing["map"], plan["settings"]["least_mm"]
    x = [side * value for value in grid["x_mm"]]
    rows = grid["mm"]
    if side < 0:
        x, rows = x[::-1], [row[::-1] for row in rows]
    most = max(grid["most_mm"], least)
    step = next((each for each in STEPS_mm if most / each <= CONTOURS), STEPS_mm[-1])
    common = {"type": "contour", "x": x, "y": grid["y_mm"], "z": rows, "hoverinfo": "skip"}
    heat = {
        **common,
        "colorscale": _SCALE.get(theme, _SCALE["light"]),
        "zmin": 0.0,
        "zmax": most,
        "showscale": False,
        "line": {"width": 1, "color": ink["muted"]},
        "contours": {"coloring": "heatmap", "start": step, "end": most, "size": step, "showlines": True},
    }
    limit = {
        **common,
        "showscale": False,
        "line": {"width": 3, "color": ink["stop"], "dash": "dash"},
        "contours": {"coloring": "none", "start": least, "end": least, "size": 1.0},
        "name": words.length_words(least),
    }
    on_thin, on_thick = _ON_SCALE.get(theme, _ON_SCALE["light"])
    numbers = [
        _numbers(
            [(t["place"], drawing["places"][t["place"]])],
            [t["value"]],
            side,
            on_thick if t["value"] > TEXT_TURNS_RATIO * most else on_thin,
        )
        for t in plan["plan"]["chosen"]["thickness"]
    ]
    data = [heat, *([limit] if 0.0 < least < most else []), *_shape(drawing, side, ink), *numbers]
    notes = _sides(drawing, side, ink)
    notes.append(_note(f"– –  {words.length_words(least)}", 0.5, 0.0, ink["stop"]))
    layout = _sole_layout(drawing, notes, ink)
    return {"data": data, "layout": {**layout, "shapes": [_surround(layout, drawing, side, theme)]}}


def result_figure(rows: Sequence[Mapping[str, Any]], theme: str) -> dict[str, Any]:
    """Planned thickness with its interval as a bar, what was measured as a diamond, place by place."""
    ink = _ink(theme)
    names = [str(row["site"]).removeprefix("pad at ") for row in rows]
    most = max(max(row["planned_mm"]["high"], row["mm"]) for row in rows)
    bars = [
        {
            "type": "scatter", "mode": "lines", "showlegend": False, "hoverinfo": "skip",
            "x": [row["planned_mm"]["low"], row["planned_mm"]["high"]], "y": [name, name],
            "line": {"color": ink["muted"], "width": 8},
        }
        for name, row in zip(names, rows, strict=True)
    ]  # fmt: skip
    planned = {
        "type": "scatter", "mode": "markers", "name": words.PLANNED, "y": names,
        "x": [row["planned_mm"]["value"] for row in rows],
        "marker": {"symbol": "line-ns", "size": 22, "line": {"color": ink["ink"], "width": 3}},
    }  # fmt: skip
    off = [ink["ink"] if row["as_planned"] else ink["stop"] for row in rows]
    measured = {
        "type": "scatter", "mode": "markers", "name": words.MEASURED, "y": names,
        "x": [row["mm"] for row in rows],
        "marker": {
            "symbol": ["diamond" if row["as_planned"] else "x" for row in rows], "size": 15, "color": off,
        },
    }  # fmt: skip
    numbers = [
        {
            "text": words.number_words(row["mm"]), "x": 1.0, "xref": "paper", "xanchor": "right", "y": name,
            "yref": "y", "showarrow": False, "font": {"size": 17, "color": color},
        }
        for name, row, color in zip(names, rows, off, strict=True)
    ]  # fmt: skip
    return {
        "data": [*bars, planned, measured],
        "layout": {
            **_plain_layout(ink),
            "height": HEAD_PX + ROW_PX * len(rows),
            "margin": {"l": 120, "r": 12, "t": 34, "b": 30},
            "showlegend": True,
            "legend": {"orientation": "h", "x": 0, "y": 1.02, "yanchor": "bottom"},
            "xaxis": {
                "range": [0.0, ROOM_RATIO * most], "ticksuffix": " mm", "nticks": 5, "gridcolor": ink["grid"],
                "zeroline": False,
            },
            "yaxis": {"autorange": "reversed", "gridcolor": ink["grid"], "zeroline": False},
            "annotations": numbers,
        },
    }  # fmt: skip


def _ink(theme: str) -> Mapping[str, str]:
    return INK.get(theme, INK["light"])


def _turned(points: Sequence[Sequence[float]], side: int) -> tuple[list[float], list[float]]:
    return [side * x for x, _ in points], [y for _, y in points]


def _shape(drawing: Mapping[str, Any], side: int, ink: Mapping[str, str]) -> list[dict[str, Any]]:
    """The outline, closed along the heel line, and the frog."""
    lines = []
    for points, width, fill in ((drawing["outline"], 3, False), (drawing["frog"], 2, True)):
        x, y = _turned([*points, points[0]], side)
        line = {
            "type": "scatter", "mode": "lines", "x": x, "y": y, "hoverinfo": "skip",
            "line": {"color": ink["ink"], "width": width},
        }  # fmt: skip
        lines.append({**line, "fill": "toself", "fillcolor": ink["band"]} if fill else line)
    return lines


def _surround(layout: Mapping[str, Any], drawing: Mapping[str, Any], side: int, theme: str) -> dict[str, Any]:
    """What covers the map outside the outline, in the colour of the card it lies on."""
    (left, right), (low, high) = layout["xaxis"]["range"], layout["yaxis"]["range"]
    far = right - left
    frame = f"M{left - far},{low - far}H{right + far}V{high + far}H{left - far}Z"
    corners = "L".join(f"{side * x},{y}" for x, y in drawing["outline"])
    return {
        "type": "path", "path": f"{frame}M{corners}Z", "fillrule": "evenodd", "layer": "above",
        "fillcolor": _CARD.get(theme, _CARD["light"]), "line": {"width": 0},
    }  # fmt: skip


def _wall_places(drawing: Mapping[str, Any]) -> dict[str, list[float]]:
    """Where the wall's heights are written: outside the outline, beside the quarters."""
    out = max(x for x, _ in drawing["outline"]) + MARGIN_mm / 2 + 1.0
    return {"wall height medial": [out, -8.0], "wall height lateral": [-out, -8.0]}


def _numbers(
    places: Sequence[tuple[str, Sequence[float]]], values: Sequence[float], side: int, color: str
) -> dict[str, Any]:
    x, y = _turned([xy for _, xy in places], side)
    return {
        "type": "scatter", "mode": "text", "x": x, "y": y, "hoverinfo": "skip",
        "text": [words.number_words(value) for value in values],
        "textfont": {"size": 17, "color": color, "weight": 700},
    }  # fmt: skip


def _rings(points: Sequence[Sequence[float]], side: int, color: str, *, filled: bool) -> dict[str, Any]:
    x, y = _turned(points, side)
    marker = {"size": 18, "color": color} if filled else {"size": 12, "color": color, "symbol": "circle-open"}
    return {"type": "scatter", "mode": "markers", "x": x, "y": y, "marker": marker, "hoverinfo": "skip"}


def _sides(drawing: Mapping[str, Any], side: int, ink: Mapping[str, str]) -> list[dict[str, Any]]:
    """The sides by name and where the toe is: a drawing of a sole says neither by itself."""
    left, right = (words.MEDIAL, words.LATERAL) if side < 0 else (words.LATERAL, words.MEDIAL)
    return [
        _note(left, 0.0, 1.0, ink["muted"], "left"),
        _note(right, 1.0, 1.0, ink["muted"], "right"),
        _note(words.TOE, 0.5, 1.0, ink["muted"]),
    ]


def _note(text: str, x: float, y: float, color: str, anchor: str = "center") -> dict[str, Any]:
    return {
        "text": text, "x": x, "y": y, "xref": "paper", "yref": "paper", "xanchor": anchor,
        "yanchor": "top" if y > 0.5 else "bottom", "showarrow": False, "font": {"size": 15, "color": color},
    }  # fmt: skip


def _sole_layout(
    drawing: Mapping[str, Any], notes: list[dict[str, Any]], ink: Mapping[str, str]
) -> dict[str, Any]:
    xs, ys = [x for x, _ in drawing["outline"]], [y for _, y in drawing["outline"]]
    half = max(map(abs, xs)) + MARGIN_mm
    hidden = {"visible": False, "zeroline": False}
    return {
        **_plain_layout(ink),
        "height": HEIGHT,
        "margin": {"l": 0, "r": 0, "t": 0, "b": 0},
        "xaxis": {**hidden, "range": [-half, half]},
        "yaxis": {
            **hidden, "range": [min(ys) - MARGIN_mm, math.ceil(max(ys)) + MARGIN_mm],
            "scaleanchor": "x", "scaleratio": 1,
        },
        "annotations": notes,
    }  # fmt: skip


def _plain_layout(ink: Mapping[str, str]) -> dict[str, Any]:
    return {
        "width": WIDTH,
        "paper_bgcolor": "rgba(0,0,0,0)",
        "plot_bgcolor": "rgba(0,0,0,0)",
        "font": {"color": ink["ink"], "size": 15, "family": FONT},
        "showlegend": False,
        "hovermode": False,
        "dragmode": False,
    }
