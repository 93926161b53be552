"""What a material will do before anyone pours it: its cure table, and one pour predicted."""

from __future__ import annotations

import json
from dataclasses import asdict
from typing import Any

from hoofsense.estimators.cure_prediction import CureTableRow, PourPrediction, cure_table, predict_pour
from hoofsense.foot_events import COVERS
from hoofsense.materials import load_profile, profile_names
from hoofsense.records import AirConditions, Estimate, MaterialProfile, PourConditions
from hoofsense.units import si_from, value_in

TABLE_AIR_degC = (-10.0, 0.0, 10.0, 21.0, 35.0)


def profiles_listed(as_json: bool) -> str:
    """The profiles that come with hoofsense, with their reference pour."""
    profiles = [load_profile(name) for name in profile_names()]
    if as_json:
        return json.dumps([asdict(p) for p in profiles], indent=1)
    return "\n".join(f"{p.name:<14} {_reference(p)}" for p in profiles)


def _reference(profile: MaterialProfile) -> str:
    thickness = value_in(profile.reference_thickness_m, "mm")
    air = value_in(profile.reference_air_K, "Cel")
    firm = value_in(profile.reference_firm_s, "min")
    return f"firm in {firm:.0f} min as a pour of {thickness:.0f} mm at {air:.0f} °C"


def profile_told(name: str, as_json: bool) -> str:
    """One profile: reference pour, cure table over air, sole and material temperature, and assumptions."""
    profile = load_profile(name)
    rows = cure_table(profile, TABLE_AIR_degC)
    if as_json:
        return json.dumps({"profile": asdict(profile), "table": [asdict(row) for row in rows]}, indent=1)
    lines = [
        f"{profile.name}: {_reference(profile)}",
        "",
        "Minutes after the pour: not before / likely / safe by (90 % of what is uncertain lies between)",
        "  air °C  sole °C  material °C   firm enough to trim    bears weight        slowest      bond line",
        *(_row_line(row) for row in rows),
        "",
        "Assumptions, to be replaced by logged pours:",
        *(f"  {assumption}" for assumption in profile.assumptions),
    ]
    return "\n".join(lines)


def _row_line(row: CureTableRow) -> str:
    return (
        f"{row.air_degC:8.0f} {row.sole_degC:8.1f} {row.material_degC:12.1f}   {_times(row.firm):<22} "
        f"{_times(row.load):<19} {row.slowest:<12} up to {row.hottest_bond_degC:.0f} °C"
    )


def _times(times: Any) -> str:
    return " / ".join("never" if t is None else f"{t / 60.0:.0f}" for t in times)


def pour_told(
    name: str,
    air_degC: float,
    sole_degC: float,
    material_degC: float,
    thickness_mm: float,
    cover: str,
    wind_m_per_s: float | None,
    as_json: bool,
) -> str:
    """One pour predicted before it is made; ValueError where the model knows nothing."""
    pour = PourConditions(
        poured_at_ns=0,
        thickness_m=si_from(thickness_mm, "mm"),
        thickness_u_m=0.0005,
        material_K=si_from(material_degC, "Cel"),
        sole_K=si_from(sole_degC, "Cel"),
        cover_m2_K_per_W=COVERS[cover],
    )
    air = AirConditions(air_K=si_from(air_degC, "Cel"), wind_m_per_s=wind_m_per_s)
    told = predict_pour(load_profile(name), pour, air)
    return json.dumps(asdict(told), default=str, indent=1) if as_json else _prediction_text(told)


def _prediction_text(told: PourPrediction) -> str:
    lines = [
        f"Working time           {_estimate_text(told.work)}",
        f"Firm enough to trim    {_estimate_text(told.firm)}",
        f"Bears weight           {_estimate_text(told.load)}",
        f"Slowest                {told.slowest}",
        "",
        f"{told.because} {told.next_step}".strip(),
    ]
    if told.heat_caution:
        lines += ["", f"CAUTION  {told.heat_caution}"]
    if told.levers:
        lines += ["", "What helps most:"]
        lines += [f"  {lever.gain_s / 60.0:5.0f} min  {lever.action}" for lever in told.levers]
    return "\n".join(lines)


def _estimate_text(estimate: Estimate) -> str:
    if estimate.value is None or estimate.low is None or estimate.high is None:
        return estimate.reason
    low, likely, high = (t / 60.0 for t in (estimate.low, estimate.value, estimate.high))
    return f"not before {low:.0f}, likely {likely:.0f}, safe by {high:.0f} min after the pour"
