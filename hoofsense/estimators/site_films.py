"""The film filters of all sites of one foot, fed by one thermometer that looks at one site at a time.

Each site's filter is carried forward whether it is being read or not. To keep a reading cheap the sites that
lag are carried a few steps at a time, and only medians of three neighbouring readings are weighed.
"""

from __future__ import annotations

import statistics
from dataclasses import dataclass, field, replace

from hoofsense.estimators.film_filter import (
    FilmBelief,
    film_advanced,
    film_begun,
    film_gun,
    film_observed,
    film_with_air,
    no_film_probability,
)
from hoofsense.records import NS_PER_S, AirConditions, Site

SITES = tuple(Site)
_INDEX = {site: index for index, site in enumerate(SITES)}
_MEDIAN_OF = 3
_LAG_NS = NS_PER_S  # an unread site may lag this far before it is carried forward
_STEPS_AT_ONCE = 12  # at most, for a site that is not being read
_ALL_STEPS = 1_000_000
_SWITCHES_KEPT = 64  # of the gun: for a site that is first read in the middle of a visit
AIR_CHANGED_K, HUMIDITY_CHANGED_ratio = 0.3, 0.02
FILM_LIKELY = 0.85  # below this probability of no film the site counts as having dried for no time


@dataclass(frozen=True, slots=True)
class SiteFilm:
    """One site's filter.

    probability  of no film, after the latest reading weighed
    earlier      the same when the latest pass began; None before the first
    film_heat_s  heat the foot had had when a film was last likely here
    """

    belief: FilmBelief
    probability: float = 0.0
    earlier: float | None = None
    film_heat_s: float = 0.0


@dataclass(frozen=True, slots=True)
class SiteFilms:
    """All sites and what they share.

    switches  of the gun, oldest first
    begun_K   the first surface temperature, for when the air is not known
    window_K  the latest readings of latest_site, up to three, since it came under the thermometer
    """

    sites: tuple[SiteFilm | None, ...] = field(default=(None,) * len(SITES))
    switches: tuple[tuple[int, bool], ...] = ()
    begun_ns: int | None = None
    begun_K: float = 0.0
    latest_site: Site | None = None
    window_K: tuple[float, ...] = ()
    air: AirConditions = field(default_factory=AirConditions)

    def of(self, site: Site) -> SiteFilm | None:
        return self.sites[_INDEX[site]]


def _placed(films: SiteFilms, index: int, film: SiteFilm | None) -> tuple[SiteFilm | None, ...]:
    return (*films.sites[:index], film, *films.sites[index + 1 :])


def _first_belief(films: SiteFilms, at_ns: int, site: Site, surface_K: float) -> FilmBelief:
    """A filter for a site first read now; one first read after heating begins as the first site did."""
    if not films.switches or films.begun_ns is None:
        return film_begun(at_ns, surface_K, films.air, _INDEX[site] + 1)
    belief = film_begun(films.begun_ns, films.begun_K, films.air, _INDEX[site] + 1)
    for switched_ns, on in films.switches:
        belief = film_gun(film_advanced(belief, switched_ns, _ALL_STEPS), on)
    return belief


def films_read(films: SiteFilms, at_ns: int, site: Site, surface_K: float, heated_s: float) -> SiteFilms:
    """The filters after one reading of a site, in order of time.

    heated_s  heat the foot has had so far in this visit
    """
    window = (*films.window_K, surface_K) if site is films.latest_site else (surface_K,)
    if len(window) < _MEDIAN_OF:
        return _laggard_carried(replace(films, latest_site=site, window_K=window), at_ns)
    index, median_K = _INDEX[site], statistics.median(window)
    if films.begun_ns is None:
        films = replace(films, begun_ns=at_ns, begun_K=median_K)
    film = films.sites[index]
    belief = _first_belief(films, at_ns, site, median_K) if film is None else film.belief
    belief = film_observed(film_advanced(belief, at_ns, _ALL_STEPS), median_K)
    probability = no_film_probability(belief)
    was_dry = film is not None and probability >= FILM_LIKELY
    film = SiteFilm(
        belief,
        probability,
        None if film is None else film.earlier,
        film.film_heat_s if film is not None and was_dry else heated_s,
    )
    films = replace(films, sites=_placed(films, index, film), latest_site=site, window_K=())
    return _laggard_carried(films, at_ns)


def _laggard_carried(films: SiteFilms, at_ns: int) -> SiteFilms:
    """The site that lags most, some steps further."""
    lagging = [
        (film.belief.at_ns, index)
        for index, film in enumerate(films.sites)
        if film is not None and at_ns - film.belief.at_ns > _LAG_NS
    ]
    if not lagging:
        return films
    _, index = min(lagging)
    film = films.sites[index]
    if film is None:
        return films
    carried = replace(film, belief=film_advanced(film.belief, at_ns, _STEPS_AT_ONCE))
    return replace(films, sites=_placed(films, index, carried))


def films_heated(films: SiteFilms, at_ns: int, on: bool) -> SiteFilms:
    """The filters after the gun was switched; when it comes on, what each site stood at is remembered."""
    sites: list[SiteFilm | None] = []
    for film in films.sites:
        if film is None:
            sites.append(None)
            continue
        belief = film_gun(film_advanced(film.belief, at_ns, _ALL_STEPS), on)
        earlier = film.probability if on else film.earlier
        sites.append(replace(film, belief=belief, earlier=earlier))
    switches = (*films.switches, (at_ns, on))[-_SWITCHES_KEPT:]
    return replace(films, sites=tuple(sites), switches=switches, latest_site=None, window_K=())


def films_with_air(films: SiteFilms, air: AirConditions) -> SiteFilms:
    """The filters in changed air; a change no instrument could see is let pass."""
    if _same(air.air_K, films.air.air_K, AIR_CHANGED_K) and _same(
        air.relative_humidity_ratio, films.air.relative_humidity_ratio, HUMIDITY_CHANGED_ratio
    ):
        return films
    sites = tuple(
        None if film is None else replace(film, belief=film_with_air(film.belief, films.begun_K, air))
        for film in films.sites
    )
    return replace(films, sites=sites, air=air)


def _same(a: float | None, b: float | None, within: float) -> bool:
    return a is b if a is None or b is None else abs(a - b) <= within
