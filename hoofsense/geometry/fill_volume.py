"""How much material a fill takes and how thick the pad becomes, before or after the wall is trimmed.

A level fill has a flat free surface parallel to the wall's ground surface (a self-levelling material in a
foot held level): thickness = max(0, depth - recess). A following fill is sculpted to the same share of
the depth everywhere: thickness = share x depth. The share is reckoned at the frog's apex; about half is
common practice, no source.
"""

from __future__ import annotations

import math
from dataclasses import dataclass
from enum import Enum

import numpy as np

from hoofsense.geometry.depth_surface import (
    DepthPlace,
    DepthSurface,
    depth_m,
    place_xy_m,
)
from hoofsense.geometry.sole_outline import FloatArray, Nodes, SoleOutline, edge_points_m, on_sole, sole_nodes

USUAL_SHARE_RATIO = 0.5  # of the depth at the frog's apex; common practice, no source
RIM_POINTS = 48  # along the outline's arcs


class FillShape(Enum):
    LEVEL = "level"  # flat free surface, self-levelled or struck off
    FOLLOWING = "following the sole"  # the same share of the depth everywhere


class Order(Enum):
    POUR_FIRST = "pour before trim"
    TRIM_FIRST = "trim before pour"


@dataclass(frozen=True, slots=True)
class Fill:
    """How a pad is poured and when the wall is trimmed.

    share_ratio  of the depth at the frog's apex, above 0 to 1
    trim_m       taken off the wall's ground surface evenly, 0 or more; 0: no trim, and the order is nothing
    """

    share_ratio: float = USUAL_SHARE_RATIO
    shape: FillShape = FillShape.LEVEL
    trim_m: float = 0.0
    order: Order = Order.TRIM_FIRST

    def __post_init__(self) -> None:
        if not 0.0 < self.share_ratio <= 1.0:
            raise ValueError(
                f"share {self.share_ratio:.2f} of the depth is outside 0 to 1: choose about a half"
            )
        if not 0.0 <= self.trim_m < math.inf:
            raise ValueError(f"trim {1e3 * self.trim_m:.1f} mm must be 0 or more: correct it")


@dataclass(frozen=True, slots=True)
class Pad:
    """What a fill comes to, after the trim. SI.

    poured_m3        material on the foot before any of it is trimmed away with the wall
    volume_m3        material that stays
    area_m2          of the sole without the frog
    covered_ratio    share of that area with material on it
    apex_m           thickness at the frog's apex
    mean_m           volume_m3 / area_m2
    rim_m            mean thickness along the wall
    thinnest_m       least thickness on the sole, rim included
    recess_m         from the trimmed wall's ground surface down to the pad at the frog's apex; a pad that
                     would stand proud is trimmed flush with the wall: 0
    """

    poured_m3: float
    volume_m3: float
    area_m2: float
    covered_ratio: float
    apex_m: float
    mean_m: float
    rim_m: float
    thinnest_m: float
    recess_m: float


def thickness_m(depth: FloatArray, apex_depth_m: float, fill: Fill) -> FloatArray:
    """Thickness of the pad after the trim where the sole lay depth deep before it; shape of depth, m."""
    return _poured_and_kept(depth, apex_depth_m, fill)[1]


def pad(outline: SoleOutline, surface: DepthSurface, fill: Fill, nodes: Nodes | None = None) -> Pad:
    """Volume and thickness of a fill on this sole.

    surface  depths before the trim
    nodes    quadrature to use; None: sole_nodes(outline)
    raises   ValueError when the trim would take the wall down to the sole at the frog's apex
    accuracy 0.1 % of exact solids (cylinder, cone, cap, paraboloid, wedge); see tests/geometry
    """
    rule = nodes or sole_nodes(outline)
    x, y = place_xy_m(outline, DepthPlace.FROG_APEX)
    edge = edge_points_m(outline, RIM_POINTS)
    depths = depth_m(
        surface, np.concatenate([rule.x_m, edge[:, 0], [x]]), np.concatenate([rule.y_m, edge[:, 1], [y]])
    )
    return pad_from_depths(
        depths[: rule.x_m.size], depths[rule.x_m.size : -1], float(depths[-1]), rule.area_m2, fill
    )


def pad_from_depths(
    depth: FloatArray, rim_depth: FloatArray, apex_depth_m: float, area_m2: FloatArray, fill: Fill
) -> Pad:
    """The same from depths already sampled: shape (n,) at nodes of area_m2 (n,), and (k,) along the rim."""
    poured, kept = _poured_and_kept(depth, apex_depth_m, fill)
    apex = float(_poured_and_kept(np.array([apex_depth_m]), apex_depth_m, fill)[1][0])
    rim = _poured_and_kept(rim_depth, apex_depth_m, fill)[1]
    area, volume = float(np.sum(area_m2)), float(np.dot(kept, area_m2))
    return Pad(
        poured_m3=float(np.dot(poured, area_m2)),
        volume_m3=volume,
        area_m2=area,
        covered_ratio=float(np.sum(area_m2[kept > 0.0])) / area,
        apex_m=apex,
        mean_m=volume / area,
        rim_m=float(np.mean(rim)),
        thinnest_m=float(min(np.min(kept), np.min(rim))),
        recess_m=apex_depth_m - fill.trim_m - apex,
    )


def recess_below_wall_m(apex_depth_m: float, fill: Fill) -> float:
    """From the wall's ground surface, as it is when the foot is filled, to a level fill's surface, m."""
    filled_m = apex_depth_m - (fill.trim_m if fill.order is Order.TRIM_FIRST else 0.0)
    return (1.0 - fill.share_ratio) * filled_m


@dataclass(frozen=True, slots=True)
class ThicknessMap:
    """Thickness on a square grid, m; NaN off the sole.

    x_m (columns,), y_m (rows,), thickness_m (rows, columns)."""

    x_m: FloatArray
    y_m: FloatArray
    thickness_m: FloatArray


def thickness_map(
    outline: SoleOutline, surface: DepthSurface, fill: Fill, spacing_m: float = 0.003
) -> ThicknessMap:
    """The pad's thickness over the sole, for a drawing.

    spacing_m  of the grid, 0.5 to 20 mm
    """
    if not 0.0005 <= spacing_m <= 0.02:
        raise ValueError(f"grid spacing {1e3 * spacing_m:.2f} mm is outside 0.5 to 20 mm: 3 mm draws well")
    half = outline.width_m / 2.0
    xs = np.arange(-half, half + spacing_m, spacing_m)
    ys = np.arange(outline.heel_y_m, outline.toe_y_m + spacing_m, spacing_m)
    x, y = np.meshgrid(xs, ys)
    apex_x, apex_y = place_xy_m(outline, DepthPlace.FROG_APEX)
    apex = float(depth_m(surface, np.array([apex_x]), np.array([apex_y]))[0])
    thickness = thickness_m(depth_m(surface, x, y), apex, fill)
    return ThicknessMap(xs, ys, np.where(on_sole(outline, x, y), thickness, np.nan))


def _poured_and_kept(depth: FloatArray, apex_depth_m: float, fill: Fill) -> tuple[FloatArray, FloatArray]:
    if apex_depth_m <= fill.trim_m:
        raise ValueError(
            f"trimming {1e3 * fill.trim_m:.1f} mm off the wall reaches the sole at the frog's apex, which "
            f"lies {1e3 * apex_depth_m:.1f} mm deep: trim less or measure the depth again"
        )
    trim_first = fill.order is Order.TRIM_FIRST
    filled = depth - fill.trim_m if trim_first else depth
    if fill.shape is FillShape.LEVEL:
        poured = np.maximum(filled - recess_below_wall_m(apex_depth_m, fill), 0.0)
    else:
        poured = fill.share_ratio * np.maximum(filled, 0.0)
    if trim_first:
        return poured, poured
    return poured, np.clip(
        depth - fill.trim_m, 0.0, poured
    )  # what stands proud of the trimmed wall goes with it
