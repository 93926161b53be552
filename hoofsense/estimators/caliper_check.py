"""The guided check of a caliper before it is trusted: zero, a gauge block, a negative, the inch key.

Write-ups of caliper ports disagree about the sign, and a value without a unit can be in either, so each
instrument shows once that what arrives is what its display says. The sign bit of a 24-bit frame is found
from the negative value.

All limits are common practice or our choice, as said beside each; there is no standard for such ports.
"""

from __future__ import annotations

from dataclasses import dataclass, replace
from enum import Enum

from hoofsense.units import dimension_of, si_from, value_in
from hoofsense.wire.caliper_port import SIGN_BITS, decode_caliper24, decode_caliper52
from hoofsense.wire.errors import FrameError

ZERO_LIMIT_m = 0.02e-3  # two counts of 0.01 mm, our choice: a zero that was just set shows 0.00
LENGTH_LIMIT_m = 0.03e-3  # permissible error of a pocket caliper over 150 mm; common practice
INCH_COUNT_m = 0.0005 * 0.0254  # a caliper in inches shows steps of 0.0005 in
SHORTEST_BLOCK_m = 2e-3  # below, a length in inches lies too near to one in millimetres; our choice
LONGEST_BLOCK_m = 0.150  # measuring range of a pocket caliper; common practice
TRIES = 3  # at each step, our choice


class CheckStep(Enum):
    ZERO = "zero"
    BLOCK = "gauge block"
    NEGATIVE = "negative"
    INCH = "inch key"


STEPS = tuple(CheckStep)


@dataclass(frozen=True, slots=True)
class Candidate:
    """One way to read what the caliper sent.

    sign_bit  20 or 21 for a 24-bit frame, None for anything else
    length_m  m, negative allowed
    unit      UCUM unit it was sent in, or that its settings state
    """

    sign_bit: int | None
    length_m: float
    unit: str


@dataclass(frozen=True, slots=True)
class CaliperCheck:
    """How far the check is.

    block_m    size of the gauge block
    unit       in which it showed zero, "mm" or "[in_i]"
    step       what comes next; None when the check is over
    tries      wrong values at this step so far
    sign_bit   found at the negative value, None before and where frames hold none
    inch_told  whether what it sends tells inches from mm; None before and where the key is missing
    failure    why it did not pass, in one sentence; "" while it may
    """

    block_m: float
    step: CheckStep | None = CheckStep.ZERO
    tries: int = 0
    unit: str = "mm"
    sign_bit: int | None = None
    inch_told: bool | None = None
    failure: str = ""

    @property
    def passed(self) -> bool:
        return self.step is None and not self.failure


def check_begun(block_m: float) -> CaliperCheck:
    """A check with a block of this size, 2 to 150 mm; ValueError for another."""
    if not SHORTEST_BLOCK_m <= block_m <= LONGEST_BLOCK_m:
        raise ValueError(
            f"a block of {value_in(block_m, 'mm'):g} mm is outside {value_in(SHORTEST_BLOCK_m, 'mm'):g} to "
            f"{value_in(LONGEST_BLOCK_m, 'mm'):g} mm: take another, or a drill shank of known size"
        )
    return CaliperCheck(block_m)


def candidates_from_frame(digits: bytes, layout: str) -> tuple[Candidate, ...]:
    """Every reading of a caliper frame in hex digits; none when it breaks its layout.

    layout  "hex24" or "hex52", as a bridge line says; ValueError for another
    """
    if layout == "hex52":
        try:
            said = decode_caliper52(digits)
        except FrameError:
            return ()
        return (Candidate(None, si_from(said.value, said.unit), said.unit),)
    if layout != "hex24":
        raise ValueError(
            f"layout {layout!r} is neither hex24 nor hex52: pass on frames as the port sends them"
        )
    found = []
    for sign_bit in SIGN_BITS:
        try:
            said = decode_caliper24(digits, sign_bit)
        except FrameError:
            continue
        found.append(Candidate(sign_bit, si_from(said.value, said.unit), said.unit))
    return tuple(found)


def candidates_from_value(value: float, unit: str) -> tuple[Candidate, ...]:
    """The one reading of a value that came as a number; none when its unit is no length."""
    if dimension_of(unit) != "length":
        return ()
    return (Candidate(None, si_from(value, unit), unit),)


def instruction(check: CaliperCheck) -> str:
    """What the person does now, in one sentence; "" when the check is over."""
    if check.step is None:
        return ""
    block = f"{value_in(check.block_m, 'mm'):g} mm"
    return {
        CheckStep.ZERO: "Close the jaws, set zero, and send the value.",
        CheckStep.BLOCK: f"Take the block of {block} between the jaws and send the value.",
        CheckStep.NEGATIVE: "Set zero with the block in the jaws, take it out, close the jaws, and send.",
        CheckStep.INCH: "Leave the jaws closed, press the inch key, and send once more.",
    }[check.step]


def with_sample(check: CaliperCheck, candidates: tuple[Candidate, ...]) -> tuple[CaliperCheck, str]:
    """The check after one value, and a sentence about it.

    candidates  what candidates_from_frame or candidates_from_value made of what came
    raises      ValueError when the check is over
    """
    if check.step is None:
        raise ValueError("this check is over: begin a new one")
    if not candidates:
        return _missed(check, "What came breaks the layout of its port")
    return _JUDGED[check.step](check, candidates)


def without_inch_key(check: CaliperCheck) -> CaliperCheck:
    """The check of a caliper that has no inch key; ValueError at any other step."""
    if check.step is not CheckStep.INCH:
        raise ValueError("only the last step can be left out: send a value")
    return replace(check, step=None, tries=0)


def _zero(check: CaliperCheck, candidates: tuple[Candidate, ...]) -> tuple[CaliperCheck, str]:
    one = candidates[0]
    if abs(one.length_m) <= ZERO_LIMIT_m:
        return _done(replace(check, unit=one.unit), f"{_shown(one)} arrived, as it should.")
    return _missed(check, f"{_shown(one)} came for closed jaws")


def _block(check: CaliperCheck, candidates: tuple[Candidate, ...]) -> tuple[CaliperCheck, str]:
    one = candidates[0]
    if _is(one, check.block_m):
        return _done(check, f"{_shown(one)} arrived for {_mm(check.block_m)}.")
    if _unit_mistaken(check, one, check.block_m):
        return _missed(check, f"{_shown(one)} came: its display is in the other unit")
    return _missed(check, f"{_shown(one)} came for {_mm(check.block_m)}, {_mm(LENGTH_LIMIT_m)} is the limit")


def _negative(check: CaliperCheck, candidates: tuple[Candidate, ...]) -> tuple[CaliperCheck, str]:
    for one in candidates:
        if _is(one, -check.block_m):
            found = "" if one.sign_bit is None else f" Its sign is bit {one.sign_bit}."
            return _done(replace(check, sign_bit=one.sign_bit), f"{_shown(one)} arrived.{found}")
    one = candidates[0]
    if _is(one, check.block_m):
        return _missed(check, f"{_shown(one)} came without its minus sign")
    return _missed(check, f"{_shown(one)} came, {_mm(-check.block_m)} was to come")


def _inch(check: CaliperCheck, candidates: tuple[Candidate, ...]) -> tuple[CaliperCheck, str]:
    one = next((each for each in candidates if each.sign_bit == check.sign_bit), candidates[0])
    if one.unit != check.unit and _is(one, -check.block_m):
        return _done(replace(check, inch_told=True), f"{_shown(one)} arrived, the same length.")
    if one.unit == check.unit and _unit_mistaken(check, one, -check.block_m):
        word = "in" if check.unit == "[in_i]" else check.unit
        said = f"It does not say when its unit changes: keep it in {word} and leave that key alone."
        return _done(replace(check, inch_told=False), said)
    if one.unit == check.unit and _is(one, -check.block_m):
        return _missed(check, f"{_shown(one)} came, its unit unchanged")
    return _missed(check, f"{_shown(one)} came, the same length in the other unit was to come")


def _is(one: Candidate, length_m: float) -> bool:
    limit_m = LENGTH_LIMIT_m + (INCH_COUNT_m if one.unit == "[in_i]" else 0.0)
    return abs(one.length_m - length_m) <= limit_m


def _unit_mistaken(check: CaliperCheck, one: Candidate, length_m: float) -> bool:
    """Whether its number is this length in the other unit than the one it is said to be in."""
    other = "mm" if check.unit == "[in_i]" else "[in_i]"
    meant = Candidate(one.sign_bit, si_from(value_in(one.length_m, check.unit), other), other)
    return _is(meant, length_m)


def _done(check: CaliperCheck, said: str) -> tuple[CaliperCheck, str]:
    assert check.step is not None
    place = STEPS.index(check.step) + 1
    return replace(check, step=STEPS[place] if place < len(STEPS) else None, tries=0), said


def _missed(check: CaliperCheck, fact: str) -> tuple[CaliperCheck, str]:
    assert check.step is not None
    tries = check.tries + 1
    if tries < TRIES:
        return replace(check, tries=tries), f"{fact}: do this step again."
    said = f"{fact}, {TRIES} times at the step {check.step.value}: {_ADVICE[check.step]}."
    return replace(check, step=None, tries=tries, failure=said), said


def _shown(one: Candidate) -> str:
    if one.unit == "[in_i]":
        return f"{value_in(one.length_m, one.unit):.4f} in"
    return _mm(one.length_m)


def _mm(length_m: float) -> str:
    return f"{value_in(length_m, 'mm'):.2f} mm"


_JUDGED = {
    CheckStep.ZERO: _zero,
    CheckStep.BLOCK: _block,
    CheckStep.NEGATIVE: _negative,
    CheckStep.INCH: _inch,
}
_ADVICE = {
    CheckStep.ZERO: "change the caliper's battery and clean its jaws, then check it again",
    CheckStep.BLOCK: "see that the unit set for this port is the caliper's, then check it again",
    CheckStep.NEGATIVE: "never trust a negative value of this port; set its bridge as caliper_ports.md says",
    CheckStep.INCH: "leave that key alone and check it again",
}
