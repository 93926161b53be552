"""Is there still a film of water on the sole? Judged at the coldest scanned site, over several heat passes.

What a surface thermometer can and cannot tell: a liquid film holds a heated surface near the adiabatic
saturation temperature of the jet, so a site that gets hotter pass by pass, and stays warmer than it was
before the heat, has lost its film. Water bound inside the horn cannot be seen: nothing here ever says that
the horn is dry. A result holds for a short time only, because the horn's own moisture comes back.

source: simulation studies made for this project (tests/studies); thresholds are engineering choices from them
"""

from __future__ import annotations

from dataclasses import dataclass, field, replace
from enum import Enum

from hoofsense.estimators.drying_passes import PassLedger, SiteHistory, heat_marked, site_read
from hoofsense.records import NS_PER_S, SCAN_SITES, AirConditions, Estimate, Site
from hoofsense.units import value_in

PASSES_NEEDED = 3
PEAK_RISE_K = 12.0  # the latest peak must stand this far above the first
REMAINING_RISE_K = 4.0  # and the end of the cooldown this far above the baseline
WET_PEAK_RISE_K = 5.0  # below this the site still behaves as it did wet
WARMING_SEEN_K = 4.0  # a peak this far above the baseline shows that the gun reached the foot
HEATED_STALE_S = 5.0  # with the gun on: a spot heats by several K in this time (our choice)
STALE_S = 15.0  # with the gun away: time to hang it up and aim (our choice)
EXPIRY_S = 90.0  # horn moisture comes back: surface activity 0.84 a minute after a minute of drying
_MODEL = "peak rise at the coldest site"


class FilmClass(Enum):
    FILM_PRESENT = "film present"
    UNSURE = "patchy or unsure"
    NO_FILM = "no film detected"
    CANNOT_TELL = "cannot tell"


@dataclass(frozen=True, slots=True)
class DryingTrace:
    """Everything kept of one foot's drying: the ledger of passes and the air around it."""

    ledger: PassLedger = field(default_factory=PassLedger)
    air: AirConditions = field(default_factory=AirConditions)


@dataclass(frozen=True, slots=True)
class DryingAnswer:
    """Class at the coldest site, the probability of no film there, how long it holds, and what to do next."""

    film: FilmClass
    coldest_site: Site | None
    probability: Estimate
    expires_at_ns: int | None
    rule: str
    because: str
    next_step: str
    next_site: Site | None


def drying_begun() -> DryingTrace:
    """A foot of which nothing has been read."""
    return DryingTrace()


def with_surface(
    trace: DryingTrace, at_ns: int, site: Site, surface_K: float, standard_uncertainty_K: float
) -> DryingTrace:
    """The trace after one screened reading of a site, in order of time (ValueError when it steps back)."""
    if not (0.0 < surface_K < float("inf") and 0.0 <= standard_uncertainty_K < float("inf")):
        raise ValueError(
            f"surface {surface_K} K, uncertainty {standard_uncertainty_K} K is no reading: screen it first"
        )
    return replace(trace, ledger=site_read(trace.ledger, at_ns, site, surface_K))


def with_heat(trace: DryingTrace, at_ns: int, on: bool) -> DryingTrace:
    """The trace after the gun was marked on or off."""
    return replace(trace, ledger=heat_marked(trace.ledger, at_ns, on))


def with_air(trace: DryingTrace, air: AirConditions) -> DryingTrace:
    """The trace with the air as last known; the simple rule works without it."""
    return replace(trace, air=air)


def _no_probability(reason: str) -> Estimate:
    return Estimate("no_film_probability", None, None, None, "1", _MODEL, False, reason)


def _answer(
    film: FilmClass,
    rule: str,
    because: str,
    next_step: str,
    next_site: Site | None = None,
    coldest: Site | None = None,
    expires_at_ns: int | None = None,
) -> DryingAnswer:
    probability = _no_probability("the peak-rise rule is a threshold and gives no probability")
    return DryingAnswer(film, coldest, probability, expires_at_ns, rule, because, next_step, next_site)


def _celsius(surface_K: float) -> str:
    return f"{value_in(surface_K, 'Cel'):.1f} degC"


def _not_ready_to_judge(ledger: PassLedger, at_ns: int) -> DryingAnswer | None:
    """Why the passes cannot be judged at all, or None when they can."""
    cannot = FilmClass.CANNOT_TELL
    if ledger.latest_ns is None:
        return _answer(
            cannot,
            "no reading",
            "no surface temperature has been read",
            f"read the {SCAN_SITES[0].value} before any heat",
            SCAN_SITES[0],
        )
    stale_s = HEATED_STALE_S if ledger.heat_on else STALE_S
    if at_ns - ledger.latest_ns > stale_s * NS_PER_S and not _scan_is_complete(ledger):
        age_s = (at_ns - ledger.latest_ns) / NS_PER_S
        return _answer(
            cannot,
            "stale",
            f"the last reading is {age_s:.0f} s old, the limit is {stale_s:.0f} s",
            "point the thermometer at the sole again",
        )
    if ledger.pass_number == 0:
        unread = [site for site in SCAN_SITES if ledger.of(site).baseline_K is None]
        if unread:
            return _answer(
                cannot,
                "no heat pass",
                f"{len(SCAN_SITES) - len(unread)} of {len(SCAN_SITES)} sites have been read before heating",
                f"read the {unread[0].value} before any heat",
                unread[0],
            )
        return _answer(cannot, "no heat pass", "the sole has not been heated", "heat the sole for 20 s")
    if all(ledger.of(site).baseline_K is None for site in SCAN_SITES):
        return _answer(
            cannot,
            "no baseline",
            "no site was read before the heat began",
            "let the foot cool, start again and read every site before heating",
        )
    if ledger.heat_on:
        film = cannot if ledger.completed < PASSES_NEEDED else FilmClass.UNSURE
        return _answer(
            film,
            "pass running",
            f"pass {ledger.pass_number} is running, {ledger.completed} are complete",
            "heat evenly for 20 to 25 s, then turn the gun away and read every site",
        )
    return None


def _scan_is_complete(ledger: PassLedger) -> bool:
    """Every site read after the latest of enough passes: the result stands, until it expires by itself."""
    return not ledger.heat_on and ledger.completed >= PASSES_NEEDED and _unread_in_gap(ledger) is None


def _unread_in_gap(ledger: PassLedger) -> Site | None:
    """The first required site with no late reading in the latest gap."""
    for site in SCAN_SITES:
        latest = ledger.of(site).latest
        if latest is None or latest.number != ledger.pass_number or latest.cool_K is None:
            return site
    return None


def _peaks(history: SiteHistory) -> tuple[float, float, float]:
    """First peak, latest peak and latest cooldown of a site that has all three."""
    first, latest = history.first, history.latest
    if first is None or latest is None or latest.cool_K is None:
        raise ValueError("this site has not been read in a pass and its gap: check it before judging")
    first_K, latest_K = first.peak_K, latest.peak_K
    if first_K is None or latest_K is None:
        raise ValueError("this site has too few readings for a peak: check it before judging")
    return first_K, latest_K, latest.cool_K


def drying_answer(trace: DryingTrace, at_ns: int) -> DryingAnswer:
    """What can be said about the film at the coldest site at at_ns, and the one thing to do next."""
    ledger = trace.ledger
    early = _not_ready_to_judge(ledger, at_ns)
    if early is not None:
        return early
    unread = _unread_in_gap(ledger)
    if unread is not None:
        never = ledger.of(unread).latest is None
        return _answer(
            FilmClass.CANNOT_TELL if never or ledger.completed < PASSES_NEEDED else FilmClass.UNSURE,
            "site not read",
            f"the {unread.value} has not been read after pass {ledger.pass_number}",
            f"read the {unread.value} with the gun turned away",
            unread,
        )
    if ledger.completed < PASSES_NEEDED:
        return _answer(
            FilmClass.CANNOT_TELL,
            "too few passes",
            f"{ledger.completed} of {PASSES_NEEDED} passes are complete",
            "one more pass",
        )
    for site in SCAN_SITES:
        if ledger.of(site).passes_read < PASSES_NEEDED:
            return _answer(
                FilmClass.CANNOT_TELL,
                "site not scanned",
                f"the {site.value} was read in {ledger.of(site).passes_read} of {PASSES_NEEDED} passes",
                f"heat the {site.value} again",
                site,
            )
    return _judged(ledger, at_ns)


def _judged(ledger: PassLedger, at_ns: int) -> DryingAnswer:
    """The rule itself, for a foot whose sites have all been read in enough passes."""
    peaks = {site: _peaks(ledger.of(site)) for site in SCAN_SITES}
    warmest_baseline = max(b for s in SCAN_SITES if (b := ledger.of(s).baseline_K) is not None)
    warming = max(latest for _, latest, _ in peaks.values()) - warmest_baseline
    if warming < WARMING_SEEN_K:
        return _answer(
            FilmClass.CANNOT_TELL,
            "no warming seen",
            f"the hottest site is {warming:.1f} K above the baseline, the least is {WARMING_SEEN_K:.0f} K",
            "check that the gun is hot and reaches the sole, then one more pass",
        )
    # The coldest in the pass and the coldest after it may differ: both have to be clear.
    suspects = {min(SCAN_SITES, key=lambda s: peaks[s][1]), min(SCAN_SITES, key=lambda s: peaks[s][2])}

    def shortfall(site: Site) -> tuple[float, float, float]:
        first, latest, cool = peaks[site]
        baseline = ledger.of(site).baseline_K
        rise = latest - first
        remaining = cool - (warmest_baseline if baseline is None else baseline)
        return min(rise - PEAK_RISE_K, remaining - REMAINING_RISE_K), rise, remaining

    site = min(suspects, key=lambda s: (shortfall(s)[0], SCAN_SITES.index(s)))
    short, rise, remaining = shortfall(site)
    because = (
        f"the {site.value} peaked at {_celsius(peaks[site][1])}, {rise:+.1f} K against its first pass "
        f"(needs {PEAK_RISE_K:.0f}), and stays {remaining:+.1f} K against its baseline "
        f"(needs {REMAINING_RISE_K:.0f})"
    )
    off_ns = ledger.off_since_ns if ledger.off_since_ns is not None else at_ns
    expires_at_ns = off_ns + int(EXPIRY_S * NS_PER_S)
    again = f"heat the {site.value} again"
    if at_ns >= expires_at_ns:
        return _answer(
            FilmClass.UNSURE,
            "expired",
            f"the heat ended more than {EXPIRY_S:.0f} s ago and the horn's moisture comes back",
            "one more pass",
            None,
            site,
        )
    if short > 0.0:
        return _answer(
            FilmClass.NO_FILM,
            "peaks risen",
            because,
            "touch and look at the sole, then pour at once",
            None,
            site,
            expires_at_ns,
        )
    if rise < WET_PEAK_RISE_K:
        return _answer(FilmClass.FILM_PRESENT, "peaks level", because, again, site, site)
    return _answer(FilmClass.UNSURE, "peaks rising", because, again, site, site)
