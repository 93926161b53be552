"""The outline against the exact areas of an ellipse, a cut ellipse and a triangle."""

from __future__ import annotations

import math
from itertools import pairwise

import numpy as np
import pytest

from hoofsense.geometry.propagation import propagated
from hoofsense.geometry.sole_outline import (
    FROG_LENGTH_RATIO,
    Length,
    SoleOutline,
    edge_points_m,
    frog_half_width_m,
    frog_points_m,
    half_width_m,
    on_sole,
    outline_from,
    outline_inputs,
    sole_area_m2,
    sole_nodes,
)
from hoofsense.records import Foot

ELLIPSE = SoleOutline(0.130, 0.120, heel_width_ratio=0.0)
FOOT = SoleOutline(0.130, 0.120, 0.085, 0.050, toe_fullness_ratio=-0.1)


def shoelace_area_m2(points_m):
    x, y = points_m[:, 0], points_m[:, 1]
    return abs(float(np.sum(x * np.roll(y, -1) - y * np.roll(x, -1)))) / 2.0


def test_an_outline_without_cut_heels_has_the_area_of_an_ellipse():
    exact = math.pi * 0.130 * 0.120 / 4.0  # solid geometry
    assert sole_area_m2(ELLIPSE) == pytest.approx(exact, rel=1e-14)
    assert float(np.sum(sole_nodes(ELLIPSE).area_m2)) == pytest.approx(exact, rel=1e-5)


def test_the_closed_form_area_is_that_of_the_drawn_polygon_less_the_frog():
    polygon = shoelace_area_m2(edge_points_m(FOOT, 4001)) - shoelace_area_m2(frog_points_m(FOOT))
    assert sole_area_m2(FOOT) == pytest.approx(polygon, rel=1e-6)


def test_the_frog_takes_exactly_its_triangle_out_of_the_area():
    whole = SoleOutline(0.130, 0.120, toe_fullness_ratio=-0.1)
    assert sole_area_m2(whole) - sole_area_m2(FOOT) == pytest.approx(0.085 * 0.050 / 2.0, rel=1e-12)


def test_the_area_by_quadrature_converges_at_fourth_order():
    exact = sole_area_m2(FOOT)
    errors = [abs(float(np.sum(sole_nodes(FOOT, n).area_m2)) - exact) for n in (4, 8, 16)]
    orders = [math.log2(a / b) for a, b in pairwise(errors)]
    assert all(3.8 < order < 4.2 for order in orders), orders


def test_every_node_lies_on_the_sole_and_every_area_is_above_zero():
    nodes = sole_nodes(FOOT)
    assert bool(np.all(on_sole(FOOT, nodes.x_m, nodes.y_m)))
    assert float(np.min(nodes.area_m2)) > 0.0
    assert float(np.sum(nodes.x_m * nodes.area_m2)) == pytest.approx(
        0.0, abs=1e-12
    )  # medial and lateral alike


def test_nodes_cannot_be_written_to():
    with pytest.raises(ValueError, match="read-only"):
        sole_nodes(FOOT).x_m[0] = 0.0


def test_the_widest_line_is_the_widest_and_the_heel_line_has_its_share():
    y = np.linspace(FOOT.heel_y_m, FOOT.toe_y_m, 501)
    half = half_width_m(FOOT, y)
    assert float(np.max(half)) == pytest.approx(0.060, abs=1e-6)
    assert half[0] == pytest.approx(0.7 * 0.060, rel=1e-12)
    assert abs(float(y[int(np.argmax(half))])) < 0.001
    assert frog_half_width_m(FOOT, np.array([FOOT.heel_y_m]))[0] == pytest.approx(0.025)


def test_an_area_keeps_the_uncertainty_of_the_frog_and_of_the_unmeasured_proportions():
    length, width = Length(0.130, 0.0003), Length(0.125, 0.0003)
    measured = outline_inputs(
        Foot.LF, length, width, Length(0.085, 0.001), Length(0.048, 0.001), Length(0.009, 0.0005)
    )
    guessed = outline_inputs(Foot.LF, length, width)
    wide, narrow = (
        propagated(lambda v: [sole_area_m2(outline_from(v))], each)[0] for each in (guessed, measured)
    )
    assert narrow.standard_uncertainty < wide.standard_uncertainty / 2.0
    # Sensitivity to the frog's width is half its length: 42.5 mm x 1 mm
    frog = next(share for share in narrow.contributions if share.name == "frog width")
    assert frog.standard_uncertainty == pytest.approx(0.0425 * 0.001, rel=1e-9)
    assert guessed[2].value == FROG_LENGTH_RATIO * 0.130


def test_hind_feet_are_taken_as_more_pointed_than_fore_feet():
    length, width = Length(0.130, 0.0), Length(0.125, 0.0)
    fore, hind = (
        sole_area_m2(outline_from([each.value for each in outline_inputs(foot, length, width)]))
        for foot in (Foot.RF, Foot.RH)
    )
    assert hind < fore


@pytest.mark.parametrize(
    ("shape", "reason"),
    [
        ({"length_m": 13.0, "width_m": 0.12}, "check its unit"),
        ({"length_m": float("nan"), "width_m": 0.12}, "measure it again"),
        ({"length_m": 0.13, "width_m": 0.12, "frog_length_m": 0.14}, "frog"),
        ({"length_m": 0.13, "width_m": 0.12, "frog_length_m": 0.08, "frog_width_m": 0.09}, "leaves no sole"),
        ({"length_m": 0.13, "width_m": 0.12, "heel_width_ratio": 1.0}, "heel width"),
        ({"length_m": 0.13, "width_m": 0.12, "toe_fullness_ratio": 0.5}, "toe fullness"),
        ({"length_m": 0.13, "width_m": 0.12, "widest_at_ratio": 0.9}, "widest"),
    ],
)
def test_a_shape_no_foot_has_is_refused_with_the_reason(shape, reason):
    with pytest.raises(ValueError, match=reason):
        SoleOutline(**shape)


def test_panels_and_drawing_points_out_of_range_are_refused():
    with pytest.raises(ValueError, match="panels"):
        sole_nodes(FOOT, 0)
    with pytest.raises(ValueError, match="points"):
        edge_points_m(FOOT, 4)
