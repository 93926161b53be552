"""The depth surface: exact on planes and bowls, faithful to its stations, plain about what it cannot do."""

from __future__ import annotations

import math

import numpy as np
import pytest
from scipy.interpolate import RBFInterpolator

from hoofsense.geometry.depth_surface import (
    NEEDED_PLACES,
    DepthPlace,
    Station,
    depth_m,
    depth_surface,
    places_xy_m,
    stations_from,
)
from hoofsense.geometry.sole_outline import SoleOutline, on_sole, sole_nodes
from hoofsense.records import Site

FOOT = SoleOutline(0.130, 0.120, 0.085, 0.050, toe_fullness_ratio=-0.1)
NODES = sole_nodes(FOOT)
EXPONENTS = (1.0, 2.0, 2.5, 4.0)


def stations_on(function):
    return [Station(x, y, function(x, y)) for x, y in (places_xy_m(FOOT)[place] for place in NEEDED_PLACES)]


@pytest.mark.parametrize("exponent", EXPONENTS)
def test_planes_are_reproduced_exactly_whatever_the_bowl(exponent):
    def plane(x, y):
        return 0.009 + 0.03 * x - 0.05 * y

    surface = depth_surface(FOOT, stations_on(plane), exponent)
    assert depth_m(surface, NODES.x_m, NODES.y_m) == pytest.approx(plane(NODES.x_m, NODES.y_m), abs=1e-14)


@pytest.mark.parametrize("exponent", EXPONENTS)
def test_a_bowl_on_a_tilted_plane_is_reproduced_exactly(exponent):
    heel_radius = -FOOT.heel_y_m / math.sin(FOOT.heel_angle)

    def bowl(x, y):
        along = np.where(y >= 0.0, y / FOOT.toe_y_m, y / heel_radius)
        return 0.013 + 0.01 * x + 0.02 * y - 0.006 * ((x / 0.060) ** 2 + along**2) ** (exponent / 2.0)

    surface = depth_surface(FOOT, stations_on(lambda x, y: float(bowl(x, y))), exponent)
    assert depth_m(surface, NODES.x_m, NODES.y_m) == pytest.approx(bowl(NODES.x_m, NODES.y_m), abs=1e-13)


def test_every_station_keeps_its_reading_and_nine_sharpen_six():
    depths = dict(
        zip(DepthPlace, (0.013, 0.007, 0.008, 0.0075, 0.009, 0.0085, 0.0102, 0.0115, 0.0112), strict=True)
    )
    stations = stations_from(FOOT, depths)
    surface = depth_surface(FOOT, stations)
    for each in stations:
        assert depth_m(surface, np.array([each.x_m]), np.array([each.y_m]))[0] == pytest.approx(
            each.depth_m, abs=1e-12
        )


def test_the_thin_plate_part_agrees_with_scipys_when_the_bowl_is_taken_out():
    # Oracle: scipy.interpolate.RBFInterpolator, thin_plate_spline, degree 1, fed with bowl-free residuals
    rng = np.random.default_rng(7)
    points = rng.uniform(-0.04, 0.04, (12, 2))
    stations = [Station(x, y, 0.009 + 0.002 * math.sin(60.0 * x) + 0.001 * y / 0.05) for x, y in points]
    surface = depth_surface(FOOT, stations)
    bowl = depth_surface(FOOT, stations).leading[3]
    heel_radius = -FOOT.heel_y_m / math.sin(FOOT.heel_angle)

    def bowl_m(xy):
        along = np.where(xy[:, 1] >= 0.0, xy[:, 1] / FOOT.toe_y_m, xy[:, 1] / heel_radius)
        return -bowl * ((xy[:, 0] / 0.060) ** 2 + along**2) ** (surface.exponent / 2.0)

    residual = np.array([each.depth_m for each in stations]) - bowl_m(points)
    oracle = RBFInterpolator(points / 0.060, residual, kernel="thin_plate_spline", degree=1)
    asked = rng.uniform(-0.05, 0.05, (50, 2))
    expected = oracle(asked / 0.060) + bowl_m(asked)
    assert depth_m(surface, asked[:, 0], asked[:, 1]) == pytest.approx(expected, abs=1e-9)


def test_the_surface_of_a_mirrored_foot_is_the_mirrored_surface():
    stations = stations_on(lambda x, y: 0.01 + 0.04 * x - 1.0 * x * y)
    mirrored = [Station(-each.x_m, each.y_m, each.depth_m) for each in stations]
    one = depth_m(depth_surface(FOOT, stations), NODES.x_m, NODES.y_m)
    other = depth_m(depth_surface(FOOT, mirrored), -NODES.x_m, NODES.y_m)
    assert one == pytest.approx(other, abs=1e-13)


def test_stations_lie_on_the_sole_on_their_own_side_and_share_the_trade_s_names():
    places = places_xy_m(FOOT)
    for place, (x, y) in places.items():
        assert bool(on_sole(FOOT, np.array(x), np.array(y))), place
        assert np.sign(x) == {"medial": 1, "lateral": -1}.get(
            next((side for side in ("medial", "lateral") if side in place.value), ""), 0
        )
    assert {place.value for place in NEEDED_PLACES} < {site.value for site in Site}


def test_too_few_or_coinciding_or_aligned_stations_are_refused():
    good = stations_on(lambda x, y: 0.01)
    with pytest.raises(ValueError, match="4 or more"):
        depth_surface(FOOT, good[:3])
    with pytest.raises(ValueError, match="one more elsewhere"):
        depth_surface(FOOT, [good[0]] * 3 + [Station(good[0].x_m, good[0].y_m, 0.02)] + good[1:4])
    with pytest.raises(ValueError, match="one more elsewhere"):
        depth_surface(FOOT, [Station(0.0, 0.01 * k, 0.01 + 0.001 * k * k) for k in range(5)])
    with pytest.raises(ValueError, match="exponent"):
        depth_surface(FOOT, good, 0.5)
    with pytest.raises(ValueError, match="not a number"):
        Station(0.0, 0.0, float("nan"))
