"""The film rule: several passes, the coldest site, every site read, and never on thin evidence."""

from __future__ import annotations

import math
from collections.abc import Callable

import pytest

from hoofsense.estimators.drying_progress import (
    EXPIRY_HIGH_S,
    DryingAnswer,
    DryingTrace,
    FilmClass,
    drying_answer,
    drying_begun,
    with_air,
    with_heat,
    with_surface,
)
from hoofsense.records import NS_PER_S, SCAN_SITES, AirConditions, Site

BASELINE_K = 288.15
Heat = Callable[[Site, int], float]  # peak of a site in pass number n, K


def ns(seconds: float) -> int:
    return round(seconds * NS_PER_S)


def drying_out(site: Site, number: int) -> float:
    """A sole that loses its film: 34 degC, then 46, then 54."""
    return {1: 307.15, 2: 319.15}.get(number, 327.15)


def staying_wet(site: Site, number: int) -> float:
    return 307.15 + number


def wet_sulcus(site: Site, number: int) -> float:
    return staying_wet(site, number) if site is Site.MEDIAL_SULCUS else drying_out(site, number)


def read(trace: DryingTrace, at_s: float, site: Site, surface_K: float) -> DryingTrace:
    return with_surface(trace, ns(at_s), site, surface_K, 0.5)


def scanned(
    passes: int,
    heat: Heat,
    sites: tuple[Site, ...] = SCAN_SITES,
    baseline: bool = True,
    damage: Callable[[int, float], float] = lambda i, value: value,
) -> tuple[DryingTrace, float]:
    """Baseline, then passes of 20 s and gaps of 24 s, 4 readings a second, each site in turn."""
    trace, now_s, count = drying_begun(), 0.0, 0
    for site in sites if baseline else ():
        for _ in range(8):
            trace = read(trace, now_s, site, damage(count, BASELINE_K))
            now_s, count = now_s + 0.25, count + 1
    for number in range(1, passes + 1):
        trace = with_heat(trace, ns(now_s), True)
        for i in range(80):
            site = sites[i * len(sites) // 80]
            rise = (heat(site, number) - BASELINE_K) * math.sqrt((i + 1) / 80)
            trace = read(trace, now_s, site, damage(count, BASELINE_K + rise))
            now_s, count = now_s + 0.25, count + 1
        trace = with_heat(trace, ns(now_s), False)
        for i in range(96):
            late = i - 36  # each site is read again after 9 s of cooling
            site = sites[i * len(sites) // 36] if late < 0 else sites[late * len(sites) // 60]
            fall = 0.5 * (heat(site, number) - BASELINE_K) * (1.0 - math.exp(-i / 32))
            trace = read(trace, now_s, site, damage(count, heat(site, number) - fall))
            now_s, count = now_s + 0.25, count + 1
    return trace, now_s


def answer_of(scan: tuple[DryingTrace, float], after_s: float = 0.0) -> DryingAnswer:
    return drying_answer(scan[0], ns(scan[1] + after_s))


def test_a_sole_that_gets_hotter_pass_by_pass_has_lost_its_film() -> None:
    answer = answer_of(scanned(3, drying_out))
    assert answer.film is FilmClass.NO_FILM
    assert answer.expires_at_ns is not None and answer.coldest_site in SCAN_SITES
    assert "touch and look" in answer.next_step


def test_a_sole_that_stays_level_still_has_its_film() -> None:
    answer = answer_of(scanned(4, staying_wet))
    assert answer.film is FilmClass.FILM_PRESENT


def test_one_wet_sulcus_holds_the_whole_foot_and_is_named() -> None:
    answer = answer_of(scanned(4, wet_sulcus))
    assert answer.film is FilmClass.FILM_PRESENT
    assert answer.coldest_site is Site.MEDIAL_SULCUS
    assert (answer.next_step, answer.next_site) == ("heat the medial sulcus again", Site.MEDIAL_SULCUS)


def test_half_way_is_patchy_or_unsure() -> None:
    answer = answer_of(scanned(3, lambda site, number: 307.15 + 5.5 * (number - 1)))
    assert answer.film is FilmClass.UNSURE


@pytest.mark.parametrize("passes", [0, 1, 2])
def test_fewer_than_three_passes_cannot_tell(passes: int) -> None:
    answer = answer_of(scanned(passes, drying_out))
    assert answer.film is FilmClass.CANNOT_TELL
    assert answer.expires_at_ns is None


def test_two_passes_ask_for_one_more() -> None:
    assert answer_of(scanned(2, drying_out)).next_step == "one more pass"


@pytest.mark.parametrize("missing", SCAN_SITES)
def test_a_site_that_was_never_scanned_is_named_and_nothing_is_promised(missing: Site) -> None:
    sites = tuple(site for site in SCAN_SITES if site is not missing)
    answer = answer_of(scanned(4, drying_out, sites))
    assert answer.film is FilmClass.CANNOT_TELL
    assert answer.next_site is missing
    assert answer.next_step == f"read the {missing.value} with the gun turned away"


def test_a_site_read_in_too_few_passes_is_heated_again() -> None:
    trace, now_s = scanned(2, drying_out, tuple(s for s in SCAN_SITES if s is not Site.TOE))
    later, _ = scanned(1, drying_out)
    assert later.ledger.of(Site.TOE).passes_read == 1
    trace = with_heat(trace, ns(now_s), True)
    for i in range(200):
        trace = read(trace, now_s + i / 10, SCAN_SITES[i // 40], 327.0)
    trace = with_heat(trace, ns(now_s + 20.0), False)
    for i in range(200):
        trace = read(trace, now_s + 29.0 + i / 10, SCAN_SITES[i // 40], 316.0)
    answer = drying_answer(trace, ns(now_s + 49.0))
    assert (answer.film, answer.rule) == (FilmClass.CANNOT_TELL, "site not scanned")
    assert answer.next_step == "heat the toe again"


def test_without_heat_nothing_can_be_told() -> None:
    trace = drying_begun()
    for i in range(400):
        trace = read(trace, i / 4, SCAN_SITES[i // 80], 320.0)
    assert drying_answer(trace, ns(100.0)).rule == "no heat pass"


def test_a_cold_gun_is_noticed() -> None:
    answer = answer_of(scanned(4, lambda site, number: BASELINE_K + 1.0))
    assert (answer.film, answer.rule) == (FilmClass.CANNOT_TELL, "no warming seen")


def test_flicking_the_gun_is_no_pass() -> None:
    trace, now_s = drying_begun(), 0.0
    for site in SCAN_SITES:
        for _ in range(4):
            trace = read(trace, now_s, site, BASELINE_K)
            now_s += 0.25
    for _ in range(6):
        trace = with_heat(trace, ns(now_s), True)
        trace = read(trace, now_s + 1.0, Site.TOE, 330.0)
        trace = with_heat(trace, ns(now_s + 1.5), False)
        now_s += 10.0
    assert trace.ledger.completed == 0


def test_a_break_shorter_than_a_gap_belongs_to_the_same_pass() -> None:
    trace = read(drying_begun(), 0.0, Site.TOE, BASELINE_K)
    for i in range(5):
        trace = with_heat(trace, ns(10.0 + 15.0 * i), True)
        trace = with_heat(trace, ns(10.0 + 15.0 * i + 12.0), False)
    assert (trace.ledger.pass_number, trace.ledger.completed) == (1, 1)


def test_old_readings_cannot_tell_while_a_scan_is_under_way() -> None:
    unfinished = scanned(2, drying_out)
    assert answer_of(unfinished, 14.0).rule == "too few passes"
    stale = answer_of(unfinished, 16.0)
    assert (stale.film, stale.rule) == (FilmClass.CANNOT_TELL, "stale")
    heating = (with_heat(unfinished[0], ns(unfinished[1]), True), unfinished[1])
    assert answer_of(heating, 4.0).rule == "pass running"
    assert answer_of(heating, 6.0).rule == "stale"


def test_a_finished_scan_stands_until_it_expires() -> None:
    scan = scanned(3, drying_out)
    assert answer_of(scan, 40.0).film is FilmClass.NO_FILM
    assert answer_of(scan, EXPIRY_HIGH_S).film is not FilmClass.NO_FILM


def test_the_answer_expires_although_readings_go_on() -> None:
    trace, now_s = scanned(3, drying_out)
    off_s = now_s - 24.0
    until_s = math.inf
    while now_s < off_s + EXPIRY_HIGH_S + 2.0:
        trace = read(trace, now_s, SCAN_SITES[int(now_s) % 5], 312.0)
        answer = drying_answer(trace, ns(now_s))
        if answer.film is FilmClass.NO_FILM:
            assert answer.expires_at_ns is not None
            until_s = answer.expires_at_ns / NS_PER_S
            assert now_s < until_s <= off_s + EXPIRY_HIGH_S
        else:
            assert until_s <= now_s
        now_s += 0.5
    assert (answer.rule, answer.next_step) == ("expired", "one more pass")


def test_while_the_gun_is_on_nothing_is_promised() -> None:
    trace, now_s = scanned(3, drying_out)
    trace = read(with_heat(trace, ns(now_s), True), now_s + 0.5, Site.TOE, 325.0)
    assert drying_answer(trace, ns(now_s + 1.0)).film is FilmClass.UNSURE


def test_no_baseline_cannot_tell() -> None:
    answer = answer_of(scanned(3, drying_out, baseline=False))
    assert (answer.film, answer.rule) == (FilmClass.CANNOT_TELL, "no baseline")


def test_single_wild_readings_decide_nothing() -> None:
    def wild(i: int, value: float) -> float:
        return value + (60.0 if i % 7 == 0 else -40.0 if i % 7 == 3 else 0.0)

    assert answer_of(scanned(4, staying_wet, damage=wild)).film is not FilmClass.NO_FILM
    assert answer_of(scanned(4, wet_sulcus, damage=wild)).film is not FilmClass.NO_FILM
    assert answer_of(scanned(3, drying_out, damage=wild)).film is FilmClass.NO_FILM


def test_one_reading_of_a_site_in_a_gap_is_not_enough() -> None:
    trace, now_s = scanned(2, drying_out)
    trace = with_heat(trace, ns(now_s), True)
    for i in range(100):
        trace = read(trace, now_s + i / 5, SCAN_SITES[i // 20], 327.0)
    trace = with_heat(trace, ns(now_s + 20.0), False)
    for i, site in enumerate(SCAN_SITES):
        trace = read(trace, now_s + 30.0 + i, site, 316.0)
    assert drying_answer(trace, ns(now_s + 35.0)).rule == "site not read"


def test_bias_of_the_thermometer_changes_nothing() -> None:
    for bias in (-4.0, 4.0):

        def biased(i: int, value: float, bias: float = bias) -> float:
            return value + bias

        assert answer_of(scanned(3, drying_out, damage=biased)).film is FilmClass.NO_FILM


def test_the_air_may_be_unknown_or_known() -> None:
    trace, now_s = scanned(3, drying_out)
    damp = with_air(trace, AirConditions(air_K=283.15, relative_humidity_ratio=0.9))
    assert drying_answer(damp, ns(now_s)).film is drying_answer(trace, ns(now_s)).film is FilmClass.NO_FILM


def test_no_readings_at_all_asks_for_the_first_site() -> None:
    answer = drying_answer(drying_begun(), 0)
    assert (answer.film, answer.next_site) == (FilmClass.CANNOT_TELL, SCAN_SITES[0])


@pytest.mark.parametrize("surface_K", [math.nan, math.inf, -1.0])
def test_what_is_no_temperature_is_refused(surface_K: float) -> None:
    with pytest.raises(ValueError, match="screen"):
        with_surface(drying_begun(), 0, Site.TOE, surface_K, 0.5)


def test_readings_out_of_order_are_refused() -> None:
    with pytest.raises(ValueError, match="order"):
        read(read(drying_begun(), 5.0, Site.TOE, 300.0), 4.0, Site.TOE, 300.0)
