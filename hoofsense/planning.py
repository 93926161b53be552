"""The pour plan outside a visit: from a typed table, and as a page of text."""

from __future__ import annotations

import json
from collections.abc import Mapping, Sequence
from dataclasses import replace
from pathlib import Path
from typing import Any

from hoofsense.estimators.caliper_sheet import CaliperSheet, lengths_m, sheet_begun, with_rows
from hoofsense.length_table import TableRow, read_table, remarks
from hoofsense.materials import load_profile
from hoofsense.plan_question import PlanQuestion
from hoofsense.plan_view import plan_view
from hoofsense.practice_settings import PourWishes, PracticeSettings, wished
from hoofsense.records import AirConditions, Foot, MaterialProfile
from hoofsense.units import si_from
from hoofsense.visit_state import FootPast


def sheet_from(rows: Sequence[TableRow], foot: Foot) -> tuple[CaliperSheet, tuple[str, ...]]:
    """One foot's sheet from a table, and the questions its readings raise."""
    said = [(row.site.value, row.length_m) for row in rows if row.foot is foot and not row.when]
    return with_rows(sheet_begun(), said)


def table_planned(
    path: Path,
    feet: Sequence[Foot],
    material: str,
    settings: PracticeSettings,
    wishes: PourWishes,
    air_degC: float | None,
    sole_degC: float | None,
    wind_m_per_s: float | None,
    as_json: bool,
) -> str:
    """The plans of the feet in a table, as text or JSON; ValueError in one sentence for a bad table.

    feet  empty: every foot of the table
    """
    rows = read_table(path)
    profile = load_profile(material)
    found = list(dict.fromkeys(row.foot for row in rows if not row.when))
    lacking = [foot.value for foot in feet if foot not in found]
    if lacking:
        there = ", ".join(foot.value for foot in found)
        raise ValueError(f"{path} has no reading of {lacking[0]}: name one of {there}")
    told: list[tuple[dict[str, Any], list[str]]] = []
    for foot in feet or found:
        sheet, questions = sheet_from(rows, foot)
        question = _question(foot, sheet, profile, settings, wishes, air_degC, sole_degC, wind_m_per_s)
        view = {key: value for key, value in plan_view(question).items() if key != "drawing"}
        told.append((view, [*remarks(r for r in rows if r.foot is foot), *questions]))
    if as_json:
        return json.dumps([{**view, "remarks": said} for view, said in told], ensure_ascii=False, indent=1)
    return "\n\n".join("\n".join([plan_text(view), *(f"! {each}" for each in said)]) for view, said in told)


def _question(
    foot: Foot,
    sheet: CaliperSheet,
    profile: MaterialProfile,
    settings: PracticeSettings,
    wishes: PourWishes,
    air_degC: float | None,
    sole_degC: float | None,
    wind_m_per_s: float | None,
) -> PlanQuestion:
    return PlanQuestion(
        foot=foot,
        at_ns=0,
        poured=False,
        trimmed=False,
        lengths=tuple(lengths_m(sheet).items()),
        before=(),
        material=profile,
        settings=replace(wished(settings.pouring, wishes), unit_m3=profile.unit_m3),
        targets=settings.targets,
        past=FootPast(),
        air_K=None if air_degC is None else si_from(air_degC, "Cel"),
        air_u_K=AirConditions().air_u_K,
        wind_m_per_s=wind_m_per_s,
        sole_K=None if sole_degC is None else si_from(sole_degC, "Cel"),
        material_K=wishes.material_K,
    )


def plan_text(view: Mapping[str, Any]) -> str:
    """One foot's plan on a page of text, from its view (plan_view)."""
    plan = view["plan"]
    lines = [f"Pour plan of {view['foot']}"]
    if plan is None:
        why = view["why"] or f"Measure {', '.join(view['missing'])}."
        return "\n".join([*lines, "", f"CANNOT TELL: {why[:1].upper()}{why[1:]}", *_balance_lines(view)])
    settings = view["settings"]
    lines += [
        "",
        f"Mix          {_span(plan['mix_mL'], 'mL')}, {plan['mass_g']['value']:.0f} g of "
        f"{settings['material']}",
        f"Units        {plan['units']} of {settings['unit_mL']:g} mL",
        f"Pours        {_pours(plan)}",
        f"Work it      {_minutes(plan['work_s'])}",
        f"Level        {_level(plan)}",
        f"Thinnest     {_span(plan['thinnest_mm'], 'mm')} at {plan['thinnest_place']}"
        f" (least wanted {settings['least_mm']:g} mm)",
    ]
    if plan["levers"]:
        best = plan["levers"][0]
        lines.append(f"Helps most   {best['action']}: gains about {best['gain_s'] / 60:.0f} min")
    lines += ["", *_thickness_lines(plan)]
    for heading, said in (
        ("Warm or cool first", plan["warm_up"]),
        ("Not measured", plan["not_measured"]),
        ("Check-list", [" ".join(p for p in (c["signal"], c["text"]) if p) for c in plan["check_list"]]),
    ):
        if said:
            lines += ["", heading, *(f"  - {each}" for each in said)]
    if plan["heat_caution"]:
        lines.append(f"  - CAUTION {plan['heat_caution']}")
    return "\n".join([*lines, *_balance_lines(view)])


def _span(of: Mapping[str, Any], unit: str) -> str:
    if of["value"] is None:
        return str(of["reason"])
    if of["low"] is None or of["high"] is None:
        return f"{of['value']:.3g} {unit}"
    return f"{of['value']:.3g} {unit} (between {of['low']:.3g} and {of['high']:.3g})"


def _minutes(work: Mapping[str, Any]) -> str:
    if work["value"] is None:
        return str(work["reason"])
    low, likely, high = (work[name] / 60 for name in ("low", "value", "high"))
    return f"at least {low:.1f}, likely {likely:.1f}, at most {high:.1f} min from mixing"


def _pours(plan: Mapping[str, Any]) -> str:
    many = "one" if plan["pours"] == 1 else "two"
    known = plan["work_s"]["low"] is not None
    fits = ", which does not fit the working time" if known and not plan["fits"] else ""
    return f"{many}, {plan['pour_s']} s each{fits}"


def _level(plan: Mapping[str, Any]) -> str:
    level = plan["level_deg"]
    if level["value"] is None:
        return str(level["reason"])
    return f"within {level['value']:.1f} degrees: {level['reason']}"


def _thickness_lines(plan: Mapping[str, Any]) -> list[str]:
    """The pad after the trim, the two orders side by side where there is a trim."""
    orders = plan["orders"] or [plan["chosen"]]
    marked = [
        each["order"] + (" *" if each["order"] == plan["chosen"]["order"] and len(orders) > 1 else "")
        for each in orders
    ]
    lines = ["Pad after the trim, mm".ljust(26) + "".join(name.rjust(22) for name in marked)]
    for number, place in enumerate(each["place"] for each in orders[0]["thickness"]):
        lines.append(f"  {place:<24}" + "".join(_cell(order["thickness"][number]) for order in orders))
    for label, key in (("mean", "mean_mm"), ("along the rim", "rim_mm"), ("below the wall", "recess_mm")):
        lines.append(f"  {label:<24}" + "".join(_cell(order[key]) for order in orders))
    lines.append(f"  {'to pour, mL':<24}" + "".join(_cell(order["poured_mL"]) for order in orders))
    return lines


def _cell(of: Mapping[str, Any]) -> str:
    return f"{of['value']:.1f} ({of['low']:.1f} to {of['high']:.1f})".rjust(22)


def _balance_lines(view: Mapping[str, Any]) -> list[str]:
    said = [f"  {one['because']}: {one['balance']}. {one['next_step']}" for one in view["balance"]]
    return ["", "Balance", *said] if said else []
