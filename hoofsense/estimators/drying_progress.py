"""Is there still a film of water on the sole? Judged at the coldest scanned site, over several heat passes.

What a surface thermometer can and cannot tell: a liquid film holds a heated surface near the adiabatic
saturation temperature of the jet, so a site that gets hotter pass by pass, and stays warmer than it was
before the heat, has lost its film. Water bound inside the horn cannot be seen: nothing here ever says that
the horn is dry. A result holds for a short time only, because the horn's own moisture comes back.

source: simulation studies made for this project (tests/studies); thresholds are engineering choices from them
"""

from __future__ import annotations

import statistics
from dataclasses import dataclass, field, replace
from enum import Enum

from hoofsense.estimators.drying_passes import (
    READINGS_OF_MEDIAN,
    PassLedger,
    SiteHistory,
    heat_marked,
    heated_s,
    site_read,
)
from hoofsense.estimators.gun_from_readings import GunGuess, gun_guessed
from hoofsense.estimators.site_films import SiteFilms, films_heated, films_read, films_with_air
from hoofsense.physics.drying_kinetics import seconds_to_reseal
from hoofsense.records import NS_PER_S, SCAN_SITES, AirConditions, Estimate, Site
from hoofsense.units import value_in

PASSES_NEEDED = 3
PEAK_RISE_K = 12.0  # by the rule the latest peak must stand this far above the first
REMAINING_RISE_K = 4.0  # and the end of the cooldown this far above the baseline
AGREES_PROBABILITY = 0.85  # of no film by the filter, when the rule is met too
SURE_PROBABILITY = 0.987  # of no film by the filter alone, after two passes running
WET_PROBABILITY = 0.5  # below it the film is called present
WARMING_SEEN_K = 4.0  # a peak this far above the baseline shows that the gun reached the foot
HEATED_STALE_S = 5.0  # with the gun on: a spot heats by several K in this time (our choice)
STALE_S = 15.0  # with the gun away: time to hang it up and aim (our choice)
RESEALED_ACTIVITY = 0.87  # a result holds until horn's own moisture has brought the surface back to this
EXPIRY_LOW_S, EXPIRY_HIGH_S = 60.0, 120.0  # and for no shorter and no longer than this after the heat
_MODEL = "particle filter of film, gun and horn"


class FilmClass(Enum):
    FILM_PRESENT = "film present"
    UNSURE = "patchy or unsure"
    NO_FILM = "no film detected"
    CANNOT_TELL = "cannot tell"


@dataclass(frozen=True, slots=True)
class DryingTrace:
    """Everything kept of one foot's drying: the ledger of passes, the filters, and a guess of the gun.

    gun  None from the first mark on: then nothing is guessed any more
    """

    ledger: PassLedger = field(default_factory=PassLedger)
    films: SiteFilms = field(default_factory=SiteFilms)
    gun: GunGuess | None = field(default_factory=GunGuess)


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
    ledger = site_read(trace.ledger, at_ns, site, surface_K)
    films = films_read(trace.films, at_ns, site, surface_K, heated_s(ledger, at_ns))
    trace = replace(trace, ledger=ledger, films=films)
    window = ledger.of(site).window_K
    if trace.gun is None or len(window) < READINGS_OF_MEDIAN:
        return trace
    guess = gun_guessed(trace.gun, at_ns, site, statistics.median(window))
    if guess.on is not trace.gun.on:
        trace = _switched(trace, at_ns, guess.on)
    return replace(trace, gun=guess)


def _switched(trace: DryingTrace, at_ns: int, on: bool) -> DryingTrace:
    if on == trace.ledger.heat_on:
        return trace
    ledger = heat_marked(trace.ledger, at_ns, on)
    return replace(trace, ledger=ledger, films=films_heated(trace.films, at_ns, on))


def with_heat(trace: DryingTrace, at_ns: int, on: bool) -> DryingTrace:
    """The trace after the gun was marked on or off; a repeated mark changes nothing."""
    return replace(_switched(trace, at_ns, on), gun=None)


def with_air(trace: DryingTrace, air: AirConditions) -> DryingTrace:
    """The trace with the air as last known; without it the filter is broader and slower to be sure."""
    return replace(trace, films=films_with_air(trace.films, air))


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
    probability = _no_probability("too little has been read to weigh the stories")
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
    return _judged(trace, at_ns)


@dataclass(frozen=True, slots=True)
class _Evidence:
    """What speaks for or against one site: the rule's shortfall (above 0 is clear) and the filter."""

    site: Site
    short_K: float
    rise_K: float
    remaining_K: float
    peak_K: float
    cool_K: float
    probability: float
    earlier: float


def _evidence(trace: DryingTrace, site: Site, warmest_baseline_K: float) -> _Evidence:
    history, film = trace.ledger.of(site), trace.films.of(site)
    first_K, latest_K, cool_K = _peaks(history)
    baseline_K = history.baseline_K
    rise = latest_K - first_K
    remaining = cool_K - (warmest_baseline_K if baseline_K is None else baseline_K)
    short = min(rise - PEAK_RISE_K, remaining - REMAINING_RISE_K)
    now, earlier = (0.0, 0.0) if film is None else (film.probability, film.earlier or 0.0)
    return _Evidence(site, short, rise, remaining, latest_K, cool_K, now, earlier)


def _judged(trace: DryingTrace, at_ns: int) -> DryingAnswer:
    """For a foot whose sites have all been read in enough passes: the filter and the rule together."""
    ledger = trace.ledger
    warmest_K = max(b for s in SCAN_SITES if (b := ledger.of(s).baseline_K) is not None)
    evidence = [_evidence(trace, site, warmest_K) for site in SCAN_SITES]
    warming = max(e.peak_K for e in evidence) - warmest_K
    if warming < WARMING_SEEN_K:
        return _answer(
            FilmClass.CANNOT_TELL,
            "no warming seen",
            f"the hottest site is {warming:.1f} K above the baseline, the least is {WARMING_SEEN_K:.0f} K",
            "check that the gun is hot and reaches the sole, then one more pass",
        )
    coldest = min(evidence, key=lambda e: e.peak_K)
    doubtful = min(evidence, key=lambda e: e.probability)
    # The coldest in the pass and the coldest after it may differ: by the rule both have to be clear.
    risen = all(e.short_K > 0.0 for e in (coldest, min(evidence, key=lambda e: e.cool_K)))
    before = min(evidence, key=lambda e: e.earlier)
    now, earlier, site_before = doubtful.probability, before.earlier, before.site
    probability = Estimate(
        "no_film_probability",
        now,
        None,
        None,
        "1",
        _MODEL,
        True,
        f"at the {doubtful.site.value}, over all stories",
    )
    guessed = " (gun on and off guessed from the readings)" if trace.gun is not None else ""
    because = (
        f"the {doubtful.site.value} peaked at {_celsius(doubtful.peak_K)}, {doubtful.rise_K:+.1f} K against "
        f"its first pass; no film there with probability {now:.{2 if now < 0.99 else 3}f}{guessed}"
    )
    off_ns = ledger.off_since_ns if ledger.off_since_ns is not None else at_ns
    expires_at_ns = off_ns + int(_holds_s(trace) * NS_PER_S)
    site = doubtful.site

    def answer(film: FilmClass, rule: str, said: str, next_step: str, next_site: Site | None) -> DryingAnswer:
        until_ns = expires_at_ns if film is FilmClass.NO_FILM else None
        return DryingAnswer(film, site, probability, until_ns, rule, said, next_step, next_site)

    if at_ns >= expires_at_ns:
        said = f"the heat ended more than {_holds_s(trace):.0f} s ago and the horn's moisture comes back"
        return answer(FilmClass.UNSURE, "expired", said, "one more pass", None)
    done = "touch and look at the sole, then pour at once"
    if risen and now >= AGREES_PROBABILITY:
        return answer(FilmClass.NO_FILM, "peaks risen", because, done, None)
    if now >= SURE_PROBABILITY and earlier >= SURE_PROBABILITY:
        return answer(FilmClass.NO_FILM, "no film twice", because, done, None)
    if now >= SURE_PROBABILITY:
        said = f"{because}, but it was {earlier:.2f} at the {site_before.value} before this pass"
        return answer(FilmClass.UNSURE, "repeat pass", said, "one more pass", None)
    again = f"heat the {site.value} again"
    if now < WET_PROBABILITY:
        return answer(FilmClass.FILM_PRESENT, "film likely", because, again, site)
    return answer(FilmClass.UNSURE, "film unsure", because, again, site)


def _holds_s(trace: DryingTrace) -> float:
    """How long after the heat the result holds: until the site dried for the shortest time has resealed."""
    dried_s = min(
        trace.ledger.heat_total_s - (film.film_heat_s if film is not None else 0.0)
        for film in (trace.films.of(site) for site in SCAN_SITES)
    )
    held_s = seconds_to_reseal(RESEALED_ACTIVITY, max(dried_s, 0.0))
    return min(max(held_s, EXPIRY_LOW_S), EXPIRY_HIGH_S)
