"""The filters of all sites of one foot under one thermometer."""

from __future__ import annotations

from hoofsense.estimators import site_films
from hoofsense.estimators.film_filter import STEP_S
from hoofsense.estimators.site_films import SiteFilms, films_heated, films_read, films_with_air
from hoofsense.records import NS_PER_S, SCAN_SITES, AirConditions, Site

AIR = AirConditions(air_K=288.15, relative_humidity_ratio=0.6)


def ns(seconds: float) -> int:
    return round(seconds * NS_PER_S)


def read(films: SiteFilms, from_s: float, site: Site, surface_K: float, readings: int = 6) -> SiteFilms:
    for i in range(readings):
        films = films_read(films, ns(from_s + i / 4), site, surface_K, 0.0)
    return films


def begun() -> SiteFilms:
    films = films_with_air(SiteFilms(), AIR)
    for i, site in enumerate(SCAN_SITES):
        films = read(films, 2.0 * i, site, 290.0)
    return films


def test_a_site_has_a_filter_from_its_third_reading() -> None:
    two = read(SiteFilms(), 0.0, Site.TOE, 290.0, readings=2)
    assert two.of(Site.TOE) is None
    assert read(two, 0.5, Site.TOE, 290.0, readings=1).of(Site.TOE) is not None


def test_the_first_reading_may_be_wild() -> None:
    wild = films_read(SiteFilms(), 0, Site.TOE, 350.0, 0.0)
    film = read(wild, 0.25, Site.TOE, 290.0, readings=2).of(Site.TOE)
    assert film is not None and film.belief.checksum == 290.0


def test_a_window_never_spans_two_sites() -> None:
    films = read(SiteFilms(), 0.0, Site.TOE, 290.0, readings=2)
    films = read(films, 1.0, Site.FROG_APEX, 290.0, readings=2)
    films = read(films, 2.0, Site.TOE, 290.0, readings=2)
    assert films.of(Site.TOE) is None


def test_sites_that_are_not_read_are_carried_along() -> None:
    films = read(begun(), 10.0, Site.TOE, 290.0, readings=120)
    now = ns(10.0 + 119 / 4)
    for site in SCAN_SITES:
        film = films.of(site)
        assert film is not None and now - film.belief.at_ns <= 2 * NS_PER_S


def test_all_sites_are_brought_up_to_the_moment_the_gun_is_switched() -> None:
    films = films_heated(begun(), ns(13.0), True)
    for site in SCAN_SITES:
        film = films.of(site)
        assert film is not None and film.belief.gun_on
        assert ns(13.0) - film.belief.at_ns < ns(STEP_S)
        assert film.earlier == film.probability


def test_a_site_first_read_late_begins_as_the_first_one_did() -> None:
    films = films_heated(begun(), ns(12.0), True)
    films = films_heated(films, ns(34.0), False)
    films = read(films, 36.0, Site.FROG_APEX, 300.0)
    film = films.of(Site.FROG_APEX)
    assert film is not None and not film.belief.gun_on
    assert film.belief.begun_ns == films.begun_ns


def test_air_that_hardly_changed_costs_nothing() -> None:
    films = begun()
    nearly = AirConditions(air_K=288.25, relative_humidity_ratio=0.61)
    assert films_with_air(films, nearly) is films
    changed = films_with_air(films, AirConditions(air_K=295.0, relative_humidity_ratio=0.6))
    toe, before = changed.of(Site.TOE), films.of(Site.TOE)
    assert toe is not None and before is not None
    assert toe.belief.chain.around_K.mean() > before.belief.chain.around_K.mean() + 5.0


def test_heat_counts_as_drying_only_while_no_film_is_likely() -> None:
    films = begun()
    for i in range(3):
        films = films_read(films, ns(11.0 + i / 4), Site.TOE, 290.0, 17.0)
    film = films.of(Site.TOE)
    assert film is not None and film.probability < site_films.FILM_LIKELY
    assert film.film_heat_s == 17.0
