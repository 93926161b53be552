"""Figures as plain dicts: nothing of the plotting library is imported, so a figure is only its own few kB.

Times on an axis are milliseconds of the laptop's own clock (UTC plus its offset): the plotting library shows
dates without a time zone.
"""

from __future__ import annotations

from collections.abc import Mapping, Sequence
from datetime import datetime
from typing import Any

from dashboards import words
from hoofsense.estimators.dew_margin import REQUIRED_MARGIN_K
from hoofsense.estimators.heat_safety import HeatLimits
from hoofsense.units import difference_in, value_in
from hoofsense.visit_marks import label_of

NS_PER_MS = 1_000_000
TRACE_MS = 600_000  # 10 min
TRACE_BIN_MS = 1000
HEADROOM_MS = 10_000  # empty space on the right, so that the axis moves only now and then
LABEL_APART_MS = 45_000  # marks closer together than this share one label
MARGIN_BELOW_degC = 4.0
MARGIN_ABOVE_degC = 6.0

Point = tuple[int, float, float, float]

SURFACE_CAP_degC = value_in(HeatLimits().surface_cap_K, "Cel")
HEAT_ON, HEAT_OFF = (label_of({"mark": "heat", "on": on}) for on in (True, False))
DEW_MARGIN_degC = difference_in(REQUIRED_MARGIN_K, "Cel")

INK = {
    "light": {
        "ink": "#16191d",
        "muted": "#5a626b",
        "grid": "#e3e6e9",
        "stop": "#9b1c00",
        "wait": "#8a4b00",
        "band": "#e6e8ea",
    },
    "dark": {
        "ink": "#f3f5f6",
        "muted": "#aab3bb",
        "grid": "#343b43",
        "stop": "#ffab94",
        "wait": "#f2bd6b",
        "band": "#2b323a",
    },
}


def clock_offset_ms(at_ms: int) -> int:
    """How far the laptop's clock face is ahead of UTC at that moment."""
    offset = datetime.fromtimestamp(at_ms / words.MS_PER_S).astimezone().utcoffset()
    return 0 if offset is None else round(offset.total_seconds() * words.MS_PER_S)


def thinned(points: Sequence[Point], bin_ms: int = TRACE_BIN_MS) -> list[tuple[int, float]]:
    """(ms, mean) in bins of bin_ms, each at the time of its last point; empty bins give nothing."""
    kept: list[tuple[int, float]] = []
    bin_now, values, last_ms = -1, 0.0, 0
    count = 0
    for at_ns, _, mean, _ in points:
        at_ms = at_ns // NS_PER_MS
        if at_ms // bin_ms != bin_now:
            if count:
                kept.append((last_ms, round(values / count, 2)))
            bin_now, values, count = at_ms // bin_ms, 0.0, 0
        values, count, last_ms = values + mean, count + 1, at_ms
    if count:
        kept.append((last_ms, round(values / count, 2)))
    return kept


def limits() -> list[tuple[str, float]]:
    """(name, degC) of the limit lines that do not move."""
    return [(words.HEAT_LIMIT, SURFACE_CAP_degC)]


def trace_figure(
    surface: Sequence[Point],
    air: Sequence[Point],
    dew: Sequence[Point],
    marks: Sequence[Mapping[str, Any]],
    now_ms: int,
    theme: str,
    foot: str = "",
) -> dict[str, Any]:
    """The last 10 minutes: sole, air, dew point, the least margin above it, the heat limit and the marks.

    Traces come in the order sole, air, dew point, margin; live.js adds points to them by that order.
    """
    ink = INK.get(theme, INK["light"])
    offset_ms = clock_offset_ms(now_ms)
    series = [thinned(surface), thinned(air), thinned(dew)]
    series.append([(at, round(value + DEW_MARGIN_degC, 2)) for at, value in series[2]])
    looks = (
        (words.SOLE, {"color": ink["ink"], "width": 3}),
        (words.AIR, {"color": ink["muted"], "width": 1.5}),
        (words.DEW_POINT, {"color": ink["muted"], "width": 1.5, "dash": "dash"}),
        (words.DEW_LIMIT, {"color": ink["wait"], "width": 2, "dash": "dot"}),
    )
    values = [value for points in series for _, value in points]
    begin_ms = now_ms - TRACE_MS + offset_ms
    return {
        "data": [
            {
                "type": "scatter",
                "mode": "lines",
                "name": name,
                "x": [at + offset_ms for at, _ in points],
                "y": [value for _, value in points],
                "line": line,
                "hovertemplate": "%{y:.1f} °C<extra>%{fullData.name}</extra>",
            }
            for (name, line), points in zip(looks, series, strict=True)
        ],
        "layout": {
            "meta": {
                "foot": foot,
                "offset_ms": offset_ms,
                "end_ms": now_ms + HEADROOM_MS + offset_ms,
                "window_ms": TRACE_MS,
                "headroom_ms": HEADROOM_MS,
                "margin_degC": DEW_MARGIN_degC,
            },
            "margin": {"l": 36, "r": 4, "t": 6, "b": 26},
            "paper_bgcolor": "rgba(0,0,0,0)",
            "plot_bgcolor": "rgba(0,0,0,0)",
            "font": {
                "color": ink["ink"],
                "size": 13,
                "family": "Helvetica Neue, Arial, Liberation Sans, system-ui, sans-serif",
            },
            "hovermode": False,
            "dragmode": False,
            "showlegend": False,
            "xaxis": {
                "type": "date",
                "range": [begin_ms, now_ms + HEADROOM_MS + offset_ms],
                "tickformat": "%H:%M",
                "nticks": 6,
                "gridcolor": ink["grid"],
                "zeroline": False,
                "fixedrange": True,
            },
            "yaxis": {
                "range": [
                    min([*values, 0.0]) - MARGIN_BELOW_degC,
                    max([*values, SURFACE_CAP_degC]) + MARGIN_ABOVE_degC,
                ],
                "ticksuffix": "°",
                "nticks": 7,
                "gridcolor": ink["grid"],
                "zeroline": False,
                "fixedrange": True,
            },
            "shapes": [_limit_line(degC, ink["stop"]) for _, degC in limits()]
            + [
                _heat_band(on_ms + offset_ms, off_ms + offset_ms, ink["band"])
                for on_ms, off_ms in heat_passes(marks, now_ms)
            ]
            + [_mark_line(int(m["at_ms"]) + offset_ms, ink["muted"]) for m in _shown(marks, now_ms)],
            "annotations": [_limit_label(name, degC, ink["stop"]) for name, degC in limits()]
            + [
                _mark_label(str(m["label"]), int(m["at_ms"]) + offset_ms, ink["muted"])
                for m in _labelled(_shown(marks, now_ms))
            ],
        },
    }


def heat_passes(marks: Sequence[Mapping[str, Any]], now_ms: int) -> list[tuple[int, int]]:
    """(on, off) in ms of the passes of hot air within the last 10 minutes; one still going ends now."""
    passes: list[tuple[int, int]] = []
    on_ms: int | None = None
    for mark in marks:
        at_ms = int(mark["at_ms"])
        if mark["label"] == HEAT_ON and on_ms is None:
            on_ms = at_ms
        elif mark["label"] == HEAT_OFF and on_ms is not None:
            passes.append((on_ms, at_ms))
            on_ms = None
    if on_ms is not None:
        passes.append((on_ms, now_ms))
    begin_ms = now_ms - TRACE_MS
    return [(max(on, begin_ms), off) for on, off in passes if off > begin_ms]


def _heat_band(on_ms: int, off_ms: int, color: str) -> dict[str, Any]:
    return {
        "type": "rect",
        "layer": "below",
        "yref": "paper",
        "y0": 0,
        "y1": 1,
        "x0": on_ms,
        "x1": off_ms,
        "fillcolor": color,
        "line": {"width": 0},
    }


def _shown(marks: Sequence[Mapping[str, Any]], now_ms: int) -> list[Mapping[str, Any]]:
    """Marks of the last 10 minutes; heat on and off are bands, not lines."""
    return [
        m
        for m in marks
        if now_ms - TRACE_MS <= int(m["at_ms"]) <= now_ms and m["label"] not in (HEAT_ON, HEAT_OFF)
    ]


def _labelled(marks: Sequence[Mapping[str, Any]]) -> list[Mapping[str, Any]]:
    """The latest of marks that stand close together."""
    kept: list[Mapping[str, Any]] = []
    for mark in reversed(marks):
        if not kept or int(kept[-1]["at_ms"]) - int(mark["at_ms"]) >= LABEL_APART_MS:
            kept.append(mark)
    return kept


def _limit_line(degC: float, color: str) -> dict[str, Any]:
    line = {"color": color, "width": 2, "dash": "dashdot"}
    return {"type": "line", "xref": "paper", "x0": 0, "x1": 1, "y0": degC, "y1": degC, "line": line}


def _limit_label(name: str, degC: float, color: str) -> dict[str, Any]:
    return {
        "xref": "paper",
        "x": 0,
        "xanchor": "left",
        "y": degC,
        "yanchor": "bottom",
        "text": f"{name} {degC:.0f} °C",
        "showarrow": False,
        "font": {"color": color, "size": 13},
    }


def _mark_line(at_ms: int, color: str) -> dict[str, Any]:
    line = {"color": color, "width": 1, "dash": "dot"}
    return {"type": "line", "yref": "paper", "y0": 0, "y1": 1, "x0": at_ms, "x1": at_ms, "line": line}


def _mark_label(text: str, at_ms: int, color: str) -> dict[str, Any]:
    return {
        "x": at_ms,
        "xanchor": "right",
        "yref": "paper",
        "y": 0.02,
        "yanchor": "bottom",
        "textangle": -90,
        "text": text.partition(":")[0],
        "showarrow": False,
        "font": {"color": color, "size": 11},
    }
