"""The outline of the sole inside the wall, with the frog left out.

Two arcs meet at the widest line with a common tangent. With a the angle from that line:

    toe half    y = p L sin a             half width = (W/2) cos a (1 + e sin^2 a)    0 <= a <= pi/2
    heel half   y = -(1-p) L sin a / k    half width = (W/2) cos a                    0 <= a <= acos h

L length, W width, p share of the length in front of the widest line, h width at the heel line over W,
k = sqrt(1 - h^2), e fullness of the toe. p = 1/2, h = 0, e = 0 is an ellipse. The frog is an isosceles
triangle with its base on the heel line. All in m, axes as in the package's docstring.

source  our own construction; every proportion is common practice, no source
"""

from __future__ import annotations

import math
from collections.abc import Sequence
from dataclasses import dataclass
from itertools import pairwise

import numpy as np
from numpy.typing import NDArray

from hoofsense.geometry.propagation import Input
from hoofsense.records import Foot

FloatArray = NDArray[np.float64]

LEAST_FOOT_m = 0.03  # a newborn foal's; common practice, no source
GREATEST_FOOT_m = 0.40  # well above a draught horse's; common practice, no source
LEAST_WIDEST_RATIO = 0.2  # bounds of the construction, far outside any foot
GREATEST_WIDEST_RATIO = 0.8
GREATEST_TOE_FULLNESS_RATIO = 0.4  # from 1/2 on the widest line would not be the widest (curvature at a = 0)
GAUSS_OFFSET = 1.0 / math.sqrt(3.0)  # nodes of the two-point Gauss-Legendre rule on -1 to 1
DEFAULT_PANELS = 6  # fills within 0.05 % of 48 panels (tests/geometry)

# Proportions taken when not measured, with standard uncertainties: common practice, no source.
WALL_m, WALL_u_m = 0.009, 0.0015  # wall seen from below, toe and quarters alike
WIDEST_RATIO, WIDEST_u_RATIO = 0.50, 0.03
HEEL_WIDTH_RATIO, HEEL_WIDTH_u_RATIO = 0.70, 0.05
FORE_TOE_FULLNESS_RATIO, HIND_TOE_FULLNESS_RATIO, TOE_FULLNESS_u_RATIO = 0.0, -0.12, 0.08
FROG_LENGTH_RATIO, FROG_LENGTH_u_RATIO = 0.65, 0.05  # of the foot's length
FROG_WIDTH_RATIO, FROG_WIDTH_u_RATIO = 0.55, 0.08  # of the frog's length


@dataclass(frozen=True, slots=True)
class SoleOutline:
    """The ground plan of the sole between the wall's inner edges.

    length_m            toe to the line through the heels, along the long axis; 0.03 to 0.4
    width_m             at the widest line; 0.03 to 0.4
    frog_length_m       apex to the heel line; 0 for a sole reckoned without a frog
    frog_width_m        at the heel line; less than the outline's own width there
    widest_at_ratio     share of the length in front of the widest line, 0.2 to 0.8
    heel_width_ratio    width at the heel line over the greatest width, 0 up to, not including, 1
    toe_fullness_ratio  -0.4 (pointed) to 0.4 (square); 0 is an ellipse
    raises              ValueError with the reason when no foot can have this shape
    """

    length_m: float
    width_m: float
    frog_length_m: float = 0.0
    frog_width_m: float = 0.0
    widest_at_ratio: float = WIDEST_RATIO
    heel_width_ratio: float = HEEL_WIDTH_RATIO
    toe_fullness_ratio: float = FORE_TOE_FULLNESS_RATIO

    def __post_init__(self) -> None:
        for name, value in (("length", self.length_m), ("width", self.width_m)):
            if not LEAST_FOOT_m <= value <= GREATEST_FOOT_m:
                raise ValueError(
                    f"sole {name} {1e3 * value:.1f} mm is outside {1e3 * LEAST_FOOT_m:.0f} to "
                    f"{1e3 * GREATEST_FOOT_m:.0f} mm: measure it again and check its unit"
                )
        for name, ratio, low, high in (
            ("widest line's share", self.widest_at_ratio, LEAST_WIDEST_RATIO, GREATEST_WIDEST_RATIO),
            ("heel width ratio", self.heel_width_ratio, 0.0, math.nextafter(1.0, 0.0)),
            (
                "toe fullness",
                self.toe_fullness_ratio,
                -GREATEST_TOE_FULLNESS_RATIO,
                GREATEST_TOE_FULLNESS_RATIO,
            ),
        ):
            if not low <= ratio <= high:
                raise ValueError(
                    f"{name} {ratio:.3f} is outside {low:.2f} to {high:.2f}: correct the proportions"
                )
        if not 0.0 <= self.frog_length_m < self.length_m:
            raise ValueError(
                f"a frog {1e3 * self.frog_length_m:.1f} mm long does not fit a sole "
                f"{1e3 * self.length_m:.1f} mm long: measure both again"
            )
        between_heels_m = self.heel_width_ratio * self.width_m
        if not (
            self.frog_width_m >= 0.0 and (self.frog_length_m == 0.0 or self.frog_width_m < between_heels_m)
        ):
            raise ValueError(
                f"a frog {1e3 * self.frog_width_m:.1f} mm wide leaves no sole between heels "
                f"{1e3 * between_heels_m:.1f} mm apart: measure the frog's width and the foot's width again"
            )

    @property
    def toe_y_m(self) -> float:
        return self.widest_at_ratio * self.length_m

    @property
    def heel_y_m(self) -> float:
        return -(1.0 - self.widest_at_ratio) * self.length_m

    @property
    def frog_apex_y_m(self) -> float:
        return self.heel_y_m + self.frog_length_m

    @property
    def heel_angle(self) -> float:
        """Angle a where the heel arc meets the heel line, rad."""
        return math.acos(self.heel_width_ratio)


@dataclass(frozen=True, slots=True)
class Nodes:
    """Where a sole is sampled and how much area each sample stands for; shape (n,), not writable."""

    x_m: FloatArray
    y_m: FloatArray
    area_m2: FloatArray


def half_width_m(outline: SoleOutline, y_m: FloatArray) -> FloatArray:
    """Half the sole's width at y, shape (...) like y; 0 in front of the toe and behind the heel line."""
    toe_sine = np.clip(y_m / outline.toe_y_m, 0.0, 1.0)
    heel_sine = np.clip(y_m / outline.heel_y_m, 0.0, 1.0) * math.sin(outline.heel_angle)
    toe = np.sqrt(1.0 - toe_sine**2) * (1.0 + outline.toe_fullness_ratio * toe_sine**2)
    heel = np.sqrt(1.0 - heel_sine**2)
    inside = (y_m <= outline.toe_y_m) & (y_m >= outline.heel_y_m)
    return np.where(inside, outline.width_m / 2.0 * np.where(y_m >= 0.0, toe, heel), 0.0)


def frog_half_width_m(outline: SoleOutline, y_m: FloatArray) -> FloatArray:
    """Half the frog's width at y, shape (...) like y; 0 in front of its apex and behind the heel line."""
    if outline.frog_length_m == 0.0:
        return np.zeros_like(y_m)
    behind_apex = (outline.frog_apex_y_m - y_m) / outline.frog_length_m
    return np.where(y_m >= outline.heel_y_m, np.maximum(behind_apex, 0.0) * outline.frog_width_m / 2.0, 0.0)


def on_sole(outline: SoleOutline, x_m: FloatArray, y_m: FloatArray) -> NDArray[np.bool_]:
    """Whether each point lies inside the outline and off the frog; shapes broadcast."""
    reach = np.abs(x_m)
    return (
        (y_m >= outline.heel_y_m)
        & (y_m <= outline.toe_y_m)
        & (reach <= half_width_m(outline, y_m))
        & (reach >= frog_half_width_m(outline, y_m))
    )


def sole_area_m2(outline: SoleOutline) -> float:
    """Area inside the outline less the frog, m2, in closed form.

    source  integrals of cos^2 a and cos^2 a sin^2 a over the two arcs; the frog never crosses the outline,
            because it ends inside it at the heel line and the outline bulges outward
    """
    angle = outline.heel_angle
    toe = outline.toe_y_m * (math.pi / 4.0 + outline.toe_fullness_ratio * math.pi / 16.0)
    heel = -outline.heel_y_m / math.sin(angle) * (angle + math.sin(angle) * math.cos(angle)) / 2.0
    return outline.width_m * (toe + heel) - outline.frog_length_m * outline.frog_width_m / 2.0


def sole_nodes(outline: SoleOutline, panels: int = DEFAULT_PANELS) -> Nodes:
    """Nodes and areas of a product rule over the sole without the frog.

    The angle a makes the rounded ends smooth; each arc is cut at the frog's apex, each side of the long axis
    is integrated from the frog's edge to the outline, all by two-point Gauss-Legendre panels.

    panels   panels for each piece and each side, 1 to 200
    returns  12 to 24 panels^2 nodes (two or three pieces), medial side x > 0 and lateral side x < 0
    accuracy fourth order in the panel width for a smooth depth; second order where a fill runs out
    """
    if not 1 <= panels <= 200:
        raise ValueError(f"{panels} panels is outside 1 to 200: 6 is enough for a foot")
    toe_y, heel_y, sine = outline.toe_y_m, outline.heel_y_m, math.sin(outline.heel_angle)
    apex_y = outline.frog_apex_y_m if outline.frog_length_m > 0.0 else 0.0
    y_parts, weight_parts = [], []
    for height, limit in ((toe_y, math.pi / 2.0), (heel_y / sine, outline.heel_angle)):
        cut = math.asin(min(max(apex_y / height, 0.0), 1.0))
        edges = [0.0, cut, limit] if 0.0 < cut < limit else [0.0, limit]
        for low, high in pairwise(edges):
            angles, steps = _gauss_panels(low, high, panels)
            y_parts.append(height * np.sin(angles))
            weight_parts.append(abs(height) * np.cos(angles) * steps)
    y, weight = np.concatenate(y_parts), np.concatenate(weight_parts)
    inner, outer = frog_half_width_m(outline, y), half_width_m(outline, y)
    across, across_steps = _gauss_panels(0.0, 1.0, panels)
    x = inner[:, None] + (outer - inner)[:, None] * across[None, :]
    area = (weight * (outer - inner))[:, None] * across_steps[None, :]
    y_all = np.broadcast_to(y[:, None], x.shape)
    return Nodes(
        _frozen(np.concatenate([x.ravel(), -x.ravel()])),
        _frozen(np.concatenate([y_all.ravel(), y_all.ravel()])),
        _frozen(np.concatenate([area.ravel(), area.ravel()])),
    )


def edge_points_m(outline: SoleOutline, count: int = 96) -> FloatArray:
    """Points along the outline from the lateral heel round the toe to the medial heel, shape (count, 2)."""
    if count < 8:
        raise ValueError(f"{count} points cannot draw an outline: ask for 8 or more")
    sine = math.sin(outline.heel_angle)
    turn = np.linspace(-outline.heel_angle - math.pi / 2.0, outline.heel_angle + math.pi / 2.0, count)
    angle = math.pi / 2.0 - np.abs(turn)  # of the widest line; below 0 on the heel arc
    y = np.where(angle >= 0.0, outline.toe_y_m * np.sin(angle), -outline.heel_y_m / sine * np.sin(angle))
    y = np.clip(y, outline.heel_y_m, outline.toe_y_m)
    return np.stack([np.sign(turn) * half_width_m(outline, y), y], axis=1)


def frog_points_m(outline: SoleOutline) -> FloatArray:
    """The frog's three corners: lateral, apex, medial; shape (3, 2). All on the heel line if it has none."""
    half, heel = outline.frog_width_m / 2.0 * (outline.frog_length_m > 0.0), outline.heel_y_m
    return np.array([[-half, heel], [0.0, outline.frog_apex_y_m], [half, heel]])


@dataclass(frozen=True, slots=True)
class Length:
    """A measured length with its standard uncertainty, m."""

    value_m: float
    standard_uncertainty_m: float


def outline_inputs(
    foot: Foot,
    foot_length: Length,
    foot_width: Length,
    frog_length: Length | None = None,
    frog_width: Length | None = None,
    wall: Length | None = None,
) -> tuple[Input, ...]:
    """What an outline is made of, each with its uncertainty, in the order outline_from takes them.

    foot          fore or hind decides the toe's usual fullness
    foot_length   toe to the line through the heels, outside the wall
    foot_width    at the widest line, outside the wall
    frog_length   apex to the heel line; None: the usual share of the foot's length
    frog_width    at the heel line; None: the usual share of the frog's length
    wall          thickness of the wall seen from below; None: the usual 9 mm. 0 when the foot was measured
                  inside the wall
    source        the usual proportions are common practice, no source
    """
    wall = wall or Length(WALL_m, WALL_u_m)
    frog_length = frog_length or Length(
        FROG_LENGTH_RATIO * foot_length.value_m, FROG_LENGTH_u_RATIO * foot_length.value_m
    )
    frog_width = frog_width or Length(
        FROG_WIDTH_RATIO * frog_length.value_m, FROG_WIDTH_u_RATIO * frog_length.value_m
    )
    fullness = FORE_TOE_FULLNESS_RATIO if foot in (Foot.LF, Foot.RF) else HIND_TOE_FULLNESS_RATIO
    return (
        Input("foot length", foot_length.value_m, foot_length.standard_uncertainty_m),
        Input("foot width", foot_width.value_m, foot_width.standard_uncertainty_m),
        Input("frog length", frog_length.value_m, frog_length.standard_uncertainty_m),
        Input("frog width", frog_width.value_m, frog_width.standard_uncertainty_m),
        Input("wall thickness", wall.value_m, wall.standard_uncertainty_m),
        Input("place of the widest line", WIDEST_RATIO, WIDEST_u_RATIO),
        Input("width at the heels", HEEL_WIDTH_RATIO, HEEL_WIDTH_u_RATIO),
        Input("fullness of the toe", fullness, TOE_FULLNESS_u_RATIO),
    )


def outline_from(values: Sequence[float] | FloatArray) -> SoleOutline:
    """The outline inside the wall from the values of outline_inputs, in their order.

    The wall is taken off the length once (at the toe; the heel line stays) and off the width twice.
    raises  ValueError when no foot can have this shape
    """
    length, width, frog_length, frog_width, wall, widest, heel_width, fullness = (float(v) for v in values)
    return SoleOutline(
        length - wall, width - 2.0 * wall, frog_length, frog_width, widest, heel_width, fullness
    )


def _gauss_panels(low: float, high: float, panels: int) -> tuple[FloatArray, FloatArray]:
    half = (high - low) / (2.0 * panels)
    middles = low + half * (2.0 * np.arange(panels) + 1.0)
    nodes = (middles[:, None] + half * np.array([-GAUSS_OFFSET, GAUSS_OFFSET])[None, :]).ravel()
    return nodes, np.full(2 * panels, half)


def _frozen(values: FloatArray) -> FloatArray:
    values.setflags(write=False)
    return values
