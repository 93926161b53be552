"""Where the next caliper value belongs, and what each site came to: measured once, never written down.

A value lands at the site that is next in the practice's sequence, or at the one a person chose. A site can be
measured again: the repeats give a mean and a type A standard uncertainty.

source: JCGM 100:2008 (GUM) 4.2.1 to 4.2.3 for the mean of repeats and its standard uncertainty
"""

from __future__ import annotations

import math
from dataclasses import dataclass, replace

from hoofsense.units import value_in

# Common practice, no source: the depths a fill is planned from, then what is left after the trim.
DEPTH_SITES = ("frog apex", "toe", "medial quarter", "lateral quarter", "medial heel", "lateral heel")
PAD_SITES = ("pad at toe", "pad at medial quarter", "pad at lateral quarter")
SIZE_SITES = ("foot length", "foot width", "wall height medial", "wall height lateral", "recess below the wall")
KNOWN_SITES = (*DEPTH_SITES, *PAD_SITES, *SIZE_SITES)

LONGEST_m = 0.3  # a 300 mm jaw; a foot is shorter
MOST_REPEATS = 12  # of one site, our choice


@dataclass(frozen=True, slots=True)
class SiteValues:
    """What was measured at one site, in order; m."""

    site: str
    values_m: tuple[float, ...]

    @property
    def mean_m(self) -> float:
        return math.fsum(self.values_m) / len(self.values_m)

    @property
    def standard_uncertainty_m(self) -> float | None:
        """Of the mean, type A (GUM 4.2.3); None for a single value, which has none."""
        n = len(self.values_m)
        if n == 1:
            return None
        mean = self.mean_m
        return math.sqrt(math.fsum((v - mean) ** 2 for v in self.values_m) / (n - 1) / n)


@dataclass(frozen=True, slots=True)
class CaliperSheet:
    """The sites in their order, what was measured, and where the next value goes (None: nowhere)."""

    sequence: tuple[str, ...]
    next_site: str | None
    measured: tuple[SiteValues, ...] = ()
    landed: tuple[str, ...] = ()  # sites in the order values came, so that the last can be taken again

    def at(self, site: str) -> SiteValues | None:
        return next((one for one in self.measured if one.site == site), None)


def named_site(name: str) -> str:
    """The site of that name; ValueError with the known names for any other."""
    if name not in KNOWN_SITES:
        raise ValueError(f"there is no site {name!r}: use one of {', '.join(KNOWN_SITES)}")
    return name


def sheet_begun(sequence: tuple[str, ...] | None = None) -> CaliperSheet:
    """An empty sheet in a practice's own order; without one, the depths. ValueError for unknown or twice."""
    sites = DEPTH_SITES if sequence is None else tuple(named_site(site) for site in sequence)
    if len(set(sites)) != len(sites) or not sites:
        raise ValueError(f"a sheet names each site once and at least one: got {', '.join(sites) or 'none'}")
    return CaliperSheet(sites, sites[0])


def value_refusal(sheet: CaliperSheet, length_m: float) -> str | None:
    """Why a value cannot land, in one sentence; None when it can."""
    if not 0.0 <= length_m <= LONGEST_m:
        return (
            f"{value_in(length_m, 'mm'):.2f} mm is outside 0 to {value_in(LONGEST_m, 'mm'):.0f} mm: "
            "zero the caliper and measure again."
        )
    if sheet.next_site is None:
        return "Every site has its value: choose a site to measure it again."
    return None


def with_value(sheet: CaliperSheet, length_m: float) -> CaliperSheet:
    """The sheet with a value at the next site; ValueError when value_refusal names a reason."""
    why = value_refusal(sheet, length_m)
    if why is not None or sheet.next_site is None:
        raise ValueError(why)
    site = sheet.next_site
    old = sheet.at(site)
    values = (length_m,) if old is None else (*old.values_m, length_m)[-MOST_REPEATS:]
    measured = (*(one for one in sheet.measured if one.site != site), SiteValues(site, values))
    landed = (*sheet.landed, site)
    return _advanced(replace(sheet, measured=measured, landed=landed))


def _advanced(sheet: CaliperSheet) -> CaliperSheet:
    open_sites = [site for site in sheet.sequence if sheet.at(site) is None]
    return replace(sheet, next_site=open_sites[0] if open_sites else None)


def with_next_site(sheet: CaliperSheet, site: str) -> CaliperSheet:
    """The sheet with its next value going to this site; a further value there is a repeat."""
    return replace(sheet, next_site=named_site(site))


def redone(sheet: CaliperSheet) -> CaliperSheet:
    """The sheet without the value that came last, its site next again; unchanged when there is none."""
    if not sheet.landed:
        return sheet
    site = sheet.landed[-1]
    old = sheet.at(site)
    rest = () if old is None else old.values_m[:-1]
    measured = tuple(one for one in sheet.measured if one.site != site)
    if rest:
        measured = (*measured, SiteValues(site, rest))
    return replace(sheet, measured=measured, landed=sheet.landed[:-1], next_site=site)


def skipped(sheet: CaliperSheet) -> CaliperSheet:
    """The sheet with the site after the next one next, in the sequence's order, round and round."""
    if sheet.next_site is None:
        return sheet
    open_sites = [site for site in sheet.sequence if sheet.at(site) is None]
    later = [s for s in open_sites if s != sheet.next_site]
    if not later:
        return replace(sheet, next_site=None)
    place = sheet.sequence.index(sheet.next_site) if sheet.next_site in sheet.sequence else -1
    after = [s for s in later if sheet.sequence.index(s) > place]
    return replace(sheet, next_site=(after or later)[0])
