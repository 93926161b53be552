"""The film filter of one spot: told by simulated readings, deterministic, hard to fool by single readings."""

from __future__ import annotations

import numpy as np
import pytest

from hoofsense.estimators import film_filter as films
from hoofsense.physics.drying_kinetics import Spot, spot_chain, spot_step
from hoofsense.physics.psychrometrics import vapour_pressure_Pa
from hoofsense.records import NS_PER_S, AirConditions

AIR = AirConditions(air_K=288.15, relative_humidity_ratio=0.6)


def ns(seconds: float) -> int:
    return round(seconds * NS_PER_S)


def told(
    film_kg_per_m2: float, passes: int = 3, air: AirConditions = AIR, wild: bool = False, bias_K: float = 0.0
) -> films.FilmBelief:
    """What a filter believes after passes of 22 s and gaps of 18 s over a spot with this film."""
    row = np.ones(1)
    chain = spot_chain(
        0.25, 0.35 * row, 2.4e6 * row, 297.15 * row, 288.15 * row, vapour_pressure_Pa(288.15, 0.6) * row,
        2e-11 * row, 0.38 * row,
    )  # fmt: skip
    spot = Spot(
        292.15 * row,
        np.full((4, 1), 293.0),
        film_kg_per_m2 * row,
        np.where(film_kg_per_m2 > 0, 0.41, 0.2) * row,
    )
    belief = films.film_begun(0, 292.15 + bias_K, air, 1)
    for step in range(1, round((10 + passes * 40) * 4) + 1):
        at_s = step * 0.25
        on = at_s > 10.0 and (at_s - 10.0) % 40.0 <= 22.0 and (at_s - 10.0) % 40.0 > 0.0
        spot, _, _ = spot_step(spot, chain, *((55.0, 378.15) if on else (8.0, 288.15)))
        if on != belief.gun_on:
            belief = films.film_gun(films.film_advanced(belief, ns(at_s), 1000), on)
        if step % 3 == 0 and at_s % 10.0 > 5.0:
            read_K = float(spot.surface_K[0]) + bias_K + (30.0 if wild and step % 42 == 0 else 0.0)
            belief = films.film_observed(films.film_advanced(belief, ns(at_s), 1000), read_K)
    return belief


def test_a_wet_spot_and_a_dry_one_are_told_apart() -> None:
    wet, dry = told(0.15), told(0.0)
    assert films.no_film_probability(wet) < 0.3
    assert films.no_film_probability(dry) > 0.9


def test_the_bias_of_the_thermometer_is_one_of_the_stories() -> None:
    assert films.no_film_probability(told(0.15, bias_K=1.5)) < 0.4
    assert films.no_film_probability(told(0.0, bias_K=-1.5)) > 0.8


def test_a_film_that_dries_is_seen_to_go() -> None:
    early, late = told(0.03, passes=1), told(0.03, passes=5)
    assert films.no_film_probability(early) < 0.5 < 0.95 < films.no_film_probability(late)


def test_without_humidity_and_air_it_works_and_is_less_sure() -> None:
    known, unknown = told(0.0), told(0.0, air=AirConditions())
    assert 0.5 < films.no_film_probability(unknown) <= films.no_film_probability(known)


def test_single_wild_readings_do_not_turn_a_wet_spot_dry() -> None:
    assert films.no_film_probability(told(0.15, wild=True)) < 0.4


def test_the_same_readings_give_the_very_same_belief() -> None:
    one, other = told(0.05, passes=2), told(0.05, passes=2)
    assert one == other
    assert np.array_equal(one.spot.film_kg_per_m2, other.spot.film_kg_per_m2)
    assert np.array_equal(one.traits, other.traits)
    assert told(0.06, passes=2) != one


def test_two_spots_draw_different_stories() -> None:
    one, other = films.film_begun(0, 290.0, AIR, 1), films.film_begun(0, 290.0, AIR, 2)
    assert not np.allclose(one.traits, other.traits)


def test_the_first_stories_fill_their_priors_evenly() -> None:
    traits = films.film_begun(0, 290.0, AIR, 3).traits
    strength = np.exp(traits[0])
    assert np.median(strength) == pytest.approx(films.COEFFICIENT_W_per_m2_K, rel=0.01)
    assert np.std(traits[0]) == pytest.approx(films.COEFFICIENT_u_ratio, rel=0.02)
    low, high = films.JET_K
    assert low <= traits[1].min() < low + 1.0 and high - 1.0 < traits[1].max() <= high
    assert np.mean(traits[3]) == pytest.approx(0.0, abs=0.02)
    assert np.std(traits[3]) == pytest.approx(films.BIAS_u_K, rel=0.02)


def test_hashed_draws_look_uniform_and_depend_on_the_counter_alone() -> None:
    draws = films._hashed(7, 20000)
    counts, _ = np.histogram(draws, bins=20, range=(0.0, 1.0))
    # chi squared with 19 degrees of freedom stays below 43.8 in 999 of 1000 cases (tables)
    assert float(np.sum((counts - 1000.0) ** 2) / 1000.0) < 43.8
    assert abs(np.corrcoef(draws[:-1], draws[1:])[0, 1]) < 0.03
    assert np.array_equal(draws, films._hashed(7, 20000))
    assert not np.allclose(draws, films._hashed(8, 20000))


def test_systematic_resampling_keeps_each_story_in_proportion() -> None:
    belief = films.film_begun(0, 290.0, AIR, 1)
    count = belief.log_weight.size
    weight = np.zeros(count)
    weight[10], weight[500] = 0.75, 0.25
    again = films._resampled(belief, weight)
    # creep has no spread of its own, so it tells whose child a story is
    heavy = np.isclose(again.tissue_K, belief.tissue_K[10])
    assert heavy.sum() == round(0.75 * count)
    assert np.all(again.log_weight == 0.0)


def test_time_goes_in_whole_steps_and_never_back() -> None:
    belief = films.film_begun(ns(5.0), 290.0, AIR, 1)
    assert films.film_advanced(belief, ns(4.0), 10) is belief
    step = films.STEP_S
    assert films.film_advanced(belief, ns(5.0 + 0.9 * step), 10) is belief
    assert films.film_advanced(belief, ns(5.0 + 2.4 * step), 10).at_ns == ns(5.0 + 2 * step)
    assert films.film_advanced(belief, ns(60.0), 4).at_ns == ns(5.0 + 4 * step)


def test_a_belief_is_not_changed_by_what_follows_from_it() -> None:
    belief = films.film_begun(0, 290.0, AIR, 1)
    film, shown = belief.spot.film_kg_per_m2.copy(), films.expected_K(belief)
    later = films.film_observed(films.film_advanced(films.film_gun(belief, True), ns(10.0), 100), 300.0)
    assert later.at_ns == ns(10.0)
    assert np.array_equal(belief.spot.film_kg_per_m2, film)
    assert np.array_equal(films.expected_K(belief), shown)


def test_recalibration_keeps_the_order_and_the_ends() -> None:
    belief = films.film_begun(0, 290.0, AIR, 1)
    probabilities = []
    for share in (0.0, 0.3, 0.7, 1.0):
        weight = np.full(belief.log_weight.size, -50.0)
        gone = films.film_of_stories_kg_per_m2(belief) < films.FILM_GONE_kg_per_m2
        weight[gone] = np.log(max(share, 1e-12) / gone.sum())
        weight[~gone] = np.log(max(1.0 - share, 1e-12) / (~gone).sum())
        probabilities.append(films.no_film_probability(films.replace(belief, log_weight=weight)))
    assert probabilities == sorted(probabilities)
    assert probabilities[0] < 1e-4 and probabilities[-1] > 0.9999
