"""What a pour plan rests on, taken from the visit's state: nothing else changes the plan.

Temperatures are rounded, so that the plan is made anew when one has really changed, not at every reading.
"""

from __future__ import annotations

from dataclasses import dataclass, replace

from hoofsense.estimators.caliper_sheet import CaliperSheet, lengths_m
from hoofsense.estimators.foot_balance import Target
from hoofsense.estimators.pour_plan import PourSettings
from hoofsense.estimators.sheet_sites import SheetSite
from hoofsense.foot_events import SOLE_READING_AGE_NS
from hoofsense.geometry.sole_outline import Length
from hoofsense.physics.constants import ICE_POINT_K
from hoofsense.practice_settings import wished
from hoofsense.records import NS_PER_S, Foot, MaterialProfile, Stage
from hoofsense.visit_state import FootPast, FootState, VisitState

AIR_STEP_K = 1.0  # of the rounded temperatures (our choice)
SOLE_STEP_K = 5.0  # a sole that was just heated cools by more than this within a minute (our choice)
WIND_STEP_m_per_s = 1.0
DAY_NS = 24 * 3600 * NS_PER_S  # wear is told by the week: the day is enough
WARM_STAGES = (Stage.PREPARE, Stage.DRY, Stage.POUR)

Lengths = tuple[tuple[SheetSite, Length], ...]


@dataclass(frozen=True, slots=True)
class PlanQuestion:
    """Everything a foot's plan depends on; two equal questions have one answer.

    lengths    measured on this visit and still so; pad_before, wall_before: read before the pour and the trim
    at_ns      the day, for history; settings with the foot's own wishes and the material's whole unit
    sole_K     when read within the last minutes and not under the gun; None otherwise
    """

    foot: Foot
    at_ns: int
    poured: bool
    trimmed: bool
    lengths: Lengths
    before: Lengths
    material: MaterialProfile
    settings: PourSettings
    targets: tuple[tuple[str, Target], ...]
    past: FootPast
    air_K: float | None
    air_u_K: float
    wind_m_per_s: float | None
    sole_K: float | None
    material_K: float | None


def plan_question(state: VisitState, foot: FootState) -> PlanQuestion | None:
    """The question one foot's plan answers now; None before the visit has begun."""
    if state.material is None:
        return None
    settings = replace(wished(state.settings.pouring, foot.wishes), unit_m3=state.material.unit_m3)
    sheet = foot.sheet
    return PlanQuestion(
        foot=foot.foot,
        at_ns=state.at_ns // DAY_NS * DAY_NS,
        poured=foot.pour is not None,
        trimmed=foot.trimmed_at_ns is not None,
        lengths=tuple(lengths_m(sheet).items()),
        before=tuple(lengths_m(CaliperSheet((), None, measured=sheet.set_aside)).items()),
        material=state.material,
        settings=settings,
        targets=state.settings.targets,
        past=foot.past,
        air_K=_rounded_K(state.air.air_K, AIR_STEP_K),
        air_u_K=state.air.air_u_K,
        wind_m_per_s=_rounded(state.air.wind_m_per_s, WIND_STEP_m_per_s),
        sole_K=_sole_K(state, foot),
        material_K=_material_K(foot),
    )


def _rounded(value: float | None, step: float) -> float | None:
    return None if value is None else round(value / step) * step


def _rounded_K(value_K: float | None, step_K: float) -> float | None:
    """To whole steps of the Celsius scale, which people read."""
    degrees = None if value_K is None else _rounded(value_K - ICE_POINT_K, step_K)
    return None if degrees is None else ICE_POINT_K + degrees


def _sole_K(state: VisitState, foot: FootState) -> float | None:
    if foot.pour is not None:
        return foot.pour.sole_K
    surface = foot.surface
    if surface is None or foot.heat_on or foot.stage not in WARM_STAGES:
        return None
    fresh = state.at_ns - surface.measured_at_ns <= SOLE_READING_AGE_NS
    return _rounded_K(surface.value, SOLE_STEP_K) if fresh else None


def _material_K(foot: FootState) -> float | None:
    if foot.pour is not None:
        return foot.pour.material_K
    return foot.wishes.material_K if foot.material_K is None else foot.material_K
