"""The gun guessed from the readings, for when nobody marks it."""

from __future__ import annotations

import math

from hoofsense.estimators.gun_from_readings import GunGuess, gun_guessed
from hoofsense.records import NS_PER_S, SCAN_SITES, Site


def ns(seconds: float) -> int:
    return round(seconds * NS_PER_S)


def looked(guess: GunGuess, from_s: float, site: Site, values: list[float]) -> GunGuess:
    for i, value in enumerate(values):
        guess = gun_guessed(guess, ns(from_s + i / 4), site, value)
    return guess


def test_a_steady_sole_is_not_being_heated() -> None:
    assert not looked(GunGuess(), 0.0, Site.TOE, [290.0 + 0.3 * math.sin(i) for i in range(60)]).on


def test_a_sole_that_warms_fast_is() -> None:
    warming = [290.0 + 0.8 * i / 4 for i in range(20)]
    assert looked(GunGuess(), 0.0, Site.TOE, warming).on


def test_slow_warming_by_the_sun_is_not_the_gun() -> None:
    slow = [290.0 + 0.02 * i for i in range(400)]
    assert not looked(GunGuess(), 0.0, Site.TOE, slow).on


def test_a_sole_that_falls_back_is_no_longer_heated() -> None:
    guess = looked(GunGuess(), 0.0, Site.TOE, [290.0 + i for i in range(12)])
    assert guess.on
    assert not looked(guess, 3.0, Site.TOE, [302.0 - 0.5 * i for i in range(12)]).on


def test_going_from_a_dry_site_to_a_wet_one_is_not_the_gun_going_off() -> None:
    guess = looked(GunGuess(), 0.0, Site.TOE, [290.0 + i for i in range(16)])
    assert looked(guess, 4.0, Site.MEDIAL_SULCUS, [296.0, 296.2, 296.4]).on


def test_the_same_site_found_colder_later_tells_that_it_went_off() -> None:
    guess = looked(GunGuess(), 0.0, Site.TOE, [290.0 + i for i in range(16)])
    guess = looked(guess, 4.0, Site.MEDIAL_SULCUS, [296.0, 296.2])
    assert not looked(guess, 20.0, Site.TOE, [300.0]).on


def test_passes_of_a_scan_are_found_within_six_seconds() -> None:
    guess, wrong_s = GunGuess(), 0.0
    rise = 0.0
    for i in range(4 * 130):
        at_s = i / 4
        on = at_s > 10.0 and (at_s - 10.0) % 40.0 < 22.0
        rise += 0.25 * ((25.0 - rise) / 8.0 if on else -rise / 12.0)
        guess = gun_guessed(guess, ns(at_s), SCAN_SITES[int(at_s / 4) % 5], 288.0 + rise)
        wrong_s += 0.25 * (guess.on != on)
    assert wrong_s < 6 * 6.0
