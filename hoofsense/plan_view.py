"""A foot's pour plan as plain values for the page: what json.dumps can write, in the units people read.

Places are given in mm on the sole as geometry sees it, medial positive: a drawing mirrors them by the foot.
Making a plan takes some hundredths of a second and predicting the cure some tenths, so it is made for each
question once and not at every reading (see plan_keeping.py).
"""

from __future__ import annotations

from collections.abc import Mapping
from functools import lru_cache
from typing import Any

import numpy as np

from hoofsense.balance_view import balance_view
from hoofsense.estimators.cure_prediction import PourPrediction, predict_pour
from hoofsense.estimators.cure_surroundings import FILM_COVER_m2_K_per_W, cold_sole_K
from hoofsense.estimators.pour_plan import PourPlan, plan_against_result, pour_plan
from hoofsense.estimators.pour_words import PourTemperatures
from hoofsense.estimators.sheet_sites import DEPTH_SITES, MID_SOLE_SITES, SheetSite, depth_place
from hoofsense.geometry.depth_surface import (
    DepthPlace,
    depth_m,
    depth_surface,
    places_xy_m,
    stations_from,
)
from hoofsense.geometry.fill_estimate import FillEstimate, completed_depths
from hoofsense.geometry.fill_volume import Order, thickness_m
from hoofsense.geometry.sole_outline import (
    Length,
    SoleOutline,
    edge_points_m,
    frog_points_m,
    on_sole,
    outline_from,
    outline_inputs,
)
from hoofsense.plan_question import PlanQuestion
from hoofsense.records import AirConditions, Estimate, MaterialProfile, PourConditions
from hoofsense.units import difference_in, value_in

# When nobody measured them before the pour, as in foot_events: the material is as warm as the air.
MATERIAL_u_K, UNMEASURED_MATERIAL_u_K = 1.0, 4.0
SOLE_u_K, UNMEASURED_SOLE_u_K = 2.5, 5.0
FILL_u_m = 0.0005
THICKNESS_STEP_m = 0.0005  # the cure is predicted for the thickness to the half millimetre (our choice)
SKETCH_LENGTH_m, SKETCH_WIDTH_m = 0.130, 0.126  # an ordinary front foot, to draw on before one is measured
MAP_SPACING_m = 0.003
OUTLINE_POINTS = 72
CAUSES_TOLD = 3
REMEMBERED = 16

NEEDED = (
    ("the foot's length or width", (SheetSite.FOOT_LENGTH, SheetSite.FOOT_WIDTH)),
    ("the depth at the frog apex", (SheetSite.FROG_APEX,)),
    ("one depth along the wall", tuple(site for site in DEPTH_SITES if site is not SheetSite.FROG_APEX)),
)


@lru_cache(maxsize=REMEMBERED)
def plan_view(question: PlanQuestion) -> dict[str, Any]:
    """The plan of one foot, or why there is none yet. The answer is shared: it must not be changed.

    missing  what still has to be measured for a plan, in words; why: another reason in a sentence
    """
    lengths = dict(question.lengths)
    missing = missing_for_plan(question)
    view: dict[str, Any] = {
        "foot": question.foot.value,
        "poured": question.poured,
        "trimmed": question.trimmed,
        "missing": missing,
        "why": "",
        "values": [
            {"site": str(site), "mm": _mm(length.value_m), "u_mm": _mm(length.standard_uncertainty_m, 3)}
            for site, length in question.lengths
        ],
        "plan": None,
        "settings": _settings(question),
        **balance_view(question),
    }
    made: PourPlan | None = None
    if not missing:
        prediction = _prediction(question, lengths[SheetSite.FROG_APEX])
        try:
            made = _made(question, lengths, prediction)
        except ValueError as why:
            view["why"] = str(why)
        else:
            view["plan"] = {**_plan(made, question, lengths), **_predicted(prediction)}
    view["drawing"] = _drawing(question, lengths, made)
    return view


def missing_for_plan(question: PlanQuestion) -> list[str]:
    """What still has to be measured for a plan, in words; empty when a plan can be tried."""
    lengths = dict(question.lengths)
    return [said for said, sites in NEEDED if not any(site in lengths for site in sites)]


def _made(
    question: PlanQuestion, lengths: Mapping[SheetSite, Length], prediction: PourPrediction | None
) -> PourPlan:
    now = PourTemperatures(question.material_K, question.sole_K, question.air_K)
    work = None if prediction is None else prediction.work
    return pour_plan(question.foot, lengths, question.material, question.settings, now, work)


def _prediction(question: PlanQuestion, apex: Length) -> PourPrediction | None:
    """What the cure engine says of this pour; None where it knows no air, or the pour lies outside it."""
    if question.air_K is None:
        return None
    settings = question.settings
    filled_m = apex.value_m - (settings.trim_m if settings.order is Order.TRIM_FIRST else 0.0)
    poured_m = round(settings.share_ratio * filled_m / THICKNESS_STEP_m) * THICKNESS_STEP_m
    material_K, sole_K = question.material_K, question.sole_K
    pour = PourConditions(
        poured_at_ns=0,
        thickness_m=poured_m,
        thickness_u_m=FILL_u_m,
        material_K=question.air_K if material_K is None else material_K,
        material_u_K=UNMEASURED_MATERIAL_u_K if material_K is None else MATERIAL_u_K,
        sole_K=cold_sole_K(question.air_K, question.wind_m_per_s) if sole_K is None else sole_K,
        sole_u_K=UNMEASURED_SOLE_u_K if sole_K is None else SOLE_u_K,
        cover_m2_K_per_W=FILM_COVER_m2_K_per_W,
    )
    air = AirConditions(air_K=question.air_K, air_u_K=question.air_u_K, wind_m_per_s=question.wind_m_per_s)
    return _predicted_cure(question.material, pour, air)


@lru_cache(maxsize=REMEMBERED)
def _predicted_cure(
    material: MaterialProfile, pour: PourConditions, air: AirConditions
) -> PourPrediction | None:
    try:
        return predict_pour(material, pour, air)
    except ValueError:
        return None


def _settings(question: PlanQuestion) -> dict[str, Any]:
    settings = question.settings
    return {
        "share_percent": round(value_in(settings.share_ratio, "%"), 1),
        "trim_mm": _mm(settings.trim_m),
        "order": settings.order.value,
        "shape": settings.shape.value,
        "least_mm": _mm(settings.least_thickness_m),
        "unit_mL": round(value_in(settings.unit_m3, "mL"), 1),
        "material": question.material.name,
        "material_degC": _degC(question.material_K),
        "sole_degC": _degC(question.sole_K),
        "air_degC": _degC(question.air_K),
    }


def _plan(made: PourPlan, question: PlanQuestion, lengths: Mapping[SheetSite, Length]) -> dict[str, Any]:
    place, thinnest = made.thinnest
    return {
        "mix_mL": estimate_in(made.volume, "mL"),
        "mass_g": _scaled(made.mass, 1e3),
        "fill_mL": estimate_in(made.fill.poured, "mL"),
        "units": made.units,
        "pours": made.pours,
        "fits": made.fits,
        "pour_s": round(made.pour_s),
        "work_s": estimate_in(made.work, "s"),
        "work_model": made.work.model,
        "level_deg": _scaled(made.level, 1.0),
        "spill_deg": _scaled(made.spill, 1.0),
        "thinnest_mm": estimate_in(thinnest, "mm"),
        "thinnest_place": place.value,
        "share_needed_percent": None
        if made.share_needed is None
        else round(value_in(made.share_needed, "%"), 1),
        "chosen": _order(made.fill),
        "orders": [_order(each) for each in made.orders],
        "causes": [name for name, _ in made.fill.causes[:CAUSES_TOLD]],
        "not_measured": list(made.not_measured),
        "warm_up": list(made.warm_up),
        "check_list": [{"signal": line.signal.value, "text": line.text} for line in made.check_list],
        "assumptions": list(question.material.assumptions),
        "result": [
            {
                "site": str(each.site),
                "planned_mm": _interval(each.planned, "mm"),
                "mm": _mm(each.measured.value_m),
                "difference_mm": _mm(each.difference_m),
                "as_planned": each.as_planned,
            }
            for each in (plan_against_result(made.fill, lengths) if question.trimmed else ())
        ],
    }


def _order(fill: FillEstimate) -> dict[str, Any]:
    return {
        "order": fill.fill.order.value,
        "poured_mL": _interval(fill.poured, "mL"),
        "pad_mL": _interval(fill.volume, "mL"),
        "mean_mm": _interval(fill.mean, "mm"),
        "rim_mm": _interval(fill.rim, "mm"),
        "least_mm": _interval(fill.thinnest, "mm"),
        "recess_mm": _interval(fill.recess, "mm"),
        "thickness": [
            {"place": place.value, **_interval(thickness, "mm")} for place, thickness in fill.thickness
        ],
    }


def _predicted(prediction: PourPrediction | None) -> dict[str, Any]:
    if prediction is None:
        return {"firm_s": None, "slowest": "", "levers": [], "heat_caution": ""}
    return {
        "firm_s": estimate_in(prediction.firm, "s"),
        "slowest": prediction.slowest,
        "levers": [{"action": each.action, "gain_s": round(each.gain_s)} for each in prediction.levers],
        "heat_caution": prediction.heat_caution,
    }


def _drawing(
    question: PlanQuestion, lengths: Mapping[SheetSite, Length], made: PourPlan | None
) -> dict[str, Any]:
    """Outline, frog and places in mm, and the pad's thickness over them; a sketch until it is measured."""
    outline, sketch = _outline(question, lengths)
    drawing: dict[str, Any] = {
        "sketch": sketch,
        "outline": _points(edge_points_m(outline, OUTLINE_POINTS)),
        "frog": _points(frog_points_m(outline)),
        "places": {place.value: [_mm(x_m), _mm(y_m)] for place, (x_m, y_m) in places_xy_m(outline).items()},
        "map": None,
    }
    if made is not None and not sketch:
        drawing["map"] = _map(outline, lengths, made)
    return drawing


def _outline(question: PlanQuestion, lengths: Mapping[SheetSite, Length]) -> tuple[SoleOutline, bool]:
    site = SheetSite
    length, width = lengths.get(site.FOOT_LENGTH), lengths.get(site.FOOT_WIDTH)
    sketch = outline_from(
        [
            each.value
            for each in outline_inputs(
                question.foot, Length(SKETCH_LENGTH_m, 0.0), Length(SKETCH_WIDTH_m, 0.0)
            )
        ]
    )
    if length is None and width is None:
        return sketch, True
    scale = SKETCH_LENGTH_m / SKETCH_WIDTH_m
    if width is None and length is not None:
        width = Length(length.value_m / scale, 0.0)
    if length is None and width is not None:
        length = Length(width.value_m * scale, 0.0)
    if length is None or width is None:
        return sketch, True
    given = (lengths.get(each) for each in (site.FROG_LENGTH, site.FROG_WIDTH, site.WALL_THICKNESS))
    try:
        return outline_from([e.value for e in outline_inputs(question.foot, length, width, *given)]), False
    except ValueError:
        return sketch, True


def _map(outline: SoleOutline, lengths: Mapping[SheetSite, Length], made: PourPlan) -> dict[str, Any]:
    """Thickness on a square grid that reaches over the outline and under the frog, for a drawing to cover."""
    read = {depth_place(s): lengths[s] for s in (*DEPTH_SITES, *MID_SOLE_SITES) if s in lengths}
    full, _ = completed_depths(read)
    surface = depth_surface(outline, stations_from(outline, {p: each.value_m for p, each in full.items()}))
    reach = outline.width_m / 2.0 + MAP_SPACING_m
    x_m = np.arange(-reach, reach + MAP_SPACING_m, MAP_SPACING_m)
    y_m = np.arange(outline.heel_y_m - MAP_SPACING_m, outline.toe_y_m + 2.0 * MAP_SPACING_m, MAP_SPACING_m)
    x, y = np.meshgrid(x_m, y_m)
    mm = difference_in(1.0, "mm") * thickness_m(
        depth_m(surface, x, y), full[DepthPlace.FROG_APEX].value_m, made.fill.fill
    )
    return {
        "x_mm": [_mm(each) for each in x_m.tolist()],
        "y_mm": [_mm(each) for each in y_m.tolist()],
        "mm": [[round(each, 2) for each in row] for row in mm.tolist()],
        "most_mm": round(float(np.max(np.where(on_sole(outline, x, y), mm, 0.0))), 2),
    }


def estimate_in(estimate: Estimate, unit: str) -> dict[str, Any]:
    """Value, low and high in a unit people read (mm, mL, s), to four digits, and the reason."""
    return _scaled(estimate, value_in(1.0, unit))


def _interval(estimate: Estimate, unit: str) -> dict[str, float | None]:
    factor = value_in(1.0, unit)
    return {name: _digits(getattr(estimate, name), factor) for name in ("value", "low", "high")}


def _scaled(estimate: Estimate, factor: float) -> dict[str, Any]:
    return {
        "value": _digits(estimate.value, factor),
        "low": _digits(estimate.low, factor),
        "high": _digits(estimate.high, factor),
        "reason": estimate.reason,
    }


def _digits(value: float | None, factor: float) -> float | None:
    return None if value is None else float(f"{value * factor:.4g}")


def _points(points_m: np.ndarray) -> list[list[float]]:
    return [[_mm(x), _mm(y)] for x, y in points_m.tolist()]


def _mm(length_m: float, digits: int = 2) -> float:
    return round(value_in(length_m, "mm"), digits)


def _degC(kelvin: float | None) -> float | None:
    return None if kelvin is None else round(value_in(kelvin, "Cel"), 1)
