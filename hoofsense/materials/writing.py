"""A material profile written as a file of the form that load_profile reads."""

from __future__ import annotations

import json
from collections.abc import Mapping
from pathlib import Path

from hoofsense.materials import _CONVERTED_UNITS, _SLOTS, sources_of
from hoofsense.records import MaterialProfile
from hoofsense.units import value_in

_DIGITS = 8  # of a written number: a profile read back is the same to 1e-7


def profile_text(base: str | Path, profile: MaterialProfile, learned: Mapping[str, str], summary: str) -> str:
    """The text of a profile that was learned from pours.

    base     name or file of the profile it came from, whose units and sources stay where nothing was learned
    learned  source of each number that was, by field; those are no longer marked as assumed
    raises   as load_profile for the base
    """
    written = {number.field: number for number in sources_of(base)}
    lines = [
        f"# {profile.name}, calibrated: every number names where it comes from.",
        "",
        f"name = {_quoted(profile.name)}",
        f"summary = {_quoted(summary)}",
    ]
    table = ""
    for slot in _SLOTS:
        before = written.get(slot.field)
        if before is None and slot.field not in learned:
            continue
        if slot.table != table:
            table = slot.table
            lines += ["", f"[{table}]"]
        unit = slot.units[0] if before is None else before.unit
        si_value = float(getattr(profile, slot.field))
        value = value_in(si_value, unit) if unit in _CONVERTED_UNITS else si_value
        source = learned.get(slot.field) or (before.source if before is not None else "")
        assumed = before is not None and before.assumed and slot.field not in learned
        entry = f'value = {_number(value)}, unit = "{unit}", source = {_quoted(source)}'
        lines.append(f"{slot.key} = {{ {entry}{', assumed = true' if assumed else ''} }}")
    lines += [
        "",
        "[logged]",
        f"pours = {profile.logged_pours}",
        f"covered_ratio = {_number(profile.logged_covered_ratio)}",
    ]
    for key, kelvin in (("low", profile.logged_low_K), ("high", profile.logged_high_K)):
        if kelvin is not None:
            lines.append(f'{key} = {{ value = {_number(value_in(kelvin, "Cel"))}, unit = "Cel" }}')
    return "\n".join(lines) + "\n"


def _number(value: float) -> str:
    return repr(float(f"{value:.{_DIGITS}g}"))


def _quoted(text: str) -> str:
    """A TOML basic string: JSON escapes what it must, and DEL besides."""
    return json.dumps(text, ensure_ascii=False).replace("\x7f", "\\u007f")
