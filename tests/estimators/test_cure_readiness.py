"""The cure answer: patient, never advanced by an infrared reading, silent without air."""

from __future__ import annotations

from dataclasses import replace

import pytest

from hoofsense.estimators.cure_readiness import (
    CurePhase,
    CureTrace,
    cure_answer,
    cure_begun,
    with_air,
    with_surface,
)
from hoofsense.materials import load_profile
from hoofsense.records import NS_PER_S, AirConditions, PourConditions

POURED_ns = 1_000_000 * NS_PER_S
ICE_K = 273.15


def air(degC: float, at_s: float = 0.0) -> AirConditions:
    return AirConditions(air_K=ICE_K + degC, measured_at_ns=at(at_s))


def at(after_pour_s: float) -> int:
    return POURED_ns + round(after_pour_s * NS_PER_S)


def pour(material_degC: float = 21.0, sole_degC: float = 24.5) -> PourConditions:
    return PourConditions(POURED_ns, 0.008, ICE_K + material_degC, ICE_K + sole_degC)


def begun(degC: float = 21.0) -> CureTrace:
    return cure_begun(load_profile("standard"), pour(degC, degC + 3.5), air(degC))


def kept_fresh(trace: CureTrace, degC: float, until_s: float) -> CureTrace:
    for step in range(60, int(until_s) + 1, 60):
        trace = with_air(trace, at(step), air(degC, step))
    return trace


def test_waits_first_lets_it_be_felt_next_and_asks_for_the_touch_last() -> None:
    trace = begun()
    seen: list[tuple[CurePhase, str]] = []
    for minute in range(0, 61):
        trace = with_air(trace, at(60.0 * minute), air(21.0, 60.0 * minute))
        answer = cure_answer(trace, at(60.0 * minute))
        if not seen or seen[-1] != (answer.phase, answer.rule):
            seen.append((answer.phase, answer.rule))
    assert seen == [
        (CurePhase.WAIT, "cure_too_early"),
        (CurePhase.WAIT, "cure_may_be_felt"),
        (CurePhase.CHECK_BY_TOUCH, "cure_check_by_touch"),
    ]


def test_an_infrared_reading_never_advances_any_time() -> None:
    plain = kept_fresh(begun(), 21.0, 300.0)
    warm = with_surface(plain, at(300.0), ICE_K + 60.0, 0.5)
    for _ in range(5):
        warm = with_surface(warm, at(310.0), ICE_K + 60.0, 0.5)
    before, after = cure_answer(plain, at(320.0)), cure_answer(warm, at(320.0))
    for name in ("work", "firm", "load"):
        one, other = getattr(before, name), getattr(after, name)
        assert other.low >= one.low and other.value >= one.value and other.high >= one.high


def test_a_cold_infrared_reading_postpones() -> None:
    plain = kept_fresh(begun(), 21.0, 300.0)
    cold = with_surface(plain, at(300.0), ICE_K + 2.0, 0.5)
    later, sooner = cure_answer(cold, at(320.0)).firm.high, cure_answer(plain, at(320.0)).firm.high
    assert later is not None and sooner is not None
    assert later > sooner


def test_stale_air_says_cannot_tell_and_fresh_air_speaks_again() -> None:
    trace = begun()
    assert cure_answer(trace, at(880.0)).phase is CurePhase.WAIT
    silent = cure_answer(trace, at(1000.0))
    assert silent.phase is CurePhase.CANNOT_TELL
    assert silent.load_phase is CurePhase.CANNOT_TELL
    assert silent.firm.value is None
    assert silent.rule == "cure_air_stale"
    trace = with_air(trace, at(1000.0), air(21.0, 1000.0))
    assert cure_answer(trace, at(1000.0)).phase is not CurePhase.CANNOT_TELL


def test_without_any_air_temperature_nothing_is_said() -> None:
    trace = cure_begun(load_profile("standard"), pour(), AirConditions())
    answer = cure_answer(trace, at(3600.0))
    assert (answer.phase, answer.rule) == (CurePhase.CANNOT_TELL, "cure_no_air")


def test_deep_frost_says_it_will_not_cure_and_asks_for_warmth() -> None:
    trace = cure_begun(load_profile("standard"), pour(-25.0, -20.0), air(-25.0))
    answer = cure_answer(trace, at(60.0))
    assert answer.phase is CurePhase.WILL_NOT_CURE
    assert "arm" in answer.next_step


def test_colder_air_is_later_for_every_question() -> None:
    times = [cure_answer(begun(degC), at(10.0)) for degC in (-5.0, 5.0, 15.0, 25.0, 35.0)]
    for name in ("work", "firm", "load"):
        likely = [getattr(answer, name).value for answer in times]
        assert likely == sorted(likely, reverse=True)


def test_load_comes_after_firm_and_work_before() -> None:
    answer = cure_answer(begun(), at(10.0))
    assert answer.work.value is not None and answer.firm.value is not None and answer.load.value is not None
    assert answer.work.value < answer.firm.value < answer.load.value


def test_an_impossible_surface_is_a_misuse() -> None:
    with pytest.raises(ValueError, match="screen the reading"):
        with_surface(begun(), at(10.0), 20.0, 0.5)


def test_readings_from_before_the_pour_change_nothing() -> None:
    trace = begun()
    assert with_surface(trace, at(-10.0), ICE_K + 20.0, 0.5) == trace


def test_old_air_does_not_overwrite_newer_air() -> None:
    trace = with_air(begun(), at(100.0), air(10.0, 100.0))
    assert with_air(trace, at(110.0), air(30.0, 50.0)) == trace
    assert with_air(trace, at(120.0), replace(air(30.0, 120.0), air_K=None)) == trace
