"""The foot from below: every value on its own side, the pad over the sole, plan against result."""

from __future__ import annotations

import json
from collections.abc import Mapping
from typing import Any

import pytest

from dashboards.feed import with_changes
from dashboards.figures_sole import page_side, sole_figures


def drawn(view: Mapping[str, Any], foot: str = "LF", theme: str = "light") -> tuple[Any, Any]:
    """(the foot's plan, its figures)."""
    whole = with_changes({}, view)
    plan = whole["plan"][foot]
    return plan, sole_figures(plan, whole["feet"][foot]["sheet"]["next"], theme)


def numbers(figure: Mapping[str, Any]) -> dict[str, tuple[float, float]]:
    """Where each written number stands on the page."""
    texts = [trace for trace in figure["data"] if trace.get("mode") == "text"]
    return {
        text: (x, y)
        for trace in texts
        for text, x, y in zip(trace["text"], trace["x"], trace["y"], strict=True)
    }


@pytest.mark.parametrize(("foot", "side"), [("LF", -1), ("LH", -1), ("RF", 1), ("RH", 1)])
def test_medial_is_left_on_a_left_foot_and_right_on_a_right_foot(foot: str, side: int) -> None:
    # Seen from below with the toe up, the horse's midline lies to the left of a left foot.
    assert page_side(foot) == side


@pytest.mark.parametrize(("foot", "side"), [("LF", -1), ("RF", 1)])
def test_every_value_stands_on_its_own_side_of_both_drawings(
    plan_of: Any, maker: Any, foot: str, side: int
) -> None:
    plan, figures = drawn(plan_of(maker, "planned", foot), foot)
    at = numbers(figures["foot"])
    for medial, lateral in (("13.9", "14.3"), ("15.8", "16.1"), ("61.0", "64.0")):
        assert side * at[medial][0] > 0 > side * at[lateral][0]
    assert at["12.6"][1] > at["17.2"][1] > at["15.8"][1]  # toe up, heels down
    pad = numbers(figures["pad"])
    thick = {t["place"]: f"{t['value']:.1f}" for t in plan["plan"]["chosen"]["thickness"]}
    assert side * pad[thick["medial quarter"]][0] > 0 > side * pad[thick["lateral quarter"]][0]
    for figure in (figures["foot"], figures["pad"]):
        names = {note["text"]: note["x"] for note in figure["layout"]["annotations"]}
        assert (names["medial"] < names["lateral"]) == (side < 0)


def test_the_heat_map_is_turned_with_the_foot(plan_of: Any, maker: Any) -> None:
    _, left = drawn(plan_of(maker, "planned", "LF"), "LF")
    _, right = drawn(plan_of(maker, "planned", "RF"), "RF")
    one, other = left["pad"]["data"][0], right["pad"]["data"][0]
    assert one["x"] == sorted(one["x"]) == pytest.approx([-x for x in reversed(other["x"])])
    assert one["z"] == [list(reversed(row)) for row in other["z"]]


def test_the_least_thickness_is_a_heavy_line_of_its_own(plan_of: Any, maker: Any) -> None:
    plan, figures = drawn(plan_of(maker, "planned"))
    limit = figures["pad"]["data"][1]
    assert limit["contours"]["start"] == limit["contours"]["end"] == plan["settings"]["least_mm"]
    assert any("3.0 mm" in note["text"] for note in figures["pad"]["layout"]["annotations"])


def test_the_next_site_is_a_filled_ring_and_the_others_are_open(plan_of: Any, maker: Any) -> None:
    plan, figures = drawn(plan_of(maker, "measuring"))
    *_, open_rings, filled = figures["foot"]["data"]
    quarter = plan["drawing"]["places"]["medial quarter"]
    assert list(zip(filled["x"], filled["y"], strict=True)) == [(-quarter[0], quarter[1])]
    assert open_rings["marker"]["symbol"] == "circle-open"


def test_before_a_foot_is_measured_it_is_drawn_as_a_sketch(plan_of: Any, maker: Any) -> None:
    _, figures = drawn(plan_of(maker, "empty"))
    assert "sketch" in {note["text"] for note in figures["foot"]["layout"]["annotations"]}
    assert figures["pad"] is None and figures["result"] is None


def test_what_came_out_otherwise_than_planned_has_another_shape(plan_of: Any, maker: Any) -> None:
    plan, figures = drawn(plan_of(maker, "trimmed"))
    measured = figures["result"]["data"][-1]
    assert dict(zip(measured["y"], measured["marker"]["symbol"], strict=True)) == {
        "frog apex": "diamond", "toe": "diamond", "medial quarter": "diamond", "lateral quarter": "x",
        "medial heel": "diamond", "lateral heel": "diamond",
    }  # fmt: skip
    bars = [trace["x"] for trace in figures["result"]["data"] if trace["mode"] == "lines"]
    assert bars == [[row["planned_mm"]["low"], row["planned_mm"]["high"]] for row in plan["plan"]["result"]]


@pytest.mark.parametrize("theme", ["light", "dark", "odd"])
def test_every_figure_is_json_and_known_to_the_plotting_library(plan_of: Any, maker: Any, theme: str) -> None:
    from plotly.graph_objects import Figure

    _, figures = drawn(plan_of(maker, "trimmed", "RF"), "RF", theme)
    for name, figure in figures.items():
        assert json.loads(json.dumps(figure)) == figure, name
        Figure(figure)  # ValueError for a property it does not know
        assert "http" not in json.dumps(figure)
