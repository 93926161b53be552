"""Material profiles: how one pad material cures, as a TOML file in which every number names its source.

Three generic profiles ship with the program (fast, standard, cold-weather); a practitioner's own file has the
same form and is given by its path. A number is written {value, unit, source, assumed}; its unit must measure
the right thing and its value must lie in a plausible range, so a slip of the pen is refused and not poured.
"""

from __future__ import annotations

import math
import tomllib
from dataclasses import dataclass
from importlib import resources
from pathlib import Path
from typing import Any

from hoofsense.records import MaterialProfile, USUAL_UNIT_m3
from hoofsense.units import si_from, value_in


@dataclass(frozen=True, slots=True)
class _Slot:
    """Where one number of a profile stands in the file, its unit, and the range it must lie in (SI)."""

    field: str
    table: str
    key: str
    units: tuple[str, ...]
    low: float
    high: float
    optional: bool = False


_LENGTHS = ("mm", "m", "[in_i]")
_TEMPERATURES = ("Cel", "[degF]", "K")
_TIMES = ("min", "s")
_VOLUMES = ("mL", "m3")
# The others are written in SI already.
_CONVERTED_UNITS = {*_LENGTHS, *_TEMPERATURES, *_TIMES, *_VOLUMES, "%"}

# Plausible ranges. Kinetic and solid ranges: published urethanes and handbook values, from memory where no
# paper is named in the profiles; pour ranges: what a practitioner could meet (no source).
_SLOTS = (
    _Slot("reference_thickness_m", "reference", "thickness", _LENGTHS, 0.001, 0.04),
    _Slot("reference_air_K", "reference", "air", _TEMPERATURES, 243.15, 323.15),
    _Slot("reference_sole_K", "reference", "sole", _TEMPERATURES, 243.15, 323.15),
    _Slot("reference_material_K", "reference", "material", _TEMPERATURES, 253.15, 333.15),
    _Slot("reference_firm_s", "reference", "firm", _TIMES, 60.0, 86400.0),
    _Slot("reference_work_s", "reference", "work", _TIMES, 10.0, 36000.0),
    _Slot("activation_energy_J_per_mol", "kinetics", "activation_energy", ("J/mol",), 35e3, 90e3),
    _Slot("activation_energy_u_J_per_mol", "kinetics", "activation_energy_u", ("J/mol",), 100.0, 20e3),
    _Slot("heat_of_reaction_J_per_kg", "kinetics", "heat_of_reaction", ("J/kg",), 0.0, 400e3),
    _Slot("shape_b", "kinetics", "shape_b", ("1",), 0.005, 5.0),
    _Slot("shape_m", "kinetics", "shape_m", ("1",), 0.3, 3.0),
    _Slot("shape_n", "kinetics", "shape_n", ("1",), 0.5, 4.0),
    _Slot("ln_rate_u", "kinetics", "ln_rate_u", ("1",), 0.005, 1.0),
    _Slot("shape_b_u_ln", "kinetics", "shape_b_u_ln", ("1",), 0.05, 2.0, optional=True),
    _Slot("shape_n_u", "kinetics", "shape_n_u", ("1",), 0.05, 1.5, optional=True),
    _Slot("glass_start_K", "kinetics", "glass_start", _TEMPERATURES, 150.0, 330.0, optional=True),
    _Slot("glass_full_K", "kinetics", "glass_full", _TEMPERATURES, 200.0, 450.0, optional=True),
    _Slot("work_degree", "thresholds", "work", ("1", "%"), 0.02, 0.95),
    _Slot("firm_degree", "thresholds", "firm", ("1", "%"), 0.05, 0.99),
    _Slot("load_degree", "thresholds", "load", ("1", "%"), 0.05, 0.995),
    _Slot("full_degree", "thresholds", "full", ("1", "%"), 0.05, 0.999),
    _Slot("density_kg_per_m3", "solid", "density", ("kg/m3",), 300.0, 2500.0),
    _Slot("conductivity_W_per_m_K", "solid", "conductivity", ("W/(m.K)",), 0.02, 2.0),
    _Slot("heat_capacity_J_per_kg_K", "solid", "heat_capacity", ("J/(kg.K)",), 500.0, 4500.0),
    _Slot("unit_m3", "package", "unit", _VOLUMES, 5e-6, 5e-3, optional=True),
)
_LOGGED_KEYS = ("pours", "covered_ratio", "low", "high")
_NUMBER_KEYS = {"value", "unit", "source", "assumed"}


@dataclass(frozen=True, slots=True)
class NumberSource:
    """Where one number of a profile comes from; value as written, assumed when nobody measured it."""

    field: str
    value: float
    unit: str
    source: str
    assumed: bool


def profile_names() -> tuple[str, ...]:
    """Names of the profiles that ship with the program, in alphabetical order."""
    folder = resources.files(__name__)
    return tuple(sorted(p.name.removesuffix(".toml") for p in folder.iterdir() if p.name.endswith(".toml")))


def load_profile(name_or_path: str | Path) -> MaterialProfile:
    """The profile of a shipped name ("standard") or of a practitioner's own TOML file.

    raises  ValueError in one sentence (what is wrong, the limit, what to do) for an unknown name, a file
            that is not TOML, a missing or unknown entry, a wrong unit or a value outside its range
    """
    where, document = _document(name_or_path)
    numbers = _numbers(where, document)
    logged = _logged(where, document)
    values: dict[str, Any] = {
        n.field: si_from(n.value, n.unit) if n.unit in _CONVERTED_UNITS else n.value for n in numbers
    }
    for slot in _SLOTS:
        if slot.field in values and not slot.low <= values[slot.field] <= slot.high:
            raise ValueError(
                f"{where}: {slot.table}.{slot.key} is {values[slot.field]:g} in SI units, outside "
                f"{slot.low:g} to {slot.high:g}: correct the value or its unit"
            )
    assumptions = tuple(f"{_label(n)}: {n.source}" for n in numbers if n.assumed)
    if "unit_m3" not in values:
        assumptions += (f"unit {value_in(USUAL_UNIT_m3, 'mL'):.0f} mL: not stated; common practice",)
    return MaterialProfile(name=_text(where, document, "name"), assumptions=assumptions, **values, **logged)


def sources_of(name_or_path: str | Path) -> tuple[NumberSource, ...]:
    """Every number of a profile with its source, in the order of the file format; errors as load_profile."""
    return _numbers(*_document(name_or_path))


def summary_of(name_or_path: str | Path) -> str:
    """One line that tells a practitioner what the profile is; errors as load_profile."""
    where, document = _document(name_or_path)
    return _text(where, document, "summary")


_SUFFIXES = ("_J_per_mol", "_J_per_kg_K", "_W_per_m_K", "_kg_per_m3", "_J_per_kg", "_m3", "_m", "_K", "_s")


def _label(number: NumberSource) -> str:
    unit = {"1": "", "Cel": " degC", "[degF]": " degF", "[in_i]": " in"}.get(number.unit, f" {number.unit}")
    name = number.field
    for suffix in _SUFFIXES:
        if name.endswith(suffix) and not name.startswith("shape"):
            name = name.removesuffix(suffix)
            break
    return f"{name.replace('_', ' ')} {number.value:g}{unit}"


def _document(name_or_path: str | Path) -> tuple[str, dict[str, Any]]:
    text = str(name_or_path)
    if isinstance(name_or_path, str) and name_or_path in profile_names():
        content = resources.files(__name__).joinpath(f"{name_or_path}.toml").read_text(encoding="utf-8")
    else:
        path = Path(name_or_path)
        if not path.is_file():
            known = ", ".join(profile_names())
            raise ValueError(f"there is no material {text!r}: use one of {known}, or the path of a TOML file")
        try:
            content = path.read_text(encoding="utf-8")
        except UnicodeDecodeError:
            raise ValueError(f"material file {text} is not UTF-8 text: save it as plain text") from None
    try:
        return text, tomllib.loads(content)
    except tomllib.TOMLDecodeError as error:
        raise ValueError(f"material file {text} is not valid TOML ({error}): correct that line") from None


def _text(where: str, document: dict[str, Any], key: str) -> str:
    value = document.get(key)
    if not isinstance(value, str) or not value.strip():
        raise ValueError(f'{where}: {key} is missing or not text: add {key} = "..." at the top')
    return value


def _is_number(value: object) -> bool:
    return isinstance(value, int | float) and not isinstance(value, bool) and math.isfinite(value)


def _numbers(where: str, document: dict[str, Any]) -> tuple[NumberSource, ...]:
    allowed: dict[str, set[str]] = {}
    for slot in _SLOTS:
        allowed.setdefault(slot.table, set()).add(slot.key)
    allowed["logged"] = set(_LOGGED_KEYS)
    for table, content in document.items():
        if table in ("name", "summary"):
            continue
        if table not in allowed or not isinstance(content, dict):
            raise ValueError(
                f"{where}: {table} is not part of a material profile: remove it or correct its name"
            )
        for key in content:
            if key not in allowed[table]:
                raise ValueError(
                    f"{where}: {table}.{key} is not part of a material profile: correct its name"
                )
    return tuple(number for slot in _SLOTS if (number := _number(where, document, slot)) is not None)


def _number(where: str, document: dict[str, Any], slot: _Slot) -> NumberSource | None:
    here = f"{where}: {slot.table}.{slot.key}"
    entry = document.get(slot.table, {}).get(slot.key)
    example = f'{{ value = 1.0, unit = "{slot.units[0]}", source = "..." }}'
    if entry is None:
        if slot.optional:
            return None
        raise ValueError(f"{here} is missing: write {slot.key} = {example}")
    if not isinstance(entry, dict) or not set(entry) <= _NUMBER_KEYS:
        raise ValueError(f"{here} must be a value with its unit and source: write {slot.key} = {example}")
    value, unit, source = entry.get("value"), entry.get("unit"), entry.get("source")
    if not _is_number(value):
        raise ValueError(
            f"{here} has the value {value!r}, which is not a number: write {slot.key} = {example}"
        )
    if unit not in slot.units:
        raise ValueError(f"{here} is in {unit!r}: give it in one of {', '.join(slot.units)}")
    if not isinstance(source, str) or not source.strip():
        raise ValueError(f'{here} does not say where it comes from: add source = "..."')
    assumed = entry.get("assumed", False)
    if not isinstance(assumed, bool):
        raise ValueError(f"{here} has assumed = {assumed!r}: write true or false")
    return NumberSource(slot.field, float(value), unit, source, assumed)  # type: ignore[arg-type]


def _logged(where: str, document: dict[str, Any]) -> dict[str, Any]:
    table = document.get("logged", {})
    pours, covered = table.get("pours", 0), table.get("covered_ratio", 0.0)
    if not isinstance(pours, int) or isinstance(pours, bool) or pours < 0:
        raise ValueError(
            f"{where}: logged.pours is {pours!r}: give the whole number of logged pours, 0 or more"
        )
    if not _is_number(covered) or not 0.0 <= covered <= 1.0:
        raise ValueError(f"{where}: logged.covered_ratio is {covered!r}: give a share from 0 to 1")
    low_K, high_K = (_logged_temperature(where, table, key) for key in ("low", "high"))
    if (low_K is None) != (high_K is None) or (low_K is not None and high_K is not None and low_K > high_K):
        raise ValueError(
            f"{where}: logged.low and logged.high must both be given, low first: correct the range"
        )
    if pours > 0 and low_K is None:
        raise ValueError(
            f"{where}: {pours} logged pours have no range of air: add logged.low and logged.high"
        )
    return {
        "logged_pours": pours,
        "logged_covered_ratio": float(covered),
        "logged_low_K": low_K,
        "logged_high_K": high_K,
    }


def _logged_temperature(where: str, table: dict[str, Any], key: str) -> float | None:
    entry = table.get(key)
    if entry is None:
        return None
    if (
        not isinstance(entry, dict)
        or not _is_number(entry.get("value"))
        or entry.get("unit") not in _TEMPERATURES
    ):
        raise ValueError(f'{where}: logged.{key} must be like {{ value = -5.0, unit = "Cel" }}: correct it')
    return si_from(float(entry["value"]), entry["unit"])
