"""Is the foot balanced, how does its pad wear, and when is it worn to the least thickness.

Balance compares the medial with the lateral side against a target a person chose. Wear is a straight line
through the thicknesses of one pad over the weeks; a new pad begins a new line.

source  decision with an interval: JCGM 106:2012 8.3 (from memory); straight line: Draper and Smith, Applied
        Regression Analysis, 3rd ed., 1.4 and 3.2 (Fieller's interval for the time), from memory
"""

from __future__ import annotations

import math
from collections.abc import Mapping, Sequence
from dataclasses import dataclass
from enum import Enum

from scipy.special import stdtrit

from hoofsense.estimators.sheet_sites import SheetSite
from hoofsense.geometry.propagation import COVERAGE_FACTOR, COVERAGE_RATIO
from hoofsense.geometry.sole_outline import Length
from hoofsense.records import NS_PER_S, Estimate
from hoofsense.units import difference_in, si_from, value_in

# How well a hand finds the same spot of the wall or the pad again, beyond what repeats show; no source.
SITE_u_m = 0.0005
USUAL_TOLERANCE_m = 0.002  # medial/lateral difference let pass; common practice, no source
NS_PER_WEEK = 7 * 24 * round(si_from(1.0, "h")) * NS_PER_S
SHORTEST_SPAN_WEEKS = 3.0 / 7.0  # wear over fewer than three days is nothing but caliper noise (our choice)
MOST_AHEAD_WEEKS = 104.0  # no date is named further ahead; a pad lasts weeks (our choice)
MODEL = "straight line, 90 % t interval"

PAIRS = (
    ("wall height", SheetSite.WALL_HEIGHT_MEDIAL, SheetSite.WALL_HEIGHT_LATERAL),
    ("pad at the quarters", SheetSite.PAD_AT_MEDIAL_QUARTER, SheetSite.PAD_AT_LATERAL_QUARTER),
    ("pad at the heels", SheetSite.PAD_AT_MEDIAL_HEEL, SheetSite.PAD_AT_LATERAL_HEEL),
)


class Balance(Enum):
    ON_TARGET = "on target"
    MEDIAL_HIGH = "medial side higher"
    LATERAL_HIGH = "lateral side higher"
    CANNOT_TELL = "cannot tell"


@dataclass(frozen=True, slots=True)
class Target:
    """What a person wants medial minus lateral to be, and how far off it may be; m."""

    difference_m: float = 0.0
    tolerance_m: float = USUAL_TOLERANCE_m

    def __post_init__(self) -> None:
        if not (math.isfinite(self.difference_m) and 0.0 < self.tolerance_m < math.inf):
            raise ValueError(
                f"target {self.difference_m} m within {self.tolerance_m} m needs a tolerance above 0 m"
            )


@dataclass(frozen=True, slots=True)
class SideDifference:
    """Medial minus lateral of one pair of sites, and what it means against the target."""

    what: str
    difference: Estimate
    balance: Balance
    because: str
    next_step: str


@dataclass(frozen=True, slots=True)
class VisitLengths:
    """What was measured on one foot on one day."""

    at_ns: int
    lengths: tuple[tuple[SheetSite, Length], ...]


@dataclass(frozen=True, slots=True)
class ThicknessAt:
    """A pad's thickness on one day, m, with its standard uncertainty (0: not known)."""

    at_ns: int
    thickness_m: float
    standard_uncertainty_m: float = 0.0


@dataclass(frozen=True, slots=True)
class Projection:
    """When the pad's line reaches the least thickness, UTC ns; earliest and latest hold 90 %.

    at_ns        None when no such time can be named; the reason says why
    earliest_ns  None: the readings do not rule out any time before
    latest_ns    None: the readings do not rule out that it takes over two years or never gets there
    """

    at_ns: int | None
    earliest_ns: int | None
    latest_ns: int | None
    within_validity: bool
    reason: str


def side_difference(what: str, medial: Length, lateral: Length, target: Target) -> SideDifference:
    """Whether one side is higher than the target allows, by the whole 90 % interval.

    On target when the interval lies inside target +/- tolerance, one side high when it lies outside,
    otherwise it cannot be told. Each side's uncertainty is widened by finding the spot (SITE_u_m).
    """
    value = medial.value_m - lateral.value_m
    half = COVERAGE_FACTOR * math.sqrt(
        medial.standard_uncertainty_m**2 + lateral.standard_uncertainty_m**2 + 2.0 * SITE_u_m**2
    )
    low, high = value - half, value + half
    least, most = target.difference_m - target.tolerance_m, target.difference_m + target.tolerance_m
    numbers = (
        f"{what}: medial minus lateral {_mm(value)} mm (between {_mm(low)} and {_mm(high)}), "
        f"target {_mm(target.difference_m)} within {difference_in(target.tolerance_m, 'mm'):.1f} mm"
    )
    if least <= low and high <= most:
        balance, step = Balance.ON_TARGET, "Leave it."
    elif low > most:
        balance, step = Balance.MEDIAL_HIGH, "Look at the medial side before the next trim."
    elif high < least:
        balance, step = Balance.LATERAL_HIGH, "Look at the lateral side before the next trim."
    else:
        balance, step = Balance.CANNOT_TELL, "Measure both sides again, twice each."
    estimate = Estimate(
        "side_difference", value, low, high, "m", "difference of two lengths", True, "both sides measured"
    )
    return SideDifference(what, estimate, balance, numbers, step)


def foot_balance(
    lengths: Mapping[SheetSite, Length], targets: Mapping[str, Target] | None = None
) -> tuple[SideDifference, ...]:
    """Every pair measured on both sides, in the order of PAIRS; a pair with one side only says so.

    targets  by the pair's name; a pair without one is held to no difference within 2 mm (no source)
    """
    wanted = targets or {}
    strange = set(wanted) - {what for what, _, _ in PAIRS}
    if strange:
        raise ValueError(f"there is no pair {sorted(strange)[0]!r}: use {', '.join(p[0] for p in PAIRS)}")
    found = []
    for what, medial, lateral in PAIRS:
        sides = [site for site in (medial, lateral) if site in lengths]
        if len(sides) == 2:
            found.append(side_difference(what, lengths[medial], lengths[lateral], wanted.get(what, Target())))
        elif sides:
            missing = lateral if sides[0] is medial else medial
            nothing = Estimate(
                "side_difference", None, None, None, "m", "none", True, f"no {missing} measured"
            )
            because = f"{what}: only {sides[0]} was measured"
            found.append(SideDifference(what, nothing, Balance.CANNOT_TELL, because, f"Measure {missing}."))
    return tuple(found)


def balance_history(
    visits: Sequence[VisitLengths], targets: Mapping[str, Target] | None = None
) -> tuple[tuple[int, tuple[SideDifference, ...]], ...]:
    """The balance of every visit of one foot, oldest first: (at_ns, differences)."""
    ordered = sorted(visits, key=lambda visit: visit.at_ns)
    return tuple((visit.at_ns, foot_balance(dict(visit.lengths), targets)) for visit in ordered)


@dataclass(frozen=True, slots=True)
class WearLine:
    """Least squares through (weeks, mm): y = middle_mm + slope (x - middle_weeks).

    spread_mm  t s, or z u where the readings' own uncertainty is larger; None when neither is known
    """

    first_ns: int
    span_weeks: float
    count: int
    middle_weeks: float
    middle_mm: float
    slope_mm_per_week: float
    squares_weeks2: float
    spread_mm: float | None


def wear_line(readings: Sequence[ThicknessAt]) -> WearLine | str:
    """The line through one pad's thicknesses, or the sentence saying why there is none.

    The residual spread is that of the fit with its t factor (n - 2 degrees of freedom); it is never taken
    smaller than the readings' own standard uncertainty with the normal factor, so three readings that happen
    to lie on a line do not look certain. Two readings have that alone.
    """
    ordered = sorted(readings, key=lambda each: each.at_ns)
    if len(ordered) < 2:
        return "Wear needs two or more thicknesses of one pad: measure it again at the next visit."
    weeks = [(each.at_ns - ordered[0].at_ns) / NS_PER_WEEK for each in ordered]
    if weeks[-1] < SHORTEST_SPAN_WEEKS:
        return (
            "These thicknesses lie less than three days apart, too close to tell wear: measure again later."
        )
    mm = [value_in(each.thickness_m, "mm") for each in ordered]
    if not all(math.isfinite(each) and each >= 0.0 for each in mm):
        raise ValueError(f"thicknesses {mm} mm must all be 0 or more: correct the readings")
    count = len(mm)
    middle_weeks, middle_mm = math.fsum(weeks) / count, math.fsum(mm) / count
    squares = math.fsum((x - middle_weeks) ** 2 for x in weeks)
    slope = math.fsum((x - middle_weeks) * y for x, y in zip(weeks, mm, strict=True)) / squares
    own = math.sqrt(math.fsum(value_in(r.standard_uncertainty_m, "mm") ** 2 for r in ordered) / count)
    spread = COVERAGE_FACTOR * own
    if count > 2:
        left = [y - middle_mm - slope * (x - middle_weeks) for x, y in zip(weeks, mm, strict=True)]
        scatter = math.sqrt(math.fsum(each**2 for each in left) / (count - 2))
        factor = float(stdtrit(count - 2, (1.0 + COVERAGE_RATIO) / 2.0))
        spread = max(spread, factor * scatter)
    known = spread if spread > 0.0 else None
    return WearLine(ordered[0].at_ns, weeks[-1], count, middle_weeks, middle_mm, slope, squares, known)


def wear_rate(readings: Sequence[ThicknessAt]) -> Estimate:
    """Thickness lost per week, mm/wk, with its 90 % interval; below 0 would be growth.

    No value with fewer than two readings or less than three days between first and last. No interval when two
    readings come without an uncertainty.
    """
    line = wear_line(readings)
    if isinstance(line, str):
        return Estimate("wear_rate", None, None, None, "mm/wk", MODEL, True, line)
    wear = -line.slope_mm_per_week
    reason = f"{line.count} thicknesses over {line.span_weeks:.1f} weeks"
    if line.spread_mm is None:
        return Estimate("wear_rate", wear, None, None, "mm/wk", MODEL, False, f"{reason}, scatter unknown")
    half = line.spread_mm / math.sqrt(line.squares_weeks2)
    return Estimate("wear_rate", wear, wear - half, wear + half, "mm/wk", MODEL, True, reason)


def minimum_reached(readings: Sequence[ThicknessAt], minimum_m: float) -> Projection:
    """When the line through the readings reaches minimum_m, by Fieller's interval.

    minimum_m  0 or more
    returns    no time when the pad is not seen to wear; no latest when the readings do not rule out that it
               does not wear at all; within_validity False further ahead than the readings reach back
    """
    if not 0.0 <= minimum_m < math.inf:
        raise ValueError(f"least thickness {minimum_m} m must be 0 or more: choose one")
    line = wear_line(readings)
    if isinstance(line, str):
        return Projection(None, None, None, True, line)
    slope, above = line.slope_mm_per_week, line.middle_mm - value_in(minimum_m, "mm")
    if slope >= 0.0:
        return Projection(
            None, None, None, True, "The pad is not seen to wear: measure again at the next visit."
        )
    if above > -slope * MOST_AHEAD_WEEKS:
        return Projection(
            None,
            None,
            None,
            True,
            "At this wear it lasts more than two years: measure again at the next visit.",
        )
    z = -above / slope
    valid = line.middle_weeks + z <= 2.0 * line.span_weeks
    reach = "" if valid else "; further ahead than the readings reach back, so only a guess"
    reason = f"wearing {-slope:.2f} mm a week over {line.span_weeks:.1f} weeks{reach}"
    if line.spread_mm is None:
        return Projection(_at(line, z), None, None, False, f"{reason}; scatter unknown")
    low, high = _fieller(slope, above, line.spread_mm, line.count, line.squares_weeks2)
    return Projection(_at(line, z), _at(line, low), _at(line, high), valid, reason)


def _fieller(
    slope: float, above: float, spread: float, count: int, squares: float
) -> tuple[float | None, float | None]:
    """Bounds of z where (above + slope z)^2 <= spread^2 (1/count + z^2/squares); None where unbounded."""
    a = slope**2 - spread**2 / squares
    b = slope * above
    c = above**2 - spread**2 / count
    root = b**2 - a * c
    if a > 0.0:  # the wear is certain: root is above 0 because z = -above/slope lies inside
        ends = sorted(((-b - math.sqrt(root)) / a, (-b + math.sqrt(root)) / a))
        return ends[0], ends[1]
    if c <= 0.0 or root < 0.0 or a == 0.0:
        return None, None
    # The wear may be nothing: what is ruled out lies between the two roots
    ends = sorted(((-b - math.sqrt(root)) / a, (-b + math.sqrt(root)) / a))
    return (ends[1], None) if above > 0.0 else (None, ends[0])


def _at(line: WearLine, z: float | None) -> int | None:
    return (
        None
        if z is None or z > MOST_AHEAD_WEEKS
        else line.first_ns + round((line.middle_weeks + z) * NS_PER_WEEK)
    )


def _mm(length_m: float) -> str:
    return f"{difference_in(length_m, 'mm'):+.1f}"
