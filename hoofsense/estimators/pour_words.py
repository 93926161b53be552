"""The pour plan's sentences: what was not measured, what to warm, what to check. Pure text, one page long.

Signal words as in ANSI Z535.4 / ISO 3864-2: WARNING for what may injure seriously, CAUTION for minor injury,
NOTICE for what may spoil the pad. The advice itself is common practice, no source, unless one is named.
"""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import dataclass
from enum import Enum

from hoofsense.physics.equivalent_age import age_factor
from hoofsense.records import Estimate, MaterialProfile
from hoofsense.units import value_in

COLD_MATERIAL_K = 3.0  # below the reference pour's material temperature before warming is advised; no source
COLD_SOLE_K = 5.0  # below the reference pour's sole temperature before warming is advised; no source
HOT_AIR_K = 303.15  # 30 degC; our 1-D model: 15 mm at 35 degC air peaks at 83 degC inside
THICK_FILL_m = 0.012  # in the same model


class Signal(Enum):
    WARNING = "WARNING"
    CAUTION = "CAUTION"
    NOTICE = "NOTICE"
    NONE = ""


@dataclass(frozen=True, slots=True)
class CheckLine:
    """One line of the check-list, with the signal word it carries."""

    signal: Signal
    text: str


@dataclass(frozen=True, slots=True)
class PourTemperatures:
    """What is known just before mixing; None where nobody measured."""

    material_K: float | None = None
    sole_K: float | None = None
    air_K: float | None = None


def warm_up_advice(material: MaterialProfile, now: PourTemperatures) -> tuple[str, ...]:
    """What to warm or cool before mixing, and what it changes; empty when all is as in the reference pour."""
    said = []
    if now.material_K is None:
        said.append("The material's temperature is not known: read it on the cartridge before mixing.")
    else:
        speed = float(
            age_factor(now.material_K, material.activation_energy_J_per_mol, material.reference_material_K)
        )
        here, wanted = _degC(now.material_K), _degC(material.reference_material_K)
        if now.material_K < material.reference_material_K - COLD_MATERIAL_K:
            said.append(
                f"The material is at {here}: warm it to about {wanted} in a closed, dry box; so cold it "
                f"reacts {speed:.2f} times as fast as it should."
            )
        elif now.material_K > material.reference_material_K + COLD_MATERIAL_K:
            said.append(
                f"The material is at {here}, above the usual {wanted}: it reacts {speed:.1f} times as fast; "
                "keep it in the shade and mix late."
            )
    if now.sole_K is not None and now.sole_K < material.reference_sole_K - COLD_SOLE_K:
        said.append(
            f"The sole is at {_degC(now.sole_K)}: let the drying warm it towards "
            f"{_degC(material.reference_sole_K)}, within the heat guard's limits; cold slows the cure."
        )
    if now.air_K is not None and material.logged_low_K is not None and material.logged_high_K is not None:
        if not material.logged_low_K <= now.air_K <= material.logged_high_K:
            said.append(
                f"No pour of this material is on record at {_degC(now.air_K)} (from "
                f"{_degC(material.logged_low_K)} to {_degC(material.logged_high_K)} there are): go by touch."
            )
    return tuple(said)


def check_list(
    units: int,
    pours: int,
    fits: bool,
    work: Estimate,
    recess_m: float | None,
    level: Estimate,
    apex_m: float,
    air_K: float | None,
) -> tuple[CheckLine, ...]:
    """What to go through before mixing, in order.

    fits      whether the pours fit the working time
    recess_m  of a level fill below the wall when it is poured; None for a sculpted one
    apex_m    greatest thickness poured at once
    """
    lines = [
        CheckLine(Signal.WARNING, "Do not cover a foot that smells, discharges, bleeds, is hot or is lame."),
        CheckLine(Signal.WARNING, "No spark or open flame near solvent or uncured material; air the place."),
        CheckLine(Signal.CAUTION, "Gloves and eye protection on: uncured material harms skin and eyes."),
        CheckLine(
            Signal.NOTICE, "The sole looked at and felt dry within the last minutes; no film, no frost."
        ),
        CheckLine(
            Signal.NONE,
            f"{_counted(units, 'whole unit')} and {_counted(pours, 'fresh nozzle')} within reach.",
        ),
        CheckLine(Signal.NONE, "Wall's rim sealed where the fill could run out, a cover ready to lay on."),
    ]
    if recess_m is not None:
        below_mm = value_in(recess_m, "mm")
        lines.append(CheckLine(Signal.NONE, f"Fill until the surface lies {below_mm:.1f} mm below the wall."))
    if level.value is not None:
        if level.value > 0.0:
            lines.append(
                CheckLine(
                    Signal.NOTICE, f"Hold the foot level within {level.value:.1f} degrees until it sets."
                )
            )
        else:
            lines.append(CheckLine(Signal.NOTICE, f"This pad may fail early: {level.reason}."))
    if work.value is not None and work.low is not None:
        low_min, likely_min = value_in(work.low, "min"), value_in(work.value, "min")
        lines.append(
            CheckLine(
                Signal.NOTICE, f"Finish within {low_min:.1f} min of mixing (likely {likely_min:.1f} min)."
            )
        )
    if work.low is None:
        lines.append(CheckLine(Signal.NOTICE, f"How long it can be worked is not known: {work.reason}."))
    elif not fits:
        lines.append(
            CheckLine(
                Signal.NOTICE,
                "This does not fit the working time even in two pours: cool the material or use a slower.",
            )
        )
    elif pours > 1:
        lines.append(
            CheckLine(
                Signal.NOTICE, "Pour in two goes: the second while the first is firm but clean and dry."
            )
        )
    if apex_m > THICK_FILL_m and (air_K is None or air_K >= HOT_AIR_K):
        lines.append(
            CheckLine(
                Signal.CAUTION,
                f"A fill {value_in(apex_m, 'mm'):.0f} mm thick heats itself in warm weather: watch the heat "
                "guard and pour in two layers when in doubt.",
            )
        )
    lines.append(CheckLine(Signal.WARNING, "Foot not put down before the trim and your own touch check."))
    return tuple(lines)


def assumed_words(what: str, taken: str, widening_ratio: float) -> str:
    """One sentence about something nobody measured."""
    wider = f"the volume's interval is {widening_ratio:.2f} times as wide for it"
    if widening_ratio < LEAST_WIDENING_RATIO:
        wider = "it hardly widens the volume's interval"
    return f"{what[:1].upper()}{what[1:]} was not measured and was taken as {taken}; {wider}."


LEAST_WIDENING_RATIO = 1.02  # below this a widening is not worth a number (our choice)


def widening_ratio(standard_uncertainty: float, contribution: float, kept_ratio: float) -> float:
    """By how much an answer is wider for one assumed input.

    contribution  of that input to the standard uncertainty, same unit
    kept_ratio    its standard uncertainty if measured over the assumed one, 0 to 1
    """
    left = standard_uncertainty**2 - contribution**2 * (1.0 - kept_ratio**2)
    return float(standard_uncertainty / left**0.5) if left > 0.0 else float("inf")


def _counted(number: int, what: str) -> str:
    return f"{number} {what}" if number == 1 else f"{number} {what}s"


def joined(sentences: Sequence[str]) -> str:
    return " ".join(sentences)


def _degC(temperature_K: float) -> str:
    return f"{value_in(temperature_K, 'Cel'):.0f} °C"
