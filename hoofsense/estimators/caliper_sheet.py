"""Where the next caliper value belongs, and what each site came to: measured once, never written down.

A value lands at the site that is next in the practice's sequence, or at the one a person chose. A site named
twice in the sequence is read twice; repeats give a mean and a type A standard uncertainty. A value that
stands out is held back and asked about once: the next value at that site settles it. When the foot is
poured, what was read on the old pad is set aside; when it is trimmed, the wall heights, and the practice's
order for after the trim begins.

source  JCGM 100:2008 (GUM) 4.2 for repeats; see repeated_readings.py
"""

from __future__ import annotations

import math
from collections.abc import Mapping, Sequence
from dataclasses import dataclass, replace

from hoofsense.estimators.repeated_readings import Repeated, is_outlying, pooled_repeatability, repeated
from hoofsense.estimators.sheet_sites import (
    DEPTH_SITES,
    PAD_SITES,
    USUAL,
    WALL_SITES,
    SheetSite,
    named_site,
)
from hoofsense.geometry.sole_outline import Length
from hoofsense.units import si_difference_from, value_in

__all__ = [
    "DEPTH_SITES",
    "KNOWN_SITES",
    "CaliperSheet",
    "HeldBack",
    "SheetSite",
    "SiteHistory",
    "SiteValues",
    "is_complete",
    "last_value_m",
    "lengths_m",
    "named_site",
    "redone",
    "sheet_begun",
    "skipped",
    "value_refusal",
    "with_next_site",
    "with_pad_poured",
    "with_rows",
    "with_value",
    "with_wall_trimmed",
]

KNOWN_SITES = tuple(SheetSite)

LONGEST_m = 0.3  # a 300 mm jaw; a foot is shorter
MOST_REPEATS = 12  # of one site, our choice
MOST_HISTORY = 12  # earlier values of one site that are looked at, our choice
CALIPER_u_m = 0.00003  # standard uncertainty of a good caliper: +/-0.05 mm as a rectangle; common practice
# Two readings of one site this close say the same, the larger of the two (our choice, no source).
AGREEMENT_m, AGREEMENT_RATIO = 0.0005, 0.01


@dataclass(frozen=True, slots=True)
class SiteValues:
    """What was measured at one site, in order; m."""

    site: SheetSite
    values_m: tuple[float, ...]

    @property
    def mean_m(self) -> float:
        return self._repeated.mean

    @property
    def repeatability_m(self) -> float | None:
        """Standard deviation of one reading (GUM 4.2.2); None for a single value."""
        return self._repeated.repeatability

    @property
    def standard_uncertainty_m(self) -> float | None:
        """Of the mean, type A (GUM 4.2.3); None for a single value, which has none."""
        return self._repeated.standard_uncertainty

    @property
    def _repeated(self) -> Repeated:
        return repeated(self.values_m)


@dataclass(frozen=True, slots=True)
class SiteHistory:
    """What this foot measured at one site on earlier visits, oldest first; m."""

    site: SheetSite
    values_m: tuple[float, ...]


@dataclass(frozen=True, slots=True)
class HeldBack:
    """A value that has not landed because it stands out, and the question it raises."""

    site: SheetSite
    value_m: float
    question: str


@dataclass(frozen=True, slots=True)
class CaliperSheet:
    """The sites in their order, what was measured, and where the next value goes (None: nowhere).

    landed     sites in the order values came, so that the last can be taken again
    history    of this foot
    held_back  the value being asked about, None when nothing is
    unusual    sites whose value stood out and was kept when read again
    afterwards the order in which to measure after the trim; empty: the same sheet goes on
    set_aside  what was read on the old pad, and the wall heights before the trim
    """

    sequence: tuple[SheetSite, ...]
    next_site: SheetSite | None
    measured: tuple[SiteValues, ...] = ()
    landed: tuple[SheetSite, ...] = ()
    history: tuple[SiteHistory, ...] = ()
    held_back: HeldBack | None = None
    unusual: tuple[SheetSite, ...] = ()
    afterwards: tuple[SheetSite, ...] = ()
    set_aside: tuple[SiteValues, ...] = ()

    def at(self, site: str) -> SiteValues | None:
        return next((one for one in self.measured if one.site == site), None)


def sheet_begun(
    sequence: Sequence[str] | None = None,
    history: Mapping[str, Sequence[float]] | None = None,
    afterwards: Sequence[str] = (),
) -> CaliperSheet:
    """An empty sheet in a practice's own order; without one, the depths.

    sequence    site names; a name given again later asks for another reading there
    history     m, oldest first, of this foot by site name
    afterwards  site names after the trim; empty: the same sheet goes on
    raises      ValueError for an unknown name, an empty sequence or more repeats than a site holds
    """
    sites = DEPTH_SITES if sequence is None else tuple(named_site(site) for site in sequence)
    later = tuple(named_site(site) for site in afterwards)
    if not sites:
        raise ValueError("a sheet names at least one site: name those to be measured")
    for order in (sites, later):
        most = max(order, key=order.count, default=sites[0])
        if order.count(most) > MOST_REPEATS:
            raise ValueError(f"{most} is named {order.count(most)} times: {MOST_REPEATS} readings are enough")
    earlier = tuple(
        SiteHistory(named_site(name), tuple(values)[-MOST_HISTORY:])
        for name, values in (history or {}).items()
    )
    return CaliperSheet(sites, sites[0], history=earlier, afterwards=later)


def value_refusal(sheet: CaliperSheet, length_m: float) -> str | None:
    """Why a value cannot be taken at all, in one sentence; None when it can."""
    if not 0.0 <= length_m <= LONGEST_m:
        return (
            f"{value_in(length_m, 'mm'):.2f} mm is outside 0 to {value_in(LONGEST_m, 'mm'):.0f} mm: "
            "zero the caliper and measure again."
        )
    if sheet.next_site is None:
        return "Every site has its value: choose a site to measure it again."
    there = sheet.at(sheet.next_site)
    if there is not None and len(there.values_m) >= MOST_REPEATS:
        return f"{MOST_REPEATS} readings at {sheet.next_site} are enough: choose another site."
    return None


def with_value(sheet: CaliperSheet, length_m: float) -> CaliperSheet:
    """The sheet with a value at the next site, or with the question it raises.

    A value that stands out is held back once. The next value at the site settles it: when the two agree both
    land; when they do not, the held one is dropped and the new one lands without another question.
    raises  ValueError when value_refusal names a reason
    """
    why = value_refusal(sheet, length_m)
    site = sheet.next_site
    if why is not None or site is None:
        raise ValueError(why)
    doubt = _doubt(sheet, site, length_m)
    held = sheet.held_back
    if held is None or held.site != site:
        if doubt is not None:
            return replace(sheet, held_back=HeldBack(site, length_m, doubt))
        return _landed(sheet, site, (length_m,))
    close_m = max(AGREEMENT_m, AGREEMENT_RATIO * length_m)
    kept = (held.value_m, length_m) if abs(held.value_m - length_m) <= close_m else (length_m,)
    settled = _landed(replace(sheet, held_back=None), site, kept)
    if doubt is None or site in settled.unusual:
        return settled
    return replace(settled, unusual=(*settled.unusual, site))


def _landed(sheet: CaliperSheet, site: SheetSite, values_m: tuple[float, ...]) -> CaliperSheet:
    old = sheet.at(site)
    values = values_m if old is None else (*old.values_m, *values_m)
    measured = (*(one for one in sheet.measured if one.site != site), SiteValues(site, values))
    landed = (*sheet.landed, *(site for _ in values_m))
    return _advanced(replace(sheet, measured=measured, landed=landed, held_back=None))


def _doubt(sheet: CaliperSheet, site: SheetSite, length_m: float) -> str | None:
    usual = USUAL[site]
    said = f"{value_in(length_m, 'mm'):.2f} mm at {site}"
    if not usual.low_m <= length_m <= usual.high_m:
        inch = si_difference_from(1.0, "[in_i]") / si_difference_from(1.0, "mm")
        mixed = any(usual.low_m <= each <= usual.high_m for each in (length_m * inch, length_m / inch))
        hint = (
            " It would fit if inches and millimetres were mixed up: check the caliper's unit."
            if mixed
            else ""
        )
        return (
            f"{said} is outside the usual {value_in(usual.low_m, 'mm'):g} to "
            f"{value_in(usual.high_m, 'mm'):g} mm: read it once more.{hint}"
        )
    earlier = next((each.values_m for each in sheet.history if each.site == site), ())
    if is_outlying(length_m, earlier, usual.ordinary_change_m):
        middle_mm = value_in(sorted(earlier)[len(earlier) // 2], "mm")
        return f"{said} stands out from this foot's earlier {middle_mm:.1f} mm or so: read it once more."
    return None


def _open_slots(sheet: CaliperSheet) -> list[int]:
    """Places in the sequence that still want a reading."""
    have = {one.site: len(one.values_m) for one in sheet.measured}
    slots = []
    for place, site in enumerate(sheet.sequence):
        if sheet.sequence[: place + 1].count(site) > have.get(site, 0):
            slots.append(place)
    return slots


def _advanced(sheet: CaliperSheet) -> CaliperSheet:
    slots = _open_slots(sheet)
    return replace(sheet, next_site=sheet.sequence[slots[0]] if slots else None)


def is_complete(sheet: CaliperSheet) -> bool:
    """Whether every site of the sequence has all its readings (a skipped one has not)."""
    return not _open_slots(sheet)


def with_next_site(sheet: CaliperSheet, site: str) -> CaliperSheet:
    """The sheet with its next value going to this site; a further value there is a repeat.

    A value held back elsewhere is dropped.
    """
    chosen = named_site(site)
    held = sheet.held_back if sheet.held_back is not None and sheet.held_back.site == chosen else None
    return replace(sheet, next_site=chosen, held_back=held)


def redone(sheet: CaliperSheet) -> CaliperSheet:
    """The sheet without the value that came last, its site next again; unchanged when there is none.

    A value held back counts as the last: it is dropped and the site waits for a fresh one.
    """
    if sheet.held_back is not None:
        return replace(sheet, held_back=None, next_site=sheet.held_back.site)
    if not sheet.landed:
        return sheet
    site = sheet.landed[-1]
    old = sheet.at(site)
    rest = () if old is None else old.values_m[:-1]
    measured = tuple(one for one in sheet.measured if one.site != site)
    if rest:
        measured = (*measured, SiteValues(site, rest))
    unusual = tuple(each for each in sheet.unusual if each != site)
    return replace(sheet, measured=measured, landed=sheet.landed[:-1], next_site=site, unusual=unusual)


def skipped(sheet: CaliperSheet) -> CaliperSheet:
    """The sheet with the site after the next one next, in the sequence's order, round and round.

    A skipped site stays open and comes round again; with no other left open, nothing is next. A value held
    back at the skipped site is dropped.
    """
    if sheet.next_site is None:
        return sheet
    sheet = replace(sheet, held_back=None)
    slots = [place for place in _open_slots(sheet) if sheet.sequence[place] != sheet.next_site]
    if not slots:
        return replace(sheet, next_site=None)
    here = sheet.sequence.index(sheet.next_site) if sheet.next_site in sheet.sequence else -1
    after = [place for place in slots if place > here]
    return replace(sheet, next_site=sheet.sequence[(after or slots)[0]])


def with_rows(sheet: CaliperSheet, rows: Sequence[tuple[str, float]]) -> tuple[CaliperSheet, tuple[str, ...]]:
    """The sheet with the readings of a table, (site, m) each, and the questions they raise.

    A reading that stands out is left out unless the table gives it twice, as at the caliper; the last one is
    held back and asked about.
    raises  ValueError for an unknown site
    """
    told: list[str] = []
    for site, length_m in rows:
        held = sheet.held_back
        sheet = with_next_site(sheet, site)
        if held is not None and sheet.held_back is None:
            told.append(held.question)
        why = value_refusal(sheet, length_m)
        if why is None:
            sheet = with_value(sheet, length_m)
        else:
            told.append(f"{site}: {why}")
    if sheet.held_back is not None:
        told.append(sheet.held_back.question)
    return sheet, tuple(told)


def with_pad_poured(sheet: CaliperSheet) -> CaliperSheet:
    """The sheet of a foot that was just poured: what was read on the old pad is set aside."""
    return _set_aside(sheet, PAD_SITES)


def with_wall_trimmed(sheet: CaliperSheet) -> CaliperSheet:
    """The sheet of a foot just trimmed: the wall is another now, and the order for afterwards begins.

    Without an order for afterwards the sheet goes on as it is.
    """
    if not sheet.afterwards:
        return sheet
    return _advanced(replace(_set_aside(sheet, WALL_SITES), sequence=sheet.afterwards, held_back=None))


def _set_aside(sheet: CaliperSheet, sites: tuple[SheetSite, ...]) -> CaliperSheet:
    gone = tuple(one for one in sheet.measured if one.site in sites)
    if not gone:
        return sheet
    aside = replace(
        sheet,
        measured=tuple(one for one in sheet.measured if one.site not in sites),
        landed=tuple(site for site in sheet.landed if site not in sites),
        unusual=tuple(site for site in sheet.unusual if site not in sites),
        set_aside=(*sheet.set_aside, *gone),
    )
    return _advanced(aside) if sheet.next_site is None or sheet.next_site in sheet.sequence else aside


def last_value_m(sheet: CaliperSheet) -> tuple[SheetSite, float] | None:
    """The value that landed last and where, m; None on an empty sheet."""
    if not sheet.landed:
        return None
    one = sheet.at(sheet.landed[-1])
    return None if one is None else (one.site, one.values_m[-1])


def lengths_m(sheet: CaliperSheet, caliper_u_m: float = CALIPER_u_m) -> dict[SheetSite, Length]:
    """The mean at every measured site with its combined standard uncertainty, m.

    Repeats: type A of the mean and the caliper's own, in quadrature. A single reading borrows the
    repeatability pooled over the sites that were repeated (GUM 4.2.4); with none repeated, the
    caliper's own stands alone.
    """
    try:
        pooled_m, _ = pooled_repeatability([one.values_m for one in sheet.measured])
    except ValueError:
        pooled_m = 0.0
    found = {}
    for one in sheet.measured:
        type_a = one.standard_uncertainty_m
        scatter_m = pooled_m if type_a is None else type_a
        found[one.site] = Length(one.mean_m, math.hypot(scatter_m, caliper_u_m))
    return found
