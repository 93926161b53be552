"""What each site did in each heat pass: the running features the drying rule judges.

A pass is the gun on, then a gap with the gun turned away. One thermometer serves all sites, so a site has
readings in only part of each pass and gap. Kept per site, never the readings themselves:
  the baseline before any heat, the peak of its first and of its latest pass, and its latest reading late in
  the gap. Every feature is made of medians of three neighbouring readings, and a peak is the middle of the
  three highest of those, so that no single reading, however wrong, decides anything.
"""

from __future__ import annotations

import statistics
from dataclasses import dataclass, field, replace

from hoofsense.records import NS_PER_S, Site

# All times below are engineering choices of this program, made for the protocol of 5 s of baseline,
# passes of 20 to 25 s and gaps of 15 s.
SHORTEST_PASS_S = 10.0  # less heat than this is not a pass
SHORTEST_GAP_S = 8.0  # a shorter break belongs to the same pass; also how long a site cools before it is read
LONGEST_COOLDOWN_S = 60.0  # a reading later in the gap says nothing more about this pass
READINGS_OF_MEDIAN = 3  # neighbours whose median is used
_TOP = 3  # highest medians kept of a pass

SITES = tuple(Site)
_INDEX = {site: index for index, site in enumerate(SITES)}


@dataclass(frozen=True, slots=True)
class SitePass:
    """One site in one pass.

    number   which pass of the foot, 1 upward
    top_K    up to three highest medians of the pass and its gap, ascending
    cool_K   latest median taken SHORTEST_GAP_S to LONGEST_COOLDOWN_S after the gun went off; None: not read
    """

    number: int
    top_K: tuple[float, ...] = ()
    cool_K: float | None = None
    cool_at_ns: int | None = None

    @property
    def peak_K(self) -> float | None:
        """Middle of the three highest medians; None until there is one."""
        return statistics.median_low(self.top_K) if self.top_K else None


@dataclass(frozen=True, slots=True)
class SiteHistory:
    """One site over the visit: its baseline, its first and latest pass, how many it was read in."""

    window_K: tuple[float, ...] = ()
    baseline_sum_K: float = 0.0
    baseline_n: int = 0
    first: SitePass | None = None
    latest: SitePass | None = None
    passes_read: int = 0
    readings: int = 0

    @property
    def baseline_K(self) -> float | None:
        return self.baseline_sum_K / self.baseline_n if self.baseline_n else None


_NO_HISTORY = tuple(SiteHistory() for _ in SITES)


@dataclass(frozen=True, slots=True)
class PassLedger:
    """Marks and per-site features of one foot, in order of time.

    pass_number   the running pass, or the latest; 0 before any heat
    completed     passes with at least SHORTEST_PASS_S of heat and a gap begun
    on_s          heat of the running pass so far, as known at the latest mark
    """

    heat_on: bool = False
    pass_number: int = 0
    completed: int = 0
    on_s: float = 0.0
    heat_total_s: float = 0.0
    on_since_ns: int | None = None
    off_since_ns: int | None = None
    latest_ns: int | None = None
    latest_site: Site | None = None
    sites: tuple[SiteHistory, ...] = field(default=_NO_HISTORY)

    def of(self, site: Site) -> SiteHistory:
        return self.sites[_INDEX[site]]


def heat_marked(ledger: PassLedger, at_ns: int, on: bool) -> PassLedger:
    """The ledger after the gun was marked on or off; a repeated mark changes nothing."""
    if on == ledger.heat_on:
        return ledger
    if on:
        off = ledger.off_since_ns
        continues = (
            ledger.pass_number > ledger.completed  # too little heat so far to count
            or (off is not None and at_ns - off < SHORTEST_GAP_S * NS_PER_S)
        )
        if continues and ledger.pass_number > 0:
            reopened = min(ledger.completed, ledger.pass_number - 1)
            return replace(
                ledger,
                heat_on=True,
                on_since_ns=at_ns,
                off_since_ns=None,
                completed=reopened,
                latest_site=None,
            )
        return replace(
            ledger,
            heat_on=True,
            on_since_ns=at_ns,
            off_since_ns=None,
            pass_number=ledger.pass_number + 1,
            on_s=0.0,
            latest_site=None,
        )
    since = at_ns if ledger.on_since_ns is None else ledger.on_since_ns
    burst_s = max(0, at_ns - since) / NS_PER_S
    on_s = ledger.on_s + burst_s
    return replace(
        ledger,
        heat_on=False,
        off_since_ns=at_ns,
        on_s=on_s,
        heat_total_s=ledger.heat_total_s + burst_s,
        completed=ledger.pass_number if on_s >= SHORTEST_PASS_S else ledger.completed,
        latest_site=None,
    )


def _with_median(history: SiteHistory, ledger: PassLedger, at_ns: int, median_K: float) -> SiteHistory:
    if ledger.pass_number == 0:
        return replace(
            history, baseline_sum_K=history.baseline_sum_K + median_K, baseline_n=history.baseline_n + 1
        )
    latest, passes_read = history.latest, history.passes_read
    if latest is None or latest.number != ledger.pass_number:
        latest = SitePass(ledger.pass_number)
        passes_read += 1
    cool_K, cool_at_ns = latest.cool_K, latest.cool_at_ns
    if ledger.heat_on:
        cool_K, cool_at_ns = None, None  # the site is being heated again: it has to cool again
    elif ledger.off_since_ns is not None:
        cooled_s = (at_ns - ledger.off_since_ns) / NS_PER_S
        if SHORTEST_GAP_S <= cooled_s <= LONGEST_COOLDOWN_S:
            cool_K, cool_at_ns = median_K, at_ns
    top_K = latest.top_K
    if len(top_K) < _TOP or median_K > top_K[0]:
        top_K = tuple(sorted((*top_K, median_K)))[-_TOP:]
    latest = SitePass(latest.number, top_K, cool_K, cool_at_ns)
    first = latest if history.first is None or history.first.number == latest.number else history.first
    return replace(history, first=first, latest=latest, passes_read=passes_read)


def site_read(ledger: PassLedger, at_ns: int, site: Site, surface_K: float) -> PassLedger:
    """The ledger after one reading of a site. ValueError when it lies before the latest one."""
    if ledger.latest_ns is not None and at_ns < ledger.latest_ns:
        raise ValueError(
            f"reading at {at_ns} ns lies before the latest, {ledger.latest_ns} ns: fold in order"
        )
    index = _INDEX[site]
    history = ledger.sites[index]
    # A window never spans a change of site, nor a change of the gun: the readings would not be neighbours.
    window = (
        (*history.window_K, surface_K)[-READINGS_OF_MEDIAN:] if site is ledger.latest_site else (surface_K,)
    )
    history = replace(history, window_K=window, readings=history.readings + 1)
    if len(window) == READINGS_OF_MEDIAN:
        history = _with_median(history, ledger, at_ns, statistics.median(window))
    sites = (*ledger.sites[:index], history, *ledger.sites[index + 1 :])
    return replace(ledger, latest_ns=at_ns, latest_site=site, sites=sites)


def heated_s(ledger: PassLedger, at_ns: int) -> float:
    """Heat the foot has had up to at_ns, the running burst included."""
    running_ns = at_ns - ledger.on_since_ns if ledger.heat_on and ledger.on_since_ns is not None else 0
    return ledger.heat_total_s + max(0, running_ns) / NS_PER_S
