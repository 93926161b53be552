"""What one practice does its own way: what it measures in which order, how it pours, what it calls balanced.

Written as plain values (JSON) in the settings file and in a visit's begin mark, with the units in the names.
Every default is common practice, no source, and meant to be edited.
"""

from __future__ import annotations

from collections.abc import Mapping, Sequence
from dataclasses import dataclass, replace
from enum import Enum
from typing import Any

from hoofsense.estimators.caliper_sheet import sheet_begun
from hoofsense.estimators.foot_balance import PAIRS, Target, USUAL_TOLERANCE_m
from hoofsense.estimators.pour_plan import PourSettings
from hoofsense.estimators.sheet_sites import AFTER_TRIM, BEFORE_POUR, SheetSite
from hoofsense.geometry.fill_volume import FillShape, Order
from hoofsense.records import USUAL_UNIT_m3
from hoofsense.units import si_from, value_in

USUAL_TRIM_m = 0.002  # taken off the wall and the pad after the pour; common practice, no source
USUAL_POURING = PourSettings(unit_m3=USUAL_UNIT_m3, trim_m=USUAL_TRIM_m)


@dataclass(frozen=True, slots=True)
class PracticeSettings:
    """One practice's own way.

    before_pour, after_trim  sites in the order they are measured; a site named again is read again
    pouring                  its unit_m3 is the material profile's business and is replaced by it
    targets                  by the name of the pair (foot_balance.PAIRS)
    """

    before_pour: tuple[SheetSite, ...] = BEFORE_POUR
    after_trim: tuple[SheetSite, ...] = AFTER_TRIM
    pouring: PourSettings = USUAL_POURING
    targets: tuple[tuple[str, Target], ...] = ()


@dataclass(frozen=True, slots=True)
class PourWishes:
    """What a person wants of one foot's pour; None: as the practice usually does."""

    share_ratio: float | None = None
    trim_m: float | None = None
    order: Order | None = None
    material_K: float | None = None


def wished(settings: PourSettings, wishes: PourWishes) -> PourSettings:
    """The practice's settings with one foot's wishes in their place."""
    return replace(
        settings,
        share_ratio=settings.share_ratio if wishes.share_ratio is None else wishes.share_ratio,
        trim_m=settings.trim_m if wishes.trim_m is None else wishes.trim_m,
        order=settings.order if wishes.order is None else wishes.order,
    )


@dataclass(frozen=True, slots=True)
class _Number:
    """One number of PourSettings: its written name, its unit there, and the range a practice could mean."""

    field: str
    unit: str
    low: float
    high: float


# Ranges: what a practitioner could mean (no source); a slip of the pen is refused and not poured.
NUMBERS: Mapping[str, _Number] = {
    "share_percent": _Number("share_ratio", "%", 5.0, 100.0),
    "trim_mm": _Number("trim_m", "mm", 0.0, 20.0),
    "least_thickness_mm": _Number("least_thickness_m", "mm", 0.5, 15.0),
    "sculpting_percent": _Number("sculpting_ratio", "%", 0.0, 100.0),
    "nozzle_mL": _Number("nozzle_m3", "mL", 0.0, 100.0),
    "dispense_mL_per_s": _Number("dispense_m3_per_s", "mL", 0.1, 50.0),
    "handling_s": _Number("handling_s", "s", 0.0, 600.0),
    "work_share_percent": _Number("work_share_ratio", "%", 10.0, 100.0),
}
CHOICES: Mapping[str, type[Enum]] = {"shape": FillShape, "order": Order}
_PARTS = ("before_pour", "after_trim", "pouring", "balance")
_TARGET_KEYS = ("difference_mm", "tolerance_mm")
MOST_DIFFERENCE_mm = 20.0  # between two sides of one foot; no source


def settings_fields(settings: PracticeSettings) -> dict[str, Any]:
    """The settings as plain values; settings_from gives them back."""
    return {
        "before_pour": [str(site) for site in settings.before_pour],
        "after_trim": [str(site) for site in settings.after_trim],
        "pouring": {
            **{key: _written(getattr(settings.pouring, n.field), n.unit) for key, n in NUMBERS.items()},
            **{key: getattr(settings.pouring, key).value for key in CHOICES},
        },
        "balance": {
            what: {
                "difference_mm": _written(target.difference_m, "mm"),
                "tolerance_mm": _written(target.tolerance_m, "mm"),
            }
            for what, target in settings.targets
        },
    }


def _written(value: float, unit: str) -> float:
    return float(f"{value_in(value, unit):.9g}")


def settings_from(fields: Mapping[str, Any]) -> PracticeSettings:
    """The settings from plain values; what is left out is as usual.

    raises  ValueError in one sentence for an unknown name, a wrong kind of value or one out of range
    """
    _known(fields, _PARTS, "the settings")
    usual = PracticeSettings()
    return PracticeSettings(
        before_pour=_sites(fields, "before_pour", usual.before_pour),
        after_trim=_sites(fields, "after_trim", usual.after_trim),
        pouring=_pouring(_table(fields, "pouring"), usual.pouring),
        targets=tuple((what, _target(what, said)) for what, said in _table(fields, "balance").items()),
    )


def _known(fields: Mapping[str, Any], known: Sequence[str], where: str) -> None:
    strange = [str(key) for key in fields if key not in known]
    if strange:
        raise ValueError(f"{where} have no {strange[0]!r}: use {', '.join(known)}")


def _table(fields: Mapping[str, Any], key: str) -> Mapping[str, Any]:
    table = fields.get(key, {})
    if not isinstance(table, Mapping):
        raise ValueError(f"{key} is {table!r}: write it as a table of names and values")
    return table


def _sites(fields: Mapping[str, Any], key: str, usual: tuple[SheetSite, ...]) -> tuple[SheetSite, ...]:
    if key not in fields:
        return usual
    names = fields[key]
    if not isinstance(names, Sequence) or isinstance(names, str):
        raise ValueError(f"{key} is {names!r}: write it as a list of sites")
    return sheet_begun([str(name) for name in names]).sequence


def _pouring(fields: Mapping[str, Any], usual: PourSettings) -> PourSettings:
    _known(fields, (*NUMBERS, *CHOICES), "pouring settings")
    changed: dict[str, Any] = {
        NUMBERS[key].field: si_from(
            _number(key, value, NUMBERS[key].low, NUMBERS[key].high), NUMBERS[key].unit
        )
        for key, value in fields.items()
        if key in NUMBERS
    }
    for key, choice in CHOICES.items():
        if key in fields:
            changed[key] = _choice(key, fields[key], choice)
    return replace(usual, **changed)


def _choice(key: str, value: object, choice: type[Enum]) -> Enum:
    known = [str(one.value) for one in choice]
    if value not in known:
        raise ValueError(f"{key} is {value!r}: write {' or '.join(known)}")
    return choice(value)


def _number(key: str, value: object, low: float, high: float) -> float:
    if isinstance(value, bool) or not isinstance(value, int | float) or not low <= value <= high:
        raise ValueError(f"{key} {value!r} is outside {low:g} to {high:g}: correct it")
    return float(value)


def _target(what: str, said: object) -> Target:
    if what not in [name for name, _, _ in PAIRS]:
        raise ValueError(f"there is no pair {what!r}: use {', '.join(name for name, _, _ in PAIRS)}")
    if not isinstance(said, Mapping):
        raise ValueError(f"the target of {what} is {said!r}: write difference_mm and tolerance_mm")
    _known(said, _TARGET_KEYS, f"targets of {what}")
    usual_mm = value_in(USUAL_TOLERANCE_m, "mm")
    difference = _number(
        "difference_mm", said.get("difference_mm", 0.0), -MOST_DIFFERENCE_mm, MOST_DIFFERENCE_mm
    )
    tolerance = _number("tolerance_mm", said.get("tolerance_mm", usual_mm), 0.1, MOST_DIFFERENCE_mm)
    return Target(si_from(difference, "mm"), si_from(tolerance, "mm"))


def wishes_from(fields: Mapping[str, Any]) -> PourWishes:
    """A foot's wishes from a plan mark's plain values; ValueError in one sentence when they do not fit."""

    def told(key: str, low: float, high: float, unit: str) -> float | None:
        value = fields.get(key)
        return None if value is None else si_from(_number(key, value, low, high), unit)

    share, trim = NUMBERS["share_percent"], NUMBERS["trim_mm"]
    order = fields.get("order")
    chosen = None if order is None else _choice("order", order, Order)
    return PourWishes(
        told("share_percent", share.low, share.high, share.unit),
        told("trim_mm", trim.low, trim.high, trim.unit),
        chosen if isinstance(chosen, Order) else None,
        told("material_degC", *MATERIAL_degC, "Cel"),
    )


MATERIAL_degC = (-20.0, 60.0)  # as in the mixed and poured marks
