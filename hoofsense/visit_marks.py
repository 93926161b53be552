"""Marks: what a person (or a button) says happened. They move a foot on and can be taken back.

A mark is checked text holding JSON, e.g. {"mark": "heat", "id": "m7", "foot": "LF", "on": true}.
A mark that does not fit changes nothing and leaves a notice saying why and what to do.
"""

from __future__ import annotations

import json
from collections.abc import Mapping
from dataclasses import replace
from typing import Any

from hoofsense.decoding import ROLES
from hoofsense.estimators.caliper_sheet import (
    CALIPER_u_m,
    CaliperSheet,
    LONGEST_m,
    SheetSite,
    named_site,
    sheet_begun,
    with_rows,
)
from hoofsense.estimators.drying_progress import drying_begun
from hoofsense.estimators.foot_balance import VisitLengths
from hoofsense.estimators.heat_safety import heat_begun
from hoofsense.foot_events import COVERS, after_mark, table_rows, taken_back
from hoofsense.geometry.sole_outline import Length
from hoofsense.practice_settings import settings_from, wishes_from
from hoofsense.records import NS_PER_MS, Foot, MaterialProfile, Site, Stage
from hoofsense.units import si_from
from hoofsense.visit_state import Event, FootPast, FootState, VisitState, with_foot, with_notice
from hoofsense.wire.checked_text import decode_checked, encode_checked
from hoofsense.wire.errors import FrameError

DEFAULT_HORN_MM = (
    5.0  # thin cornified sole: the cautious choice for heat (secondary reading, see heat_safety)
)
SIGNS = ("smell", "discharge", "heat", "bleeding", "cracks", "lameness")

LABELS = {
    "fitness": "Foot looked over",
    "heat": "Heat",
    "look": "Looked and touched",
    "mixed": "Mixing began",
    "poured": "Poured",
    "touch": "Touch check",
    "trimmed": "Trimmed over",
    "down": "Foot down",
    "next_site": "Next site chosen",
    "redo": "Last value taken again",
    "skip": "Site skipped",
    "plan": "Pour planned",
    "table": "Table read in",
}

# What a touch can feel for, and how it is called when that was reached and when it was not.
TOUCHES = {"work": ("stiff", "runs"), "firm": ("firm", "soft"), "load": ("hard", "dents")}

# The stages in which each mark makes sense.
_STAGES = {
    "fitness": (Stage.PREPARE, Stage.DRY),
    "heat": (Stage.PREPARE, Stage.DRY, Stage.POUR, Stage.CURE),
    "look": (Stage.DRY,),
    "mixed": (Stage.DRY,),
    "poured": (Stage.DRY, Stage.POUR),
    "touch": (Stage.CURE, Stage.TRIM),
    "trimmed": (Stage.CURE,),
    "down": (Stage.CURE, Stage.TRIM),
}


def mark_payload(mark: Mapping[str, Any]) -> bytes:
    """The bytes of a mark as recorded: checked text of compact JSON."""
    return encode_checked(json.dumps(dict(mark), ensure_ascii=False, separators=(",", ":")))


def mark_from(payload: bytes) -> dict[str, Any]:
    """The mark in these bytes; FrameError when damaged or not a mark."""
    try:
        mark = json.loads(decode_checked(payload))
    except ValueError as why:  # json.JSONDecodeError
        raise FrameError(f"mark is not JSON ({why})", payload, "field") from None
    if (
        not isinstance(mark, dict)
        or not isinstance(mark.get("mark"), str)
        or not isinstance(mark.get("id"), str)
    ):
        raise FrameError('mark has no "mark" and "id"', payload, "field")
    return mark


def refusal(state: VisitState, mark: Mapping[str, Any]) -> str | None:
    """Why this mark does not fit the visit now, in one sentence; None when it fits."""
    try:
        return _refusal(state, mark)
    except (KeyError, TypeError, ValueError) as why:
        return f"The mark {mark.get('mark')!r} could not be read ({why}): make it again."


def _refusal(state: VisitState, mark: Mapping[str, Any]) -> str | None:
    kind = mark["mark"]
    if kind == "begin":
        return "This visit has already begun." if state.visit_id else _begin_refusal(mark)
    if not state.visit_id:
        return "No visit has begun: begin one first."
    if state.ended:
        return "This visit has ended: begin a new one to mark anything more."
    if mark["id"] in state.mark_ids:
        return f"A mark with the number {mark['id']} was already made."
    if kind in ("note", "end"):
        return None
    if kind == "instruments":
        return _roles_refusal(mark)
    if kind == "undo":
        made = any(m.mark_id == mark["of"] for f in state.feet for m in f.made)
        return None if made else "That mark can no longer be taken back: add a note instead."
    if kind == "hand" and mark.get("site") is not None:
        Site(mark["site"])
    foot = state.foot_state(Foot(mark["foot"]))
    stages = _STAGES.get(kind)
    if stages is not None and foot.stage not in stages:
        wanted = " or ".join(s.value for s in stages)
        return f"{LABELS[kind]} belongs to {wanted}, but {foot.foot.value} is in {foot.stage.value}."
    return _content_refusal(kind, mark)


def _content_refusal(kind: str, mark: Mapping[str, Any]) -> str | None:
    if kind == "fitness":
        strange = [s for s in mark["signs"] if s not in SIGNS]
        return f"Sign {strange[0]!r} is not one of {', '.join(SIGNS)}." if strange else None
    if kind in ("heat", "look", "touch"):
        said = mark[{"heat": "on", "look": "dry", "touch": "firm"}[kind]]
        if not isinstance(said, bool):
            return f"{LABELS[kind]} needs yes or no."
        asked = mark.get("asked") or "firm"
        return None if asked in TOUCHES else f"Touch for {asked!r} is not one of {', '.join(TOUCHES)}."
    if kind == "poured":
        thickness = mark.get("thickness_mm")
        if thickness is not None and not 1.0 <= float(thickness) <= 40.0:
            return f"A fill {thickness} mm thick is outside 1 to 40 mm: measure again."
        if mark.get("cover", "none") not in COVERS:
            return f"Cover {mark['cover']!r} is not one of {', '.join(COVERS)}."
    if kind in ("mixed", "poured") and mark.get("material_degC") is not None:
        if not -20.0 <= float(mark["material_degC"]) <= 60.0:
            return f"Material at {mark['material_degC']} °C is outside −20 to 60 °C: measure again."
    if kind == "next_site":
        named_site(mark["site"])
    if kind == "plan":
        wishes_from(mark)
    if kind == "table" and not table_rows(mark):
        return "The table has no reading of this foot: write one on each line."
    if kind not in ("hand", "redo", "skip", *LABELS):
        return f"There is no mark named {kind!r}."
    return None


def _begin_refusal(mark: Mapping[str, Any]) -> str | None:
    feet = [Foot(name) for name in mark["feet"]]
    if not 1 <= len(feet) <= 4 or len(set(feet)) != len(feet):
        return "A visit has one to four different feet."
    why = _roles_refusal(mark)
    if why is not None:
        return why
    profile_from(mark["material"])
    settings_from(mark.get("settings") or {})
    for name in mark["feet"]:
        _sheet(mark, name)
        _past(mark, name)
    return None


def _roles_refusal(mark: Mapping[str, Any]) -> str | None:
    strange = [role for role in (mark.get("roles") or {}).values() if role not in ROLES]
    return f"Role {strange[0]!r} is not one of {', '.join(ROLES)}." if strange else None


def profile_from(fields: Mapping[str, Any]) -> MaterialProfile:
    """A material profile from a begin mark's plain values; ValueError or TypeError when they do not fit."""
    return MaterialProfile(**{**fields, "assumptions": tuple(fields.get("assumptions", ()))})


def with_mark(state: VisitState, at_ns: int, mark: Mapping[str, Any]) -> VisitState:
    """The visit after this mark; a mark that does not fit only leaves a notice."""
    why = refusal(state, mark)
    if why is not None:
        return with_notice(state, at_ns, why)
    state = replace(state, mark_ids=state.mark_ids | {mark["id"]})
    kind = mark["mark"]
    if kind == "begin":
        return _begun(state, mark)
    if kind == "end":
        return replace(state, ended=True)
    if kind == "note":
        return with_notice(state, at_ns, str(mark["text"]))
    if kind == "instruments":  # roles and checks as they stand when a visit is taken up again
        return replace(state, roles=_roles(mark), checked=_checked(mark))
    if kind == "hand":
        site = None if mark.get("site") is None else Site(mark["site"])
        return replace(state, in_hand=Foot(mark["foot"]), site=site)
    if kind == "undo":
        foot = next(f for f in state.feet for m in f.made if m.mark_id == mark["of"])
        restored, said = taken_back(foot, mark["of"], _material(state))
        return with_notice(with_foot(state, restored), at_ns, said)
    foot = state.foot_state(Foot(mark["foot"]))
    if kind == "table":
        for question in with_rows(foot.sheet, table_rows(mark))[1]:
            state = with_notice(state, at_ns, question)
    event = Event(at_ns, state.air, mark=json.dumps(dict(mark)))
    state = with_foot(state, after_mark(foot, event, mark["id"], label_of(mark), _material(state)))
    if kind == "poured" and not foot.looked_dry:
        state = with_notice(state, at_ns, f"{foot.foot.value} was poured without a look-and-touch check.")
    if kind == "down" and foot.stage is Stage.CURE:
        state = with_notice(state, at_ns, f"{foot.foot.value} was put down before it was trimmed.")
    return state


def _material(state: VisitState) -> MaterialProfile:
    if state.material is None:
        raise ValueError("no visit has begun, so no material is known: begin one first")
    return state.material


def label_of(mark: Mapping[str, Any]) -> str:
    """What a mark says, in a few words for a list."""
    kind = mark["mark"]
    said = ""
    if kind == "heat":
        said = " on" if mark["on"] else " off"
    elif kind == "look":
        said = ": dry" if mark["dry"] else ": still wet"
    elif kind == "touch":
        said = ": " + TOUCHES[mark.get("asked") or "firm"][0 if mark["firm"] else 1]
    elif kind == "fitness":
        said = f": {', '.join(mark['signs'])}" if mark["signs"] else ": nothing found"
    return LABELS[kind] + said


def _begun(state: VisitState, mark: Mapping[str, Any]) -> VisitState:
    horn = mark.get("horn_mm") or {}
    feet = tuple(
        FootState(
            foot=Foot(name),
            drying=drying_begun(),
            heat=heat_begun(si_from(float(horn.get(name, DEFAULT_HORN_MM)), "mm")),
            sheet=_sheet(mark, name),
            past=_past(mark, name),
        )
        for name in mark["feet"]
    )
    return replace(
        state,
        visit_id=str(mark["visit_id"]),
        horse=str(mark.get("horse", "")),
        practice=str(mark.get("practice", "")),
        invented=bool(mark.get("invented", False)),
        material=profile_from(mark["material"]),
        roles=_roles(mark),
        checked=_checked(mark),
        feet=feet,
        in_hand=feet[0].foot,
        settings=settings_from(mark.get("settings") or {}),
    )


def _sheet(mark: Mapping[str, Any], foot: str) -> CaliperSheet:
    """A foot's empty sheet: the practice's order ("sheet", "sheet_after_trim") and the foot's own history."""
    return sheet_begun(
        tuple(mark["sheet"]) if mark.get("sheet") else None,
        _history_m(mark, foot),
        tuple(mark.get("sheet_after_trim") or ()),
    )


def _history_m(mark: Mapping[str, Any], foot: str) -> dict[str, list[float]]:
    """What earlier visits measured on a foot, m, oldest first; ValueError for what no caliper can say."""
    history: dict[str, list[float]] = {}
    for name, values in ((mark.get("history") or {}).get(foot) or {}).items():
        lengths_m = [float(value) for value in values]
        if not all(0.0 <= length_m <= LONGEST_m for length_m in lengths_m):
            raise ValueError(f"history of {name} holds a length outside 0 to {LONGEST_m:g} m")
        history[named_site(name).value] = lengths_m
    return history


def _past(mark: Mapping[str, Any], foot: str) -> FootPast:
    """The same history by visit: "history_ms" holds when each of its values was measured."""
    moments = (mark.get("history_ms") or {}).get(foot) or {}
    by_moment: dict[int, dict[SheetSite, Length]] = {}
    for name, lengths_m in _history_m(mark, foot).items():
        for at_ms, length_m in zip(moments.get(name, ()), lengths_m, strict=False):
            measured = by_moment.setdefault(int(at_ms) * NS_PER_MS, {})
            measured[named_site(name)] = Length(length_m, CALIPER_u_m)
    poured_ms = (mark.get("pad_poured_ms") or {}).get(foot)
    return FootPast(
        tuple(VisitLengths(at_ns, tuple(found.items())) for at_ns, found in sorted(by_moment.items())),
        None if poured_ms is None else int(poured_ms) * NS_PER_MS,
    )


def _roles(mark: Mapping[str, Any]) -> tuple[tuple[str, str], ...]:
    return tuple(sorted((str(k), str(v)) for k, v in (mark.get("roles") or {}).items()))


def _checked(mark: Mapping[str, Any]) -> tuple[str, ...] | None:
    """Instruments whose caliper passed its check; None when the mark does not say."""
    checked = mark.get("checked")
    return None if checked is None else tuple(sorted(str(source) for source in checked))
