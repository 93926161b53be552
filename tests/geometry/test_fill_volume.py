"""Fills against solids whose volume is known exactly, and the two orders of pouring and trimming."""

from __future__ import annotations

import math
from itertools import pairwise

import numpy as np
import pytest

from hoofsense.geometry.depth_surface import DepthPlace, Station, depth_m, depth_surface, stations_from
from hoofsense.geometry.fill_volume import (
    Fill,
    FillShape,
    Order,
    pad,
    pad_from_depths,
    recess_below_wall_m,
    thickness_m,
    thickness_map,
)
from hoofsense.geometry.sole_outline import SoleOutline, sole_area_m2, sole_nodes

# An ellipse without a frog: half-axes 60 mm across and 65 mm along. Solid geometry gives every volume below.
ELLIPSE = SoleOutline(0.130, 0.120, heel_width_ratio=0.0)
AREA_m2 = math.pi * 0.060 * 0.065
DISC = SoleOutline(0.120, 0.120, heel_width_ratio=0.0)
RADIUS_m = 0.060
SOLID_TOLERANCE_RATIO = 0.001  # asked of the closed-form checks
RIM = np.array([0.0])

FOOT = SoleOutline(0.130, 0.120, 0.085, 0.050)
DEPTHS = {
    DepthPlace.FROG_APEX: 0.013,
    DepthPlace.TOE: 0.007,
    DepthPlace.MEDIAL_QUARTER: 0.008,
    DepthPlace.LATERAL_QUARTER: 0.0075,
    DepthPlace.MEDIAL_HEEL: 0.009,
    DepthPlace.LATERAL_HEEL: 0.0085,
}
SURFACE = depth_surface(FOOT, stations_from(FOOT, DEPTHS))


def poured_m3(outline, depth_at, apex_m, fill, panels=6):
    nodes = sole_nodes(outline, panels)
    depth = depth_at(nodes.x_m, nodes.y_m)
    return pad_from_depths(depth, RIM, apex_m, nodes.area_m2, fill).poured_m3


def elliptic_radius(x, y):
    return np.sqrt((x / 0.060) ** 2 + (y / 0.065) ** 2)


def round_radius(x, y):
    return np.hypot(x, y) / RADIUS_m


FULL = Fill(share_ratio=1.0)  # to the wall's ground surface


def test_an_elliptic_prism():
    volume = poured_m3(ELLIPSE, lambda x, y: np.full_like(x, 0.012), 0.012, Fill(share_ratio=0.5))
    assert volume == pytest.approx(AREA_m2 * 0.006, rel=SOLID_TOLERANCE_RATIO)


def test_an_elliptic_cone():
    volume = poured_m3(ELLIPSE, lambda x, y: 0.012 * (1.0 - elliptic_radius(x, y)), 0.012, FULL)
    assert volume == pytest.approx(AREA_m2 * 0.012 / 3.0, rel=SOLID_TOLERANCE_RATIO)


def test_an_elliptic_paraboloid():
    volume = poured_m3(ELLIPSE, lambda x, y: 0.012 * (1.0 - elliptic_radius(x, y) ** 2), 0.012, FULL)
    assert volume == pytest.approx(AREA_m2 * 0.012 / 2.0, rel=SOLID_TOLERANCE_RATIO)


def test_a_spherical_cap():
    height = 0.012
    sphere = (RADIUS_m**2 + height**2) / (2.0 * height)

    def cap(x, y):
        return np.sqrt(sphere**2 - x**2 - y**2) - (sphere - height)

    exact = math.pi * height * (3.0 * RADIUS_m**2 + height**2) / 6.0
    assert poured_m3(DISC, cap, height, FULL) == pytest.approx(exact, rel=SOLID_TOLERANCE_RATIO)


def test_a_tilted_plane_over_an_ellipse_has_the_volume_of_its_middle():
    volume = poured_m3(ELLIPSE, lambda x, y: 0.012 + 0.08 * x + 0.05 * y, 0.012, FULL)
    assert volume == pytest.approx(AREA_m2 * 0.012, rel=SOLID_TOLERANCE_RATIO)


def test_a_level_fill_of_a_paraboloid_stops_where_the_sole_meets_its_surface():
    # Half the height of a paraboloid: covers half the area, holds a quarter of the full volume
    nodes = sole_nodes(ELLIPSE)
    depth = 0.012 * (1.0 - elliptic_radius(nodes.x_m, nodes.y_m) ** 2)
    half = pad_from_depths(depth, RIM, 0.012, nodes.area_m2, Fill(share_ratio=0.5))
    assert half.poured_m3 == pytest.approx(AREA_m2 * 0.012 / 8.0, rel=0.002)
    assert half.covered_ratio == pytest.approx(0.5, abs=0.02)
    finer = poured_m3(
        ELLIPSE, lambda x, y: 0.012 * (1.0 - elliptic_radius(x, y) ** 2), 0.012, Fill(share_ratio=0.5), 24
    )
    assert finer == pytest.approx(AREA_m2 * 0.012 / 8.0, rel=SOLID_TOLERANCE_RATIO)


def test_a_wedge_that_runs_out_at_the_middle():
    # depth = s x on the medial half of a disc: s times the first moment of a half disc, 2 R^3 / 3
    volume = poured_m3(DISC, lambda x, y: 0.1 * x, 1.0, Fill(share_ratio=1.0))
    assert volume == pytest.approx(0.1 * 2.0 * RADIUS_m**3 / 3.0, rel=SOLID_TOLERANCE_RATIO)


def test_a_smooth_fill_converges_at_fourth_order():
    # A spherical cap, because the rule is exact already for a paraboloid
    height = 0.02
    sphere = (RADIUS_m**2 + height**2) / (2.0 * height)
    exact = math.pi * height * (3.0 * RADIUS_m**2 + height**2) / 6.0

    def error(panels):
        volume = poured_m3(
            DISC, lambda x, y: np.sqrt(sphere**2 - x**2 - y**2) - (sphere - height), height, FULL, panels
        )
        return abs(volume - exact)

    errors = [error(panels) for panels in (4, 8, 16)]
    orders = [math.log2(a / b) for a, b in pairwise(errors)]
    assert all(3.7 < order < 4.3 for order in orders), orders


def test_a_fill_that_runs_out_converges_at_second_order_or_better():
    fill = Fill(share_ratio=0.6)
    exact = AREA_m2 * 0.012 * 0.6**2 / 2.0

    def mean_error(panels):  # the kink falls differently into each rule, so a few neighbours are averaged
        return float(
            np.mean(
                [
                    abs(
                        poured_m3(
                            ELLIPSE, lambda x, y: 0.012 * (1.0 - elliptic_radius(x, y) ** 2), 0.012, fill, n
                        )
                        - exact
                    )
                    for n in (panels, panels + 1, panels + 2)
                ]
            )
        )

    assert math.log2(mean_error(6) / mean_error(24)) / 2.0 > 1.7


def test_six_panels_are_within_a_twentieth_of_a_per_cent_of_many():
    for fill in (Fill(), Fill(shape=FillShape.FOLLOWING)):
        many = pad(FOOT, SURFACE, fill, sole_nodes(FOOT, 48)).volume_m3
        assert pad(FOOT, SURFACE, fill).volume_m3 == pytest.approx(many, rel=0.0005)


def test_a_prism_over_a_sole_with_a_frog_leaves_the_frog_out():
    flat = depth_surface(FOOT, stations_from(FOOT, dict.fromkeys(DEPTHS, 0.012)))
    made = pad(FOOT, flat, Fill(share_ratio=0.5))
    assert made.poured_m3 == pytest.approx(sole_area_m2(FOOT) * 0.006, rel=1e-5)
    assert made.covered_ratio == 1.0
    assert (made.apex_m, made.rim_m, made.thinnest_m, made.recess_m) == pytest.approx((0.006,) * 4)


def test_half_the_apex_depth_is_half_the_apex_thickness_in_both_shapes():
    level, following = (pad(FOOT, SURFACE, Fill(shape=shape)) for shape in FillShape)
    assert level.apex_m == pytest.approx(0.0065, abs=1e-12)
    assert following.apex_m == pytest.approx(0.0065, abs=1e-12)
    assert level.poured_m3 < following.poured_m3  # a level fill thins towards the rim
    assert level.rim_m < following.rim_m


def test_trimming_after_the_pour_lowers_the_recess_and_keeps_the_pad():
    before = Fill(trim_m=0.004, order=Order.POUR_FIRST)
    made, untrimmed = pad(FOOT, SURFACE, before), pad(FOOT, SURFACE, Fill())
    assert made.poured_m3 == untrimmed.poured_m3
    assert made.apex_m == untrimmed.apex_m
    assert made.recess_m == pytest.approx(untrimmed.recess_m - 0.004, abs=1e-12)


def test_trimming_first_leaves_less_to_fill():
    first, last = (
        pad(FOOT, SURFACE, Fill(trim_m=0.004, order=order)) for order in (Order.TRIM_FIRST, Order.POUR_FIRST)
    )
    assert first.apex_m == pytest.approx(0.5 * (0.013 - 0.004), abs=1e-12)
    assert first.poured_m3 < last.poured_m3
    assert first.recess_m == pytest.approx(0.0045, abs=1e-12)
    assert recess_below_wall_m(0.013, Fill(trim_m=0.004, order=Order.TRIM_FIRST)) == pytest.approx(0.0045)
    assert recess_below_wall_m(0.013, Fill(trim_m=0.004, order=Order.POUR_FIRST)) == pytest.approx(0.0065)


def test_a_pad_left_proud_of_a_trimmed_wall_is_cut_flush_with_it():
    made = pad(FOOT, SURFACE, Fill(share_ratio=0.9, trim_m=0.004, order=Order.POUR_FIRST))
    assert made.recess_m == 0.0
    assert made.apex_m == pytest.approx(0.013 - 0.004, abs=1e-12)
    assert made.volume_m3 < made.poured_m3


def test_a_trim_down_to_the_sole_is_refused_with_the_reason():
    with pytest.raises(ValueError, match="reaches the sole"):
        pad(FOOT, SURFACE, Fill(trim_m=0.013))
    with pytest.raises(ValueError, match="share"):
        Fill(share_ratio=0.0)
    with pytest.raises(ValueError, match="share"):
        Fill(share_ratio=1.2)
    with pytest.raises(ValueError, match="trim"):
        Fill(trim_m=-0.001)


def test_the_map_shows_the_pad_on_the_sole_and_nothing_on_the_frog():
    drawn = thickness_map(FOOT, SURFACE, Fill(), 0.002)
    assert drawn.thickness_m.shape == (drawn.y_m.size, drawn.x_m.size)
    row = int(np.argmin(np.abs(drawn.y_m - (FOOT.heel_y_m + 0.02))))
    column = int(np.argmin(np.abs(drawn.x_m)))
    assert math.isnan(drawn.thickness_m[row, column])  # on the frog
    x, y = np.meshgrid(drawn.x_m, drawn.y_m)
    shown = ~np.isnan(drawn.thickness_m)
    expected = thickness_m(depth_m(SURFACE, x[shown], y[shown]), 0.013, Fill())
    assert drawn.thickness_m[shown] == pytest.approx(expected, abs=1e-9)
    assert float(np.sum(shown)) * 0.002**2 == pytest.approx(sole_area_m2(FOOT), rel=0.02)
    with pytest.raises(ValueError, match="spacing"):
        thickness_map(FOOT, SURFACE, Fill(), 0.0)


def test_a_thin_disc_of_stations_gives_a_pad_of_known_volume_end_to_end():
    # Six stations of a paraboloid on an uncut ellipse, exponent 2: the whole chain is exact solid geometry
    stations = [
        Station(x, y, float(0.012 * (1.0 - elliptic_radius(x, y) ** 2)))
        for x, y in ((0, 0.005), (0, 0.05), (0.045, 0), (-0.045, 0), (0.03, -0.04), (-0.03, -0.04))
    ]
    made = pad(ELLIPSE, depth_surface(ELLIPSE, stations, 2.0), FULL)
    assert made.poured_m3 == pytest.approx(AREA_m2 * 0.006, rel=SOLID_TOLERANCE_RATIO)
