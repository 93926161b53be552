"""What a tilted foot does to a self-levelling fill, and how level is level enough.

A liquid's free surface stays horizontal, so in a foot held askew by an angle t the pad thickens on the low
side and thins on the high side while its volume stays. Seen from the foot, the surface is the plane

    recess(x, y) = recess_0 + tan t . (u . (x, y))      u: unit vector to the high side

Where material covers the whole sole, thickness = level thickness - tan t . u . ((x, y) - centroid) exactly
(a wedge). Where it runs out, the plane moves until the volume is the same again.
"""

from __future__ import annotations

import math
from collections.abc import Sequence
from dataclasses import dataclass

import numpy as np
from scipy.optimize import brentq

from hoofsense.geometry.depth_surface import Station
from hoofsense.geometry.sole_outline import FloatArray, Nodes

GREATEST_TILT_rad = math.radians(30.0)  # nobody pours a foot held further askew; common practice, no source
VOLUME_TOLERANCE_RATIO = 1e-10  # of the poured volume, in solving for the plane


@dataclass(frozen=True, slots=True)
class TiltedFill:
    """The free surface of a fill in a tilted foot.

    recess_m   of the surface below the wall's ground surface at x = y = 0, m
    slope_x    rise of the recess per metre to the medial side, 1 (tangent)
    slope_y    the same to the toe
    spills     the surface stands above the wall's ground surface somewhere along the rim: it runs over
    """

    recess_m: float
    slope_x: float
    slope_y: float
    spills: bool


@dataclass(frozen=True, slots=True)
class LevelTolerance:
    """How far askew the foot may be held, and which place is thinned first.

    tilt_rad  0 when a place is too thin on a level foot already; at most 30 degrees
    place     index into the places asked about
    """

    tilt_rad: float
    place: int


def tilted_fill(
    nodes: Nodes,
    depth_m: FloatArray,
    volume_m3: float,
    tilt_rad: float,
    high_side_rad: float,
    rim: Sequence[Station] = (),
) -> TiltedFill:
    """Where the free surface comes to rest in a foot tilted by tilt_rad.

    nodes          of the sole
    depth_m        at the nodes when the foot is filled, shape (n,)
    volume_m3      poured, above 0
    tilt_rad       0 to 30 degrees
    high_side_rad  bearing of the raised side: 0 is medial, +pi/2 the toe
    rim            points along the wall, to tell whether it spills
    raises         ValueError outside those ranges
    accuracy       volume kept to 1e-10; the wedge formula to rounding where nothing runs out
    """
    if not volume_m3 > 0.0:
        raise ValueError(f"volume {volume_m3} m3 must be above 0: reckon the fill first")
    if not 0.0 <= tilt_rad <= GREATEST_TILT_rad:
        raise ValueError(f"tilt {math.degrees(tilt_rad):.1f} degrees is outside 0 to 30: hold the foot level")
    slope = math.tan(tilt_rad)
    slope_x, slope_y = slope * math.cos(high_side_rad), slope * math.sin(high_side_rad)
    above_plane = depth_m - slope_x * nodes.x_m - slope_y * nodes.y_m
    recess = _recess_holding(volume_m3, above_plane, nodes.area_m2)
    spills = any(recess + slope_x * each.x_m + slope_y * each.y_m < 0.0 for each in rim)
    return TiltedFill(recess, slope_x, slope_y, spills)


def tilted_thickness_m(
    tilted: TiltedFill, x_m: FloatArray, y_m: FloatArray, depth_m: FloatArray
) -> FloatArray:
    """Thickness under a tilted free surface where the sole is depth_m deep; shapes broadcast, m."""
    return np.maximum(depth_m - tilted.recess_m - tilted.slope_x * x_m - tilted.slope_y * y_m, 0.0)


def level_tolerance(
    nodes: Nodes, depth_m: FloatArray, volume_m3: float, places: Sequence[Station], minimum_m: float
) -> LevelTolerance:
    """The greatest tilt, whichever way, that leaves every place at least minimum_m thick.

    places     where the thickness matters, with their depths when the foot is filled; 1 or more
    minimum_m  above 0
    accuracy   exact where material covers the whole sole; otherwise each place is tried with its own side
               raised, seen from the centroid of the covered sole, within 3 % of the worst of all bearings
               (tests/geometry)
    """
    if not places:
        raise ValueError("no place was named: say where the pad must not be too thin")
    if not minimum_m > 0.0:
        raise ValueError(f"least thickness {1e3 * minimum_m:.1f} mm must be above 0: choose one")
    level = _recess_holding(volume_m3, depth_m, nodes.area_m2)
    covered = nodes.area_m2 * (depth_m > level)
    centre_x, centre_y = (
        float(np.dot(covered, axis)) / float(np.sum(covered)) for axis in (nodes.x_m, nodes.y_m)
    )
    steepest = math.tan(GREATEST_TILT_rad)
    worst = LevelTolerance(GREATEST_TILT_rad, 0)
    for number, place in enumerate(places):
        if place.depth_m - level < minimum_m:
            return LevelTolerance(0.0, number)
        away_x, away_y = place.x_m - centre_x, place.y_m - centre_y
        reach = math.hypot(away_x, away_y)
        if reach == 0.0:
            continue
        lean = (away_x * (nodes.x_m - place.x_m) + away_y * (nodes.y_m - place.y_m)) / reach
        thinnest_recess_m = place.depth_m - minimum_m

        def surplus_m3(slope: float, lean: FloatArray = lean, recess_m: float = thinnest_recess_m) -> float:
            held = np.dot(np.maximum(depth_m - recess_m - slope * lean, 0.0), nodes.area_m2)
            return float(held) - volume_m3

        if surplus_m3(steepest) <= 0.0:
            continue
        tilt = math.atan(brentq(surplus_m3, 0.0, steepest))
        if tilt < worst.tilt_rad:
            worst = LevelTolerance(tilt, number)
    return worst


def spill_tilt_rad(nodes: Nodes, depth_m: FloatArray, volume_m3: float, rim: Sequence[Station]) -> float:
    """The tilt at which the fill first stands as high as the wall's ground surface on its low side, rad.

    rim      points along the wall's inner edge; 8 or more round the foot
    returns  0 to 30 degrees (30: it does not run over below that)
    accuracy each rim point is tried as the lowest, leaning towards it from the middle of the sole
    """
    if not rim:
        raise ValueError("no rim point was given: pass points along the outline")
    steepest = math.tan(GREATEST_TILT_rad)
    if _recess_holding(volume_m3, depth_m, nodes.area_m2) <= 0.0:
        return 0.0
    total = float(np.sum(nodes.area_m2))
    centre_x, centre_y = (float(np.dot(nodes.area_m2, axis)) / total for axis in (nodes.x_m, nodes.y_m))
    least = steepest
    for low in rim:
        away_x, away_y = low.x_m - centre_x, low.y_m - centre_y
        reach = math.hypot(away_x, away_y)
        if reach == 0.0:
            continue
        behind = (away_x * (low.x_m - nodes.x_m) + away_y * (low.y_m - nodes.y_m)) / reach

        def room_m3(slope: float, behind: FloatArray = behind) -> float:
            held = np.dot(np.maximum(depth_m - slope * behind, 0.0), nodes.area_m2)
            return float(held) - volume_m3

        if room_m3(least) < 0.0:
            least = float(brentq(room_m3, 0.0, least))
    return math.atan(least)


def _recess_holding(volume_m3: float, depth: FloatArray, area: FloatArray) -> float:
    deepest, shallowest = float(np.max(depth)), float(np.min(depth))
    full = shallowest - volume_m3 / float(np.sum(area))  # every node covered: volume is at least volume_m3

    def surplus_ratio(recess: float) -> float:
        return float(np.dot(np.maximum(depth - recess, 0.0), area)) / volume_m3 - 1.0

    recess = float(brentq(surplus_ratio, full, deepest, xtol=1e-15, rtol=1e-14))
    if abs(surplus_ratio(recess)) > VOLUME_TOLERANCE_RATIO:
        raise ValueError(
            f"no level holds {1e6 * volume_m3:.1f} mL on this sole: check the volume and the depths"
        )
    return recess
