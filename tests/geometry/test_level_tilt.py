"""A tilted self-levelling fill against the exact wedge formula and against every bearing tried in turn."""

from __future__ import annotations

import math

import numpy as np
import pytest

from hoofsense.geometry.depth_surface import (
    NEEDED_PLACES,
    DepthPlace,
    Station,
    depth_m,
    depth_surface,
    places_xy_m,
    stations_from,
)
from hoofsense.geometry.fill_volume import Fill, pad
from hoofsense.geometry.level_tilt import level_tolerance, spill_tilt_rad, tilted_fill, tilted_thickness_m
from hoofsense.geometry.sole_outline import SoleOutline, edge_points_m, sole_nodes

DISC = SoleOutline(0.120, 0.120, heel_width_ratio=0.0)
DISC_NODES = sole_nodes(DISC)
FLAT_m = np.full_like(DISC_NODES.x_m, 0.012)
RADIUS_m = 0.060
AREA_m2 = float(np.sum(DISC_NODES.area_m2))

FOOT = SoleOutline(0.130, 0.120, 0.085, 0.050)
NODES = sole_nodes(FOOT)
DEPTHS = dict(zip(NEEDED_PLACES, (0.013, 0.007, 0.008, 0.0075, 0.009, 0.0085), strict=True))
SURFACE = depth_surface(FOOT, stations_from(FOOT, DEPTHS))
DEPTH_m = depth_m(SURFACE, NODES.x_m, NODES.y_m)
PLACES = [Station(*places_xy_m(FOOT)[place], depth) for place, depth in DEPTHS.items()]


@pytest.mark.parametrize("bearing_deg", [0.0, 35.0, 90.0, 200.0])
def test_a_covered_flat_sole_becomes_a_wedge_exactly(bearing_deg):
    tilt, bearing = math.radians(2.0), math.radians(bearing_deg)
    tilted = tilted_fill(DISC_NODES, FLAT_m, AREA_m2 * 0.006, tilt, bearing)
    x, y = np.array([0.05, -0.02, 0.0]), np.array([0.01, 0.04, -0.055])
    lean = x * math.cos(bearing) + y * math.sin(bearing)
    exact = 0.006 - math.tan(tilt) * lean  # the wedge: thinner on the raised side
    assert tilted_thickness_m(tilted, x, y, np.full(3, 0.012)) == pytest.approx(exact, abs=1e-12)


def test_a_fill_that_runs_out_on_the_high_side_keeps_its_volume():
    volume = AREA_m2 * 0.001
    tilted = tilted_fill(DISC_NODES, FLAT_m, volume, math.radians(4.0), 0.0)
    thickness = tilted_thickness_m(tilted, DISC_NODES.x_m, DISC_NODES.y_m, FLAT_m)
    assert float(np.min(thickness)) == 0.0
    assert float(np.dot(thickness, DISC_NODES.area_m2)) == pytest.approx(volume, rel=1e-9)


def test_the_level_tolerance_of_a_flat_sole_is_the_wedge_s():
    # thickness at 50 mm from the middle falls from 6 to 2.5 mm at tan t = 3.5 / 50
    place = [Station(0.03, 0.04, 0.012)]
    tolerance = level_tolerance(DISC_NODES, FLAT_m, AREA_m2 * 0.006, place, 0.0025)
    assert tolerance.tilt_rad == pytest.approx(math.atan(3.5 / 50.0), rel=1e-9)


@pytest.mark.parametrize(("share", "minimum_m"), [(0.8, 0.001), (1.0, 0.0005), (1.0, 0.001)])
def test_no_bearing_thins_a_place_below_the_minimum_within_the_tolerance(share, minimum_m):
    volume = pad(FOOT, SURFACE, Fill(share)).volume_m3
    tolerance = level_tolerance(NODES, DEPTH_m, volume, PLACES, minimum_m)

    def thinnest_m(tilt):
        return min(
            float(tilted_thickness_m(plane, np.array(each.x_m), np.array(each.y_m), np.array(each.depth_m)))
            for bearing in np.linspace(0.0, 2.0 * math.pi, 72, endpoint=False)
            for plane in [tilted_fill(NODES, DEPTH_m, volume, tilt, float(bearing))]
            for each in PLACES
        )

    assert tolerance.tilt_rad > 0.0
    assert thinnest_m(0.97 * tolerance.tilt_rad) >= minimum_m
    assert thinnest_m(1.08 * tolerance.tilt_rad) < minimum_m


def test_a_place_too_thin_on_a_level_foot_leaves_no_tolerance_and_is_named():
    volume = pad(FOOT, SURFACE, Fill(0.5)).volume_m3
    tolerance = level_tolerance(NODES, DEPTH_m, volume, PLACES, 0.002)
    assert tolerance.tilt_rad == 0.0
    assert NEEDED_PLACES[tolerance.place] is DepthPlace.TOE


def test_a_fill_runs_over_where_the_wedge_reaches_the_wall_s_ground_surface():
    # recess 6 mm, rim 60 mm from the middle: tan t = 0.1
    rim = [Station(x, y, 0.012) for x, y in edge_points_m(DISC, 24)]
    tilt = spill_tilt_rad(DISC_NODES, FLAT_m, AREA_m2 * 0.006, rim)
    assert tilt == pytest.approx(math.atan(0.1), rel=1e-6)
    below, above = (
        tilted_fill(DISC_NODES, FLAT_m, AREA_m2 * 0.006, factor * tilt, 0.3, rim).spills
        for factor in (0.95, 1.05)
    )
    assert (below, above) == (False, True)


def test_a_fill_up_to_the_wall_runs_over_at_once():
    rim = [Station(x, y, 0.012) for x, y in edge_points_m(DISC, 24)]
    assert spill_tilt_rad(DISC_NODES, FLAT_m, AREA_m2 * 0.0121, rim) == 0.0


def test_nonsense_is_refused_with_the_reason():
    with pytest.raises(ValueError, match="volume"):
        tilted_fill(DISC_NODES, FLAT_m, 0.0, 0.0, 0.0)
    with pytest.raises(ValueError, match="tilt"):
        tilted_fill(DISC_NODES, FLAT_m, 1e-5, math.radians(31.0), 0.0)
    with pytest.raises(ValueError, match="no place"):
        level_tolerance(DISC_NODES, FLAT_m, 1e-5, [], 0.001)
    with pytest.raises(ValueError, match="least thickness"):
        level_tolerance(DISC_NODES, FLAT_m, 1e-5, PLACES, 0.0)
    with pytest.raises(ValueError, match="rim"):
        spill_tilt_rad(DISC_NODES, FLAT_m, 1e-5, [])
