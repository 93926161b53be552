"""A smooth depth surface through the stations of a sole.

depth(x, y) = b0 + b1 x + b2 y - b3 rho^q + sum w_i K(r_i),   K(r) = r^2 ln r (thin plate), with the
usual side conditions that the weights w are orthogonal to the four leading terms. rho runs from 0 where
the long axis meets the widest line to 1 on the outline's two arcs. Planes and bowls of exponent q are
therefore reproduced exactly and every station keeps its own reading; the thin plate bends between them as
little as it can.

source  thin-plate spline: Duchon 1977, in Wahba, Spline Models for Observational Data, SIAM 1990, ch. 2
        (from memory); the bowl term is our own addition, because a sole is cupped and its stations are few
"""

from __future__ import annotations

import math
from collections.abc import Mapping, Sequence
from dataclasses import dataclass
from enum import Enum

import numpy as np

from hoofsense.geometry.sole_outline import FloatArray, SoleOutline, frog_half_width_m, half_width_m

# How steeply a sole falls from its middle to its rim: 1 is a cone, 2 a paraboloid, larger a flat floor with a
# steep rim. An assumption; the value was chosen on the invented soles of tests/geometry.
BOWL_EXPONENT, BOWL_EXPONENT_u = 2.5, 0.6
LEAST_BOWL_EXPONENT, GREATEST_BOWL_EXPONENT = 1.0, 8.0
# Where the trade reads depths: common practice, no source.
RIM_INSET_m = 0.010  # toe and quarters: from the wall's inner edge
APEX_CLEARANCE_m = 0.005  # frog apex: on the sole just in front of it
HEEL_STATION_RATIO = 0.75  # heels: this share of the way from the widest line back to the heel line
PLACEMENT_u_m = 0.003  # how well a hand finds a station, each way; the figure our study was asked for


class DepthPlace(Enum):
    """Where a depth is read, in the trade's words; the first six agree with records.Site."""

    FROG_APEX = "frog apex"
    TOE = "toe"
    MEDIAL_QUARTER = "medial quarter"
    LATERAL_QUARTER = "lateral quarter"
    MEDIAL_HEEL = "medial heel"
    LATERAL_HEEL = "lateral heel"
    MID_SOLE_TOE = "mid-sole toe"  # half way from the frog's apex to the toe
    MID_SOLE_MEDIAL = "mid-sole medial"  # half way from the frog to the medial quarter
    MID_SOLE_LATERAL = "mid-sole lateral"


RIM_PLACES = (
    DepthPlace.TOE,
    DepthPlace.MEDIAL_QUARTER,
    DepthPlace.LATERAL_QUARTER,
    DepthPlace.MEDIAL_HEEL,
    DepthPlace.LATERAL_HEEL,
)
NEEDED_PLACES = (DepthPlace.FROG_APEX, *RIM_PLACES)  # the mid-sole ones sharpen the answer when read


@dataclass(frozen=True, slots=True)
class Station:
    """A depth at a point of the sole, m; x medial, y to the toe."""

    x_m: float
    y_m: float
    depth_m: float

    def __post_init__(self) -> None:
        if not all(map(math.isfinite, (self.x_m, self.y_m, self.depth_m))):
            raise ValueError(f"station at {self.x_m}, {self.y_m} with depth {self.depth_m} is not a number")


@dataclass(frozen=True, slots=True)
class DepthSurface:
    """Coefficients of the surface; depth_m evaluates it.

    radius_m  half-axes that make the coordinates dimensionless: across, to the toe, to the heel
    leading   b0 to b3, m
    weights   one for each station, m; empty when the leading terms alone are meant
    """

    radius_m: tuple[float, float, float]
    exponent: float
    stations: tuple[Station, ...]
    leading: tuple[float, float, float, float]
    weights: tuple[float, ...]


def place_xy_m(outline: SoleOutline, place: DepthPlace) -> tuple[float, float]:
    """Where a station lies on this outline, m."""
    return places_xy_m(outline)[place]


def places_xy_m(outline: SoleOutline) -> dict[DepthPlace, tuple[float, float]]:
    """Where every station lies on this outline, m.

    source  common practice, no source: see the constants of this module
    """
    heel_y = HEEL_STATION_RATIO * outline.heel_y_m
    ys = np.array([0.0, heel_y])
    outer, inner = half_width_m(outline, ys), frog_half_width_m(outline, ys)
    quarter_x, middle_x, heel_x = (
        outer[0] - RIM_INSET_m,
        (outer[0] + inner[0]) / 2.0,
        (outer[1] + inner[1]) / 2.0,
    )
    apex_y = outline.frog_apex_y_m + APEX_CLEARANCE_m if outline.frog_length_m > 0.0 else 0.0
    toe_y = outline.toe_y_m - RIM_INSET_m
    place = DepthPlace
    return {
        place.FROG_APEX: (0.0, apex_y),
        place.TOE: (0.0, toe_y),
        place.MEDIAL_QUARTER: (float(quarter_x), 0.0),
        place.LATERAL_QUARTER: (-float(quarter_x), 0.0),
        place.MEDIAL_HEEL: (float(heel_x), heel_y),
        place.LATERAL_HEEL: (-float(heel_x), heel_y),
        place.MID_SOLE_TOE: (0.0, (apex_y + toe_y) / 2.0),
        place.MID_SOLE_MEDIAL: (float(middle_x), 0.0),
        place.MID_SOLE_LATERAL: (-float(middle_x), 0.0),
    }


def stations_from(outline: SoleOutline, depths_m: Mapping[DepthPlace, float]) -> tuple[Station, ...]:
    """Stations at their usual places on this outline, in the order of depths_m."""
    places = places_xy_m(outline)
    return tuple(Station(*places[place], depth) for place, depth in depths_m.items())


def depth_surface(
    outline: SoleOutline, stations: Sequence[Station], exponent: float = BOWL_EXPONENT
) -> DepthSurface:
    """The surface through every station.

    stations  4 or more, at different points, not all on one line and not all on one ring
    exponent  of the bowl term, 1 (cone) to 8
    raises    ValueError when the stations cannot fix the surface
    """
    if not LEAST_BOWL_EXPONENT <= exponent <= GREATEST_BOWL_EXPONENT:
        raise ValueError(f"bowl exponent {exponent:.2f} is outside 1 to 8: correct the sole's shape")
    count = len(stations)
    if count < 4:
        raise ValueError(f"{count} depths cannot fix a cupped surface: read 4 or more")
    radius = (outline.width_m / 2.0, outline.toe_y_m, -outline.heel_y_m / math.sin(outline.heel_angle))
    x, y = np.array([each.x_m for each in stations]), np.array([each.y_m for each in stations])
    leading = _leading_terms(radius, exponent, x, y)
    terms = leading.shape[1]
    system = np.zeros((count + terms, count + terms))
    system[:count, :count] = _thin_plate(radius, x, y, x, y)
    system[:count, count:] = leading
    system[count:, :count] = leading.T
    right = np.concatenate([[each.depth_m for each in stations], np.zeros(terms)])
    try:
        solved = np.linalg.solve(system, right)
    except np.linalg.LinAlgError:
        solved = np.full_like(right, np.nan)
    fitted = system[:count] @ solved
    scale = float(np.max(np.abs(right))) + 1e-9
    if not np.all(np.abs(fitted - right[:count]) <= FIT_TOLERANCE_RATIO * scale):
        raise ValueError(
            f"{count} depths at these points cannot fix a surface: two share a point, or all lie on one line "
            "or ring; read one more elsewhere"
        )
    return DepthSurface(
        radius, exponent, tuple(stations), tuple(solved[count:].tolist()), tuple(solved[:count].tolist())
    )


FIT_TOLERANCE_RATIO = 1e-6  # a solved system gives its readings back far closer than this, a singular one not


def depth_m(surface: DepthSurface, x_m: FloatArray, y_m: FloatArray) -> FloatArray:
    """Depth at each point, m; x_m and y_m share one shape, which is the answer's. May be below 0 outside."""
    x, y = np.ravel(x_m), np.ravel(y_m)
    depth: FloatArray = _leading_terms(surface.radius_m, surface.exponent, x, y) @ np.array(surface.leading)
    if surface.weights:
        station_x = np.array([each.x_m for each in surface.stations])
        station_y = np.array([each.y_m for each in surface.stations])
        depth = depth + _thin_plate(surface.radius_m, x, y, station_x, station_y) @ np.array(surface.weights)
    return depth.reshape(np.shape(x_m))


def _leading_terms(
    radius_m: tuple[float, float, float], exponent: float, x: FloatArray, y: FloatArray
) -> FloatArray:
    across = x / radius_m[0]
    along = np.where(y >= 0.0, y / radius_m[1], y / radius_m[2])
    rho_squared = across**2 + along**2
    return np.stack([np.ones_like(x), across, y / radius_m[1], -(rho_squared ** (exponent / 2.0))], axis=-1)


def _thin_plate(
    radius_m: tuple[float, float, float],
    x: FloatArray,
    y: FloatArray,
    other_x: FloatArray,
    other_y: FloatArray,
) -> FloatArray:
    squared = ((x[:, None] - other_x) ** 2 + (y[:, None] - other_y) ** 2) / radius_m[0] ** 2
    return squared * np.log(np.maximum(squared, np.finfo(np.float64).tiny)) / 2.0
