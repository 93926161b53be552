"""How much to mix, in how many goes, how thick the pad comes out and how level the foot must be held.

From the caliper sheet's lengths and a practice's own settings; every answer carries the uncertainty of what
was measured and of what had to be assumed. The settings' defaults are common practice, no source.
"""

from __future__ import annotations

import math
from collections.abc import Mapping
from dataclasses import dataclass, replace

from hoofsense.estimators.pour_words import (
    CheckLine,
    PourTemperatures,
    assumed_words,
    check_list,
    warm_up_advice,
    widening_ratio,
)
from hoofsense.estimators.sheet_sites import DEPTH_SITES, MID_SOLE_SITES, SheetSite, depth_place, pad_site
from hoofsense.geometry.depth_surface import (
    NEEDED_PLACES,
    DepthPlace,
    Station,
    depth_m,
    depth_surface,
    places_xy_m,
    stations_from,
)
from hoofsense.geometry.fill_estimate import FillEstimate, completed_depths, fill_estimates
from hoofsense.geometry.fill_volume import USUAL_SHARE_RATIO, Fill, FillShape, Order, recess_below_wall_m
from hoofsense.geometry.level_tilt import level_tolerance, spill_tilt_rad
from hoofsense.geometry.propagation import COVERAGE_FACTOR, Input
from hoofsense.geometry.sole_outline import Length, edge_points_m, outline_from, outline_inputs, sole_nodes
from hoofsense.physics.equivalent_age import age_factor
from hoofsense.records import Estimate, Foot, MaterialProfile

MODEL = "pour plan"
# A foot measured one way only: about as wide as long; common practice, no source.
WIDTH_OVER_LENGTH_RATIO, WIDTH_OVER_LENGTH_u_RATIO = 0.97, 0.06
MEASURED_u_RATIO = 0.2  # what is left of an assumed length's uncertainty once it is measured (our choice)
# Working time without the cure engine: Arrhenius on the hottest of material, sole and air, with the doubt of
# equivalent age used by cure_readiness (0.6 to 1.8 times).
WORK_EARLY_RATIO, WORK_LATE_RATIO = 0.6, 1.8
SPILL_POINTS = 16  # rim points tried as the lowest
MOST_POURS = 2


@dataclass(frozen=True, slots=True)
class PourSettings:
    """How a practice pours; every default is common practice, no source, and meant to be edited.

    unit_m3              usable content of one whole unit of material
    share_ratio, shape   see fill_volume.Fill
    trim_m, order        taken off the wall around the pour; order says which comes first
    least_thickness_m    a pad thinner than this anywhere it is measured is not wanted
    sculpting_ratio      extra material worked off while sculpting, of the fill
    nozzle_m3            left in each mixing nozzle
    dispense_m3_per_s    how fast a hand gets it out
    handling_s           spreading and covering, for each pour
    work_share_ratio     of the working time (its low end) that may be planned away
    """

    unit_m3: float
    share_ratio: float = USUAL_SHARE_RATIO
    shape: FillShape = FillShape.LEVEL
    trim_m: float = 0.0
    order: Order = Order.POUR_FIRST
    least_thickness_m: float = 0.003
    sculpting_ratio: float = 0.08
    nozzle_m3: float = 8e-6
    dispense_m3_per_s: float = 2e-6
    handling_s: float = 30.0
    work_share_ratio: float = 0.8

    def __post_init__(self) -> None:
        for name in ("unit_m3", "dispense_m3_per_s", "least_thickness_m", "work_share_ratio"):
            if not 0.0 < getattr(self, name) < math.inf:
                raise ValueError(f"{name} {getattr(self, name)} must be above 0: correct the settings")
        for name in ("sculpting_ratio", "nozzle_m3", "handling_s"):
            if not 0.0 <= getattr(self, name) < math.inf:
                raise ValueError(f"{name} {getattr(self, name)} must be 0 or more: correct the settings")


@dataclass(frozen=True, slots=True)
class PourPlan:
    """Everything a page of pour plan says. SI; every Estimate holds 90 %.

    volume, mass     to be mixed, waste included (m3, kg)
    units            whole units that suffice 19 times in 20
    pours            1 or 2; fits: whether they fit the working time
    pour_s           time each pour takes, s
    fill             the chosen fill; orders: with the trim after and before the pour, when there is one
    thinnest         the place where the pad is thinnest of those measured, and its thickness
    share_needed     share of the apex depth that would bring every place to the least thickness; None when no
                     share does
    level            degrees the foot may be out of level (deg); spill: where it runs over (deg)
    not_measured     what was taken for granted, and what that costs
    """

    foot: Foot
    volume: Estimate
    mass: Estimate
    units: int
    pours: int
    fits: bool
    pour_s: float
    work: Estimate
    fill: FillEstimate
    orders: tuple[FillEstimate, ...]
    thinnest: tuple[DepthPlace, Estimate]
    share_needed: float | None
    level: Estimate
    spill: Estimate
    not_measured: tuple[str, ...]
    warm_up: tuple[str, ...]
    check_list: tuple[CheckLine, ...]


def pour_plan(
    foot: Foot,
    lengths: Mapping[SheetSite, Length],
    material: MaterialProfile,
    settings: PourSettings,
    now: PourTemperatures,
    work: Estimate | None = None,
) -> PourPlan:
    """The plan for one foot.

    lengths  from caliper_sheet.lengths_m; needed: foot length or width, the depth at the frog apex and one
             depth along the wall. What else is missing is assumed, named and counted in the intervals.
    work     working time in s after mixing from the cure engine; None: Arrhenius on the profile's own
    raises   ValueError with the reason when no plan can be made
    """
    inputs, assumed = _outline(foot, lengths)
    depths = {depth_place(s): lengths[s] for s in (*DEPTH_SITES, *MID_SOLE_SITES) if s in lengths}
    chosen = Fill(settings.share_ratio, settings.shape, settings.trim_m, settings.order)
    fills = [chosen]
    if settings.trim_m > 0.0:
        fills += [replace(chosen, order=order) for order in Order if order is not settings.order]
    estimates = fill_estimates(inputs, depths, fills)
    fill = estimates[0]
    causes = dict(fill.causes)
    u_m3 = (fill.poured.high or 0.0) - (fill.poured.value or 0.0)
    not_measured = [
        assumed_words(f"depth at {each.place.value}", each.taken_from, each.widening_ratio)
        for each in fill.assumed
    ] + [
        assumed_words(name, taken, widening_ratio(u_m3 / COVERAGE_FACTOR, causes[name], MEASURED_u_RATIO))
        for name, taken in assumed
    ]
    work = _work(material, now) if work is None else work
    pours, fits, pour_s = _pours(fill, settings, work)
    volume = _mixed(fill.poured, settings, pours)
    units = math.ceil((volume.high or 0.0) / settings.unit_m3)
    level, spill, share_needed = _levels(inputs, depths, fill, settings)
    thinnest = min(fill.thickness, key=lambda pair: pair[1].value or 0.0)
    level_fill = settings.shape is FillShape.LEVEL
    apex_m = max(each.value or 0.0 for _, each in fill.thickness)
    return PourPlan(
        foot=foot,
        volume=volume,
        mass=_scaled(volume, "mass_to_mix", "kg", material.density_kg_per_m3),
        units=units,
        pours=pours,
        fits=fits,
        pour_s=pour_s,
        work=work,
        fill=fill,
        orders=tuple(sorted(estimates, key=lambda e: e.fill.order is Order.TRIM_FIRST))
        if len(fills) > 1
        else (),
        thinnest=thinnest,
        share_needed=share_needed,
        level=level,
        spill=spill,
        not_measured=tuple(not_measured),
        warm_up=warm_up_advice(material, now),
        check_list=check_list(
            units,
            pours,
            fits,
            work,
            recess_below_wall_m(depths[DepthPlace.FROG_APEX].value_m, chosen) if level_fill else None,
            level,
            apex_m / pours,
            now.air_K,
        ),
    )


@dataclass(frozen=True, slots=True)
class PlanResult:
    """One place after the trim: planned, measured, and whether the two agree."""

    site: SheetSite
    planned: Estimate
    measured: Length
    difference_m: float
    as_planned: bool


def plan_against_result(fill: FillEstimate, measured: Mapping[SheetSite, Length]) -> tuple[PlanResult, ...]:
    """The pad's measured thicknesses beside the planned ones, site by site; unmeasured sites are left out.

    as_planned  the difference is covered by both uncertainties together (90 %)
    """
    results = []
    for place, planned in fill.thickness:
        site = pad_site(SheetSite(place.value))
        if site not in measured or planned.value is None or planned.high is None:
            continue
        found = measured[site]
        allowed = math.hypot(planned.high - planned.value, COVERAGE_FACTOR * found.standard_uncertainty_m)
        difference = found.value_m - planned.value
        results.append(PlanResult(site, planned, found, difference, abs(difference) <= allowed))
    return tuple(results)


def _outline(
    foot: Foot, lengths: Mapping[SheetSite, Length]
) -> tuple[tuple[Input, ...], list[tuple[str, str]]]:
    site = SheetSite
    length, width = lengths.get(site.FOOT_LENGTH), lengths.get(site.FOOT_WIDTH)
    assumed: list[tuple[str, str]] = []
    if width is None and length is not None:
        width = Length(WIDTH_OVER_LENGTH_RATIO * length.value_m, WIDTH_OVER_LENGTH_u_RATIO * length.value_m)
        assumed.append(("foot width", f"{WIDTH_OVER_LENGTH_RATIO:g} of the foot's length"))
    elif length is None and width is not None:
        length = Length(width.value_m / WIDTH_OVER_LENGTH_RATIO, WIDTH_OVER_LENGTH_u_RATIO * width.value_m)
        assumed.append(("foot length", f"the foot's width over {WIDTH_OVER_LENGTH_RATIO:g}"))
    if length is None or width is None:
        raise ValueError("neither the foot's length nor its width was measured: measure one or both")
    given = (site.FROG_LENGTH, site.FROG_WIDTH, site.WALL_THICKNESS)
    inputs = outline_inputs(foot, length, width, *(lengths.get(each) for each in given))
    usual = {each.name: each.value for each in inputs}
    for each in given:
        if each not in lengths:
            assumed.append((each.value, f"the usual {1e3 * usual[each.value]:.0f} mm"))
    return inputs, assumed


def _work(material: MaterialProfile, now: PourTemperatures) -> Estimate:
    known = [each for each in (now.material_K, now.sole_K, now.air_K) if each is not None]
    if not known:
        return Estimate(
            "working_time", None, None, None, "s", MODEL, True, "no temperature is known: measure one"
        )
    hottest_K = max(known)
    speed = float(age_factor(hottest_K, material.activation_energy_J_per_mol, material.reference_material_K))
    likely = material.reference_work_s / speed
    reason = "equivalent age at the hottest of material, sole and air"
    return Estimate(
        "working_time", likely, WORK_EARLY_RATIO * likely, WORK_LATE_RATIO * likely, "s", MODEL, True, reason
    )


def _pours(fill: FillEstimate, settings: PourSettings, work: Estimate) -> tuple[int, bool, float]:
    """How many goes, whether they fit and what each takes; one, not known to fit, without a working time."""
    pour_s = 0.0
    for pours in range(1, MOST_POURS + 1):
        mixed = _mixed(fill.poured, settings, pours)
        pour_s = (mixed.value or 0.0) / pours / settings.dispense_m3_per_s + settings.handling_s
        if work.low is None:
            return pours, False, pour_s
        if pour_s <= settings.work_share_ratio * work.low:
            return pours, True, pour_s
    return MOST_POURS, False, pour_s


def _mixed(poured: Estimate, settings: PourSettings, pours: int) -> Estimate:
    fill = _scaled(poured, "volume_to_mix", "m3", 1.0 + settings.sculpting_ratio)
    nozzles = pours * settings.nozzle_m3
    return replace(
        fill,
        value=(fill.value or 0.0) + nozzles,
        low=(fill.low or 0.0) + nozzles,
        high=(fill.high or 0.0) + nozzles,
        reason=f"{poured.reason}; sculpting {settings.sculpting_ratio:.0%} and what stays in {pours} "
        f"nozzle{'s' if pours > 1 else ''} added",
    )


def _scaled(estimate: Estimate, name: str, unit: str, factor: float) -> Estimate:
    value, low, high = (
        None if each is None else factor * each for each in (estimate.value, estimate.low, estimate.high)
    )
    return replace(estimate, name=name, unit=unit, value=value, low=low, high=high, model=MODEL)


def _levels(
    inputs: tuple[Input, ...],
    depths: Mapping[DepthPlace, Length],
    fill: FillEstimate,
    settings: PourSettings,
) -> tuple[Estimate, Estimate, float | None]:
    """Level tolerance and spill, deg, and the share that every measured place needs."""
    full, _ = completed_depths(depths)
    filled = settings.trim_m if settings.order is Order.TRIM_FIRST else 0.0
    apex_m = full[DepthPlace.FROG_APEX].value_m - filled
    shallowest_m = min(full[place].value_m for place in NEEDED_PLACES) - filled
    least = settings.least_thickness_m
    if settings.shape is FillShape.FOLLOWING:
        why = "a sculpted fill does not find its own level"
        nothing = Estimate("level_tolerance", None, None, None, "deg", MODEL, True, why)
        needed = least / shallowest_m if shallowest_m >= least else None
        return nothing, replace(nothing, name="spill_tilt"), needed
    needed = 1.0 - (shallowest_m - least) / apex_m if shallowest_m >= least else None
    if needed is not None:
        needed = max(needed, least / apex_m)
    outline = outline_from([each.value for each in inputs])
    surface = depth_surface(outline, stations_from(outline, {p: each.value_m for p, each in full.items()}))
    nodes = sole_nodes(outline)
    depth = depth_m(surface, nodes.x_m, nodes.y_m) - filled
    volume_m3 = fill.pad.poured_m3
    xy = places_xy_m(outline)
    places = [Station(*xy[place], full[place].value_m - filled) for place in NEEDED_PLACES]
    half_m = max((each.high or 0.0) - (each.value or 0.0) for _, each in fill.thickness)
    likely, careful, hopeful = (
        level_tolerance(nodes, depth, volume_m3, places, least_m)
        for least_m in (least, least + half_m, max(least - half_m, least / 100.0))
    )
    thin = NEEDED_PLACES[likely.place].value
    reason = (
        f"tilting further thins the pad at {thin} below {1e3 * least:.1f} mm"
        if likely.tilt_rad > 0.0
        else f"even on a level foot the pad is thinner than {1e3 * least:.1f} mm at {thin}"
    )
    level = Estimate(
        "level_tolerance",
        math.degrees(likely.tilt_rad),
        math.degrees(min(careful.tilt_rad, likely.tilt_rad)),
        math.degrees(max(hopeful.tilt_rad, likely.tilt_rad)),
        "deg",
        MODEL,
        True,
        reason,
    )
    rim = [Station(x, y, 0.0) for x, y in edge_points_m(outline, SPILL_POINTS).tolist()]
    over = math.degrees(spill_tilt_rad(nodes, depth, volume_m3, rim))
    spill = Estimate(
        "spill_tilt", over, None, None, "deg", MODEL, True, "runs over the wall's low side beyond it"
    )
    return level, spill, needed
