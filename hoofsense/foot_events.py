"""What a mark or a reading does to one foot, and how a mark is taken back. Pure: a foot in, a foot out."""

from __future__ import annotations

import json
from collections.abc import Mapping
from dataclasses import replace
from typing import Any

from hoofsense.estimators import caliper_sheet, cure_readiness, drying_progress, heat_safety
from hoofsense.practice_settings import wishes_from
from hoofsense.records import MaterialProfile, PourConditions, Quantity, Stage
from hoofsense.units import si_from
from hoofsense.visit_state import (
    RECENT_LIMIT,
    TAKE_BACK_LIMIT,
    Event,
    FootState,
    MarkMade,
    TouchCheck,
)
from hoofsense.wire.typed import decode_typed, encode_typed

DEFAULT_THICKNESS_M = 0.008  # used until a thickness is given; assumption, about half of a 16 mm depth
MEASURED_MATERIAL_U_K = 1.0  # read from the cartridge with a thermometer (our choice)
UNMEASURED_MATERIAL_U_K = 4.0  # taken to be at air temperature (our choice)
UNMEASURED_SOLE_U_K = 5.0  # standard uncertainty of a sole nobody measured before the pour (our choice)
SOLE_READING_AGE_NS = 300 * 10**9  # an older sole reading says little about the sole at the pour (our choice)

# Thermal resistance of what covers the fill, m2 K/W; assumptions: a thin film, and about 4 mm of closed foam.
COVERS = {"none": 0.0, "film": 3e-4, "insulated": 0.1}


def after_event(foot: FootState, event: Event, material: MaterialProfile) -> FootState:
    """The foot after this event. Events are remembered only while there is a mark to take back."""
    if event.mark is not None:
        changed = _after_mark(foot, event, json.loads(event.mark), material)
    elif event.reading is None:
        changed = _after_air(foot, event)
    elif event.reading.quantity is Quantity.SURFACE_TEMPERATURE:
        changed = _after_surface(foot, event)
    else:
        changed = replace(foot, sheet=caliper_sheet.with_value(foot.sheet, event.reading.value))
    if not foot.made:
        return changed
    recent = (*foot.recent, event)[-RECENT_LIMIT:]
    return replace(changed, recent=recent, event_number=foot.event_number + 1)


def after_mark(
    foot: FootState, event: Event, mark_id: str, label: str, material: MaterialProfile
) -> FootState:
    """The foot after a mark that it will remember how to take back."""
    before = replace(foot, made=(), recent=())
    made = MarkMade(mark_id, label, event.at_ns, before, foot.event_number)
    return after_event(replace(foot, made=(*foot.made, made)[-TAKE_BACK_LIMIT:]), event, material)


def taken_back(foot: FootState, mark_id: str, material: MaterialProfile) -> tuple[FootState, str]:
    """The foot as if that mark had not been made: as it was before, and all that came after applied again."""
    index = next(i for i, made in enumerate(foot.made) if made.mark_id == mark_id)
    undone, later = foot.made[index], {made.event_number: made for made in foot.made[index + 1 :]}
    first_kept = foot.event_number - len(foot.recent)
    start = max(first_kept, undone.event_number + 1)
    earlier = foot.recent[: max(0, undone.event_number - first_kept)]
    again = replace(undone.before, made=foot.made[:index], recent=earlier, event_number=undone.event_number)
    for number in range(start, foot.event_number):
        event = foot.recent[number - first_kept]
        if number in later:
            again = after_mark(again, event, later[number].mark_id, later[number].label, material)
        else:
            again = after_event(again, event, material)
    said = f"Taken back on {foot.foot.value}: {undone.label}."
    lost = start - undone.event_number - 1
    if lost:
        said += f" {lost} older readings no longer count towards this foot's verdict; they stay on record."
    return again, said


def _after_surface(foot: FootState, event: Event) -> FootState:
    reading = event.reading
    if reading is None:
        return foot
    kelvin, u_K = reading.value, reading.standard_uncertainty
    changed = replace(foot, surface=reading, surface_site=event.site, surface_trusted=event.trusted)
    if event.site is not None:
        others = tuple(pair for pair in foot.site_surfaces if pair[0] is not event.site)
        changed = replace(changed, site_surfaces=(*others, (event.site, reading)))
    if event.site is not None and foot.stage is not Stage.FINISH:
        heat = heat_safety.with_surface(foot.heat, event.at_ns, event.site, kelvin, u_K)
        changed = replace(changed, heat=heat)
        if foot.stage in (Stage.PREPARE, Stage.DRY):
            drying = drying_progress.with_surface(foot.drying, event.at_ns, event.site, kelvin, u_K)
            changed = replace(changed, drying=drying)
    if foot.cure is not None and foot.pour is not None and foot.stage in (Stage.CURE, Stage.TRIM):
        changed = replace(changed, cure=cure_readiness.with_surface(foot.cure, event.at_ns, kelvin, u_K))
    return changed


def _after_air(foot: FootState, event: Event) -> FootState:
    if event.air.air_K is not None and foot.stage is not Stage.FINISH:
        foot = replace(foot, heat=heat_safety.with_air(foot.heat, event.air.air_K))
    if foot.stage in (Stage.PREPARE, Stage.DRY):
        return replace(foot, drying=drying_progress.with_air(foot.drying, event.air))
    if foot.cure is not None and foot.stage is not Stage.FINISH:
        return replace(foot, cure=cure_readiness.with_air(foot.cure, event.at_ns, event.air))
    return foot


def _after_mark(
    foot: FootState, event: Event, mark: Mapping[str, Any], material: MaterialProfile
) -> FootState:
    kind, at_ns = mark["mark"], event.at_ns
    if kind == "fitness":
        signs = tuple(mark["signs"])
        return replace(foot, signs=signs, stage=Stage.PREPARE if signs else Stage.DRY)
    if kind == "heat":
        return replace(
            foot,
            heat_on=mark["on"],
            heat=heat_safety.with_heat(foot.heat, at_ns, mark["on"]),
            drying=drying_progress.with_heat(foot.drying, at_ns, mark["on"]),
            looked_at_ns=None,
            looked_dry=False,
        )
    if kind == "look":
        return replace(foot, looked_at_ns=at_ns, looked_dry=mark["dry"])
    if kind == "mixed":
        pour = _pour(foot, event, mark)
        cure = cure_readiness.cure_begun(material, pour, event.air)
        return replace(
            foot, stage=Stage.POUR, mixed_at_ns=at_ns, material_K=pour.material_K, cure=cure, heat_on=False
        )
    if kind == "poured":
        pour = _pour(foot, event, mark)
        cure = cure_readiness.cure_begun(material, pour, event.air)
        mixed_at_ns = at_ns if foot.mixed_at_ns is None else foot.mixed_at_ns
        return replace(
            foot,
            stage=Stage.CURE,
            mixed_at_ns=mixed_at_ns,
            material_K=pour.material_K,
            pour=pour,
            cure=cure,
            heat_on=False,
            sheet=caliper_sheet.with_pad_poured(foot.sheet),
        )
    if kind == "touch":
        asked = str(mark.get("asked") or "firm")
        check = TouchCheck(at_ns, str(mark.get("site") or "not said"), mark["firm"], asked)
        felt = replace(foot, touches=(*foot.touches, check))
        if foot.cure is None or not tells_firm(check):
            return felt
        return replace(felt, cure=cure_readiness.with_touch(foot.cure, at_ns, check.firm))
    if kind == "trimmed":
        sheet = caliper_sheet.with_wall_trimmed(foot.sheet)
        return replace(foot, stage=Stage.TRIM, trimmed_at_ns=at_ns, sheet=sheet)
    if kind == "down":
        return replace(foot, stage=Stage.FINISH, down_at_ns=at_ns)
    if kind == "next_site":
        return replace(foot, sheet=caliper_sheet.with_next_site(foot.sheet, mark["site"]))
    if kind == "redo":
        return replace(foot, sheet=caliper_sheet.redone(foot.sheet))
    if kind == "skip":
        return replace(foot, sheet=caliper_sheet.skipped(foot.sheet))
    if kind == "table":
        return replace(foot, sheet=caliper_sheet.with_rows(foot.sheet, table_rows(mark))[0])
    if kind == "plan":
        return replace(foot, wishes=wishes_from(mark))
    raise ValueError(f"mark {kind!r} is not about a foot: refusal() should have refused it")


def table_rows(mark: Mapping[str, Any]) -> list[tuple[str, float]]:
    """(site, m) of each row of a table mark; ValueError for a row that is no length with its unit."""
    rows = []
    for row in mark["rows"]:
        typed = decode_typed(encode_typed(str(row["value"])))
        rows.append((caliper_sheet.named_site(row["site"]).value, si_from(typed.value, typed.unit)))
    return rows


def tells_firm(check: TouchCheck) -> bool:
    """Whether a touch says if the fill is firm: a hard one is firm too, one that dents may be."""
    return check.asked == "firm" or (check.asked == "load" and check.firm)


def _pour(foot: FootState, event: Event, mark: Mapping[str, Any]) -> PourConditions:
    """The pour as far as it is known: said by the mark, else measured before, else assumed in doubt."""
    ambient_K = event.air.air_K if event.air.air_K is not None else 288.15  # 15 degC: mild, wide doubt below
    said_material = mark.get("material_degC")
    if said_material is not None:
        material_K, material_u_K = si_from(float(said_material), "Cel"), MEASURED_MATERIAL_U_K
    elif foot.material_K is not None:
        material_K, material_u_K = foot.material_K, MEASURED_MATERIAL_U_K
    else:
        material_K, material_u_K = ambient_K, UNMEASURED_MATERIAL_U_K
    surface = foot.surface
    fresh = surface is not None and event.at_ns - surface.measured_at_ns <= SOLE_READING_AGE_NS
    if surface is not None and fresh and foot.pour is None:
        sole_K, sole_u_K = surface.value, max(1.0, surface.standard_uncertainty)
    else:
        sole_K, sole_u_K = ambient_K, UNMEASURED_SOLE_U_K
    thickness = mark.get("thickness_mm")
    return PourConditions(
        poured_at_ns=event.at_ns,
        thickness_m=DEFAULT_THICKNESS_M if thickness is None else si_from(float(thickness), "mm"),
        thickness_u_m=0.002 if thickness is None else 0.0005,  # our choice: half a guess, or a rule's reading
        material_K=material_K,
        material_u_K=material_u_K,
        sole_K=sole_K,
        sole_u_K=sole_u_K,
        cover_m2_K_per_W=COVERS[mark.get("cover") or "film"],
    )
