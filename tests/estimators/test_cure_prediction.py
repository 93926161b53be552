"""The prediction before the pour, its levers, and the table of a profile."""

from __future__ import annotations

from dataclasses import replace
from functools import cache

import numpy as np
import pytest

from hoofsense.estimators.cure_prediction import PourPrediction, cure_table, predict_pour
from hoofsense.estimators.cure_readiness import CurePhase, cure_answer, cure_begun
from hoofsense.estimators.cure_surroundings import cold_sole_K
from hoofsense.materials import load_profile
from hoofsense.records import AirConditions, Estimate, PourConditions

ICE_K = 273.15
STANDARD = load_profile("standard")


def made(
    air_degC: float, material: float | None = None, sole: float | None = None, **more: float
) -> PourConditions:
    air_K = ICE_K + air_degC
    pour = PourConditions(
        0,
        0.008,
        air_K if material is None else ICE_K + material,
        cold_sole_K(air_K) if sole is None else ICE_K + sole,
        cover_m2_K_per_W=3e-4,
    )
    return replace(pour, **more)  # type: ignore[arg-type]


@cache
def predicted(air_degC: float, wind: float | None = None, **pour: float) -> PourPrediction:
    air = AirConditions(air_K=ICE_K + air_degC, wind_m_per_s=wind)
    return predict_pour(STANDARD, made(air_degC, **pour), air)


def value(estimate: Estimate) -> float:
    assert estimate.value is not None
    return estimate.value


def test_the_prediction_is_the_live_answer_before_anything_has_happened() -> None:
    air = AirConditions(air_K=ICE_K + 15.0, measured_at_ns=0)
    pour = made(15.0, material=20.0)
    before, live = predict_pour(STANDARD, pour, air), cure_answer(cure_begun(STANDARD, pour, air), 1)
    for name in ("work", "firm", "load"):
        one, other = getattr(before, name), getattr(live, name)
        assert (one.low, one.value, one.high) == (other.low, other.value, other.high)
    assert before.slowest == live.slowest


def test_in_frost_it_says_it_will_not_cure_and_names_the_biggest_lever() -> None:
    frost = predicted(-20.0)
    assert frost.phase is CurePhase.WILL_NOT_CURE and not frost.plateau
    lever = frost.biggest_lever
    assert lever is not None and lever.gain_s > 3600.0
    assert lever.action in frost.next_step
    assert [item.gain_s for item in frost.levers] == sorted(
        (item.gain_s for item in frost.levers), reverse=True
    )
    assert {"warm material", "warm sole", "warm material and sole", "cover"} >= {x.name for x in frost.levers}


def test_a_lever_is_worth_what_pulling_it_gains() -> None:
    cold = predicted(0.0)
    gain_s = {lever.name: lever.gain_s for lever in cold.levers}
    warmed = predicted(0.0, material=25.0)
    assert value(cold.firm) - value(warmed.firm) == pytest.approx(gain_s["warm material"], rel=0.5)
    assert gain_s["warm material and sole"] > max(gain_s["warm material"], gain_s["warm sole"])
    assert "warm material" not in {lever.name for lever in warmed.levers}


def test_a_wind_break_is_a_lever_only_in_the_wind() -> None:
    assert "wind break" in {lever.name for lever in predicted(0.0, wind=5.0).levers}
    assert "wind break" not in {lever.name for lever in predicted(0.0).levers}


def test_a_clear_sky_is_slower() -> None:
    air = AirConditions(air_K=ICE_K)
    under = predict_pour(STANDARD, made(0.0), air, open_sky=True)
    assert value(under.firm) > 1.15 * value(predicted(0.0).firm)


def test_heat_is_cautioned_where_the_bond_line_may_pass_45_degC() -> None:
    hot, cold = predicted(35.0, thickness_m=0.015), predicted(0.0)
    assert "45" in hot.heat_caution and value(hot.hottest_bond) > ICE_K + 45.0
    assert cold.heat_caution == ""
    assert value(hot.hottest) > value(hot.hottest_bond)


def test_bands_start_at_the_pour_and_hold_the_peak() -> None:
    mild = predicted(21.0)
    for band in (mild.surface, mild.bond):
        assert band[0].after_s == 0.0
        assert all(p.low_K <= p.likely_K <= p.high_K for p in band)
        assert np.all(np.diff([p.after_s for p in band]) > 0.0)
    # Members peak at different times, so the highest median lies a little below the median of the highest.
    assert -3.0 < max(p.likely_K for p in mild.bond) - value(mild.hottest_bond) < 0.0


def test_each_place_has_its_time_and_only_the_bond_line_cannot_be_felt() -> None:
    mild = predicted(21.0)
    assert {place.place: place.touch_feels for place in mild.places} == {
        "surface": True,
        "bond line": False,
        "rim": True,
    }
    slowest = max(mild.places, key=lambda place: value(place.firm))
    assert slowest.place == mild.slowest


def test_a_glassy_material_stops_short_in_the_cold_and_says_so() -> None:
    glassy = replace(STANDARD, glass_start_K=223.15, glass_full_K=363.15)
    answer = predict_pour(glassy, made(2.0), AirConditions(air_K=ICE_K + 2.0))
    assert answer.plateau and answer.phase is CurePhase.WILL_NOT_CURE
    assert "however long you wait" in answer.because


def test_what_the_profile_assumed_is_listed() -> None:
    assert predicted(21.0).assumptions == STANDARD.assumptions


@pytest.mark.parametrize(
    ("pour", "air", "message"),
    [
        (made(21.0), AirConditions(), "without an air temperature"),
        (made(21.0), AirConditions(air_K=200.0), "air -73.15 °C is outside"),
        (made(21.0, thickness_m=0.1), AirConditions(air_K=294.15), "thickness 100 mm is outside"),
        (made(21.0, material=90.0), AirConditions(air_K=294.15), "material 90 °C is outside"),
    ],
)
def test_nonsense_is_refused(pour: PourConditions, air: AirConditions, message: str) -> None:
    with pytest.raises(ValueError, match=message):
        predict_pour(STANDARD, pour, air)


def test_the_table_has_every_combination_and_warmer_is_sooner() -> None:
    rows = cure_table(STANDARD, (0.0, 20.0), (None,), (None, 25.0))
    assert len(rows) == 4
    assert [(row.air_degC, row.material_degC) for row in rows[:2]] == [(0.0, 0.0), (0.0, pytest.approx(25.0))]
    cold, warm = rows[0], rows[-1]
    assert warm.firm[1] < 0.3 * cold.firm[1]
    for row in rows:
        assert row.work[1] < row.firm[1] < row.load[1]
        assert row.firm[0] < row.firm[1] < row.firm[2]
