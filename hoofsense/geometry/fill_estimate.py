"""A fill with the uncertainty of everything it was reckoned from.

Inputs: every depth (caliper), where each station really was (placement, both ways), the outline and its
proportions, the shape of the sole between the stations, and the trim. All are taken as independent and
carried through by the law of propagation (propagation.py), which is of first order: with 3 mm of placement a
Monte Carlo is wider, by a tenth for a following and a quarter for a level fill. On 500 invented soles
the 90 % intervals still held 89 to 94 %, because the shape's own share was chosen there (tests/geometry).
"""

from __future__ import annotations

from collections.abc import Mapping, Sequence
from dataclasses import dataclass, replace

import numpy as np

from hoofsense.geometry.depth_surface import (
    BOWL_EXPONENT,
    NEEDED_PLACES,
    RIM_PLACES,
    BOWL_EXPONENT_u,
    DepthPlace,
    PLACEMENT_u_m,
    Station,
    depth_m,
    depth_surface,
    places_xy_m,
)
from hoofsense.geometry.fill_volume import RIM_POINTS, Fill, Pad, pad_from_depths, thickness_m
from hoofsense.geometry.propagation import COVERAGE_FACTOR, Input, Propagated, propagated
from hoofsense.geometry.sole_outline import (
    FloatArray,
    Length,
    SoleOutline,
    edge_points_m,
    outline_from,
    sole_nodes,
)
from hoofsense.records import Estimate

# How far the mean depth of a sole departs from the surface through its stations: a share of the arch's height
# and a floor for a flat foot. From the invented soles of tests/geometry, for no published figure was found.
SHAPE_u_RATIO, SHAPE_FLOOR_u_m = 0.03, 0.0001
TRIM_u_m = 0.0005  # how closely a hand takes off the wall it means to; common practice, no source
# A depth that was not read is taken from its neighbours with this standard uncertainty; no source.
MIRRORED_u_m, NEIGHBOURS_u_m = 0.002, 0.0025
MODEL = "depth surface, law of propagation"

_MIRROR = {
    DepthPlace.MEDIAL_QUARTER: DepthPlace.LATERAL_QUARTER,
    DepthPlace.LATERAL_QUARTER: DepthPlace.MEDIAL_QUARTER,
    DepthPlace.MEDIAL_HEEL: DepthPlace.LATERAL_HEEL,
    DepthPlace.LATERAL_HEEL: DepthPlace.MEDIAL_HEEL,
}


@dataclass(frozen=True, slots=True)
class AssumedDepth:
    """A depth nobody read: what was taken for it, from where, and by how much the answer is wider for it.

    widening_ratio  standard uncertainty of the poured volume over what it would be with this depth read;
                    1 until fill_estimates has worked it out
    """

    place: DepthPlace
    depth: Length
    taken_from: str
    widening_ratio: float = 1.0


@dataclass(frozen=True, slots=True)
class FillEstimate:
    """A fill's answers, each in SI with a 90 % interval, and what makes the volume uncertain.

    thickness     after the trim, at each rim place of NEEDED_PLACES and the apex, in that order
    causes        shares of the poured volume's standard uncertainty, m3, largest first
    assumed       depths nobody read
    """

    fill: Fill
    pad: Pad
    poured: Estimate
    volume: Estimate
    area: Estimate
    mean: Estimate
    rim: Estimate
    thinnest: Estimate
    recess: Estimate
    thickness: tuple[tuple[DepthPlace, Estimate], ...]
    causes: tuple[tuple[str, float], ...]
    assumed: tuple[AssumedDepth, ...]


def completed_depths(
    depths: Mapping[DepthPlace, Length],
) -> tuple[dict[DepthPlace, Length], tuple[AssumedDepth, ...]]:
    """Every needed depth: those read, and the missing ones from the other side or from the neighbours.

    raises  ValueError when the frog's apex, or every rim place, is missing: nothing can stand for them
    source  the stand-ins are our own rule, no source
    """
    if DepthPlace.FROG_APEX not in depths:
        raise ValueError("the depth at the frog apex is missing and nothing can stand for it: read it")
    read = [place for place in RIM_PLACES if place in depths]
    if not read:
        raise ValueError("no depth along the wall was read: read at least one of toe, quarters and heels")
    full = {place: depths[place] for place in depths}
    assumed: list[AssumedDepth] = []
    for place in NEEDED_PLACES:
        if place in depths:
            continue
        mirror = _MIRROR.get(place)
        if mirror is not None and mirror in depths:
            stand_in, taken_from = Length(depths[mirror].value_m, MIRRORED_u_m), mirror.value
        else:
            mean_m = sum(depths[each].value_m for each in read) / len(read)
            stand_in, taken_from = Length(mean_m, NEIGHBOURS_u_m), "the mean of the depths along the wall"
        full[place] = stand_in
        assumed.append(AssumedDepth(place, stand_in, taken_from))
    return full, tuple(assumed)


def fill_estimates(
    outline_inputs: Sequence[Input],
    depths: Mapping[DepthPlace, Length],
    fills: Sequence[Fill],
    placement_u_m: float = PLACEMENT_u_m,
) -> tuple[FillEstimate, ...]:
    """Each fill on this foot with its uncertainty; several fills share the work.

    outline_inputs  from sole_outline.outline_inputs, in that order
    depths          read before the trim; the frog's apex and at least one place along the wall
    returns         one FillEstimate for each fill, in order; thickness and volume intervals do not go below 0
    raises          ValueError with the reason for shapes no foot has, missing depths and a trim too deep
    """
    full, assumed = completed_depths(depths)
    places = tuple(full)
    rim_mean_m = sum(full[place].value_m for place in RIM_PLACES) / len(RIM_PLACES)
    arch_m = abs(full[DepthPlace.FROG_APEX].value_m - rim_mean_m)
    depth_inputs = [
        Input(f"depth at {p.value}", full[p].value_m, full[p].standard_uncertainty_m) for p in places
    ]
    shift_inputs = [
        Input(f"placement at {p.value}, {way}", 0.0, placement_u_m)
        for way in ("across", "along")
        for p in places
    ]
    other_inputs = [
        Input("steepness towards the rim", BOWL_EXPONENT, BOWL_EXPONENT_u),
        Input("shape between the stations", 0.0, float(np.hypot(SHAPE_u_RATIO * arch_m, SHAPE_FLOOR_u_m))),
        Input("trim", 0.0, TRIM_u_m if any(fill.trim_m > 0.0 for fill in fills) else 0.0),
    ]
    inputs = [*outline_inputs, *depth_inputs, *shift_inputs, *other_inputs]
    first = len(outline_inputs)
    count = len(places)

    sampled: dict[bytes, _Sampled] = {}  # most inputs leave the outline as it is

    def outputs(values: FloatArray) -> list[float]:
        key = values[:first].tobytes()
        if key not in sampled:
            sampled[key] = _sampled(outline_from(values[:first]))
        sole = sampled[key]
        read_m, across, along = values[first : first + 3 * count].reshape(3, count)
        exponent, shape_m, trim_m = values[first + 3 * count :]
        stations = [
            Station(sole.xy_m[p][0] + float(across[i]), sole.xy_m[p][1] + float(along[i]), float(read_m[i]))
            for i, p in enumerate(places)
        ]
        depth = depth_m(depth_surface(sole.outline, stations, float(exponent)), sole.x_m, sole.y_m)
        size = sole.area_m2.size
        inside, rim, at_places = depth[:size], depth[size : size + RIM_POINTS], depth[size + RIM_POINTS :]
        apex_m = float(read_m[places.index(DepthPlace.FROG_APEX)])  # the reading itself sets the recess
        results: list[float] = []
        for fill in fills:
            actual = (
                replace(fill, trim_m=max(fill.trim_m + float(trim_m), 0.0)) if fill.trim_m > 0.0 else fill
            )
            made = pad_from_depths(inside + shape_m, rim + shape_m, apex_m, sole.area_m2, actual)
            results += [
                made.poured_m3, made.volume_m3, made.area_m2, made.covered_ratio, made.apex_m,
                made.mean_m, made.rim_m, made.thinnest_m, made.recess_m,
                *thickness_m(at_places, apex_m, actual).tolist(),
            ]  # fmt: skip
        return results

    worked = propagated(outputs, inputs)
    each = PAD_FIELDS + len(NEEDED_PLACES)
    return tuple(
        _fill_estimate(fill, worked[k * each : (k + 1) * each], full, assumed, depths)
        for k, fill in enumerate(fills)
    )


PAD_FIELDS = 9  # of fill_volume.Pad, in its order


@dataclass(frozen=True, slots=True)
class _Sampled:
    """Points of one outline: quadrature nodes with their areas, then the rim, then the places asked about."""

    outline: SoleOutline
    xy_m: Mapping[DepthPlace, tuple[float, float]]
    area_m2: FloatArray
    x_m: FloatArray
    y_m: FloatArray


def _sampled(outline: SoleOutline) -> _Sampled:
    nodes, edge, xy_m = sole_nodes(outline), edge_points_m(outline, RIM_POINTS), places_xy_m(outline)
    there = np.array([xy_m[place] for place in NEEDED_PLACES])
    x_m = np.concatenate([nodes.x_m, edge[:, 0], there[:, 0]])
    y_m = np.concatenate([nodes.y_m, edge[:, 1], there[:, 1]])
    return _Sampled(outline, xy_m, nodes.area_m2, x_m, y_m)


def _fill_estimate(
    fill: Fill,
    worked: Sequence[Propagated],
    full: Mapping[DepthPlace, Length],
    assumed: Sequence[AssumedDepth],
    depths: Mapping[DepthPlace, Length],
) -> FillEstimate:
    poured, volume, area, _covered, _apex, mean, rim, thinnest, recess = worked[:PAD_FIELDS]
    read_u_m = float(np.median([each.standard_uncertainty_m for each in depths.values()]))
    widened = []
    for each in assumed:
        share = next(c for c in poured.contributions if c.name == f"depth at {each.place.value}")
        saved = share.standard_uncertainty**2 * (1.0 - (read_u_m / each.depth.standard_uncertainty_m) ** 2)
        left = poured.standard_uncertainty**2 - saved
        widened.append(replace(each, widening_ratio=poured.standard_uncertainty / float(np.sqrt(left))))
    reason = (
        f"{len(depths)} depths read, {len(assumed)} taken from the others"
        if assumed
        else f"{len(depths)} depths read"
    )

    def told(name: str, unit: str, of: Propagated, least: float = 0.0) -> Estimate:
        half = COVERAGE_FACTOR * of.standard_uncertainty
        low = max(of.value - half, least)
        return Estimate(name, of.value, low, of.value + half, unit, MODEL, True, reason)

    return FillEstimate(
        fill=fill,
        pad=Pad(*(each.value for each in worked[:PAD_FIELDS])),
        poured=told("poured_volume", "m3", poured),
        volume=told("pad_volume", "m3", volume),
        area=told("sole_area", "m2", area),
        mean=told("mean_thickness", "m", mean),
        rim=told("rim_thickness", "m", rim),
        thinnest=told("least_thickness", "m", thinnest),
        recess=told("recess_below_wall", "m", recess),
        thickness=tuple(
            (place, told(f"thickness at {place.value}", "m", at))
            for place, at in zip(NEEDED_PLACES, worked[PAD_FIELDS:], strict=True)
        ),
        causes=tuple((c.name, c.standard_uncertainty) for c in poured.contributions),
        assumed=tuple(widened),
    )
