"""The cure answer: patient, never advanced by an infrared reading, silent without air."""

from __future__ import annotations

from dataclasses import replace

import numpy as np
import pytest

from hoofsense.estimators.cure_evidence import (
    CureEvidence,
    cure_evidence,
    place_times,
    remembered_forecast,
    stacked_times,
    times_of,
)
from hoofsense.estimators.cure_readiness import (
    CureAnswer,
    CurePhase,
    CureTrace,
    cure_answer,
    cure_begun,
    with_air,
    with_surface,
    with_touch,
)
from hoofsense.estimators.cure_smoother import smoothed
from hoofsense.estimators.cure_surface import predicted_K
from hoofsense.materials import load_profile
from hoofsense.records import NS_PER_S, AirConditions, Estimate, MaterialProfile, PourConditions

POURED_ns = 1_000_000 * NS_PER_S
ICE_K = 273.15
STANDARD = load_profile("standard")
EARNED = replace(
    STANDARD, logged_pours=12, logged_covered_ratio=0.9, logged_low_K=268.15, logged_high_K=303.15
)


def at(after_pour_s: float) -> int:
    return POURED_ns + round(after_pour_s * NS_PER_S)


def air(degC: float, at_s: float = 0.0) -> AirConditions:
    return AirConditions(air_K=ICE_K + degC, measured_at_ns=at(at_s))


def pour(material_degC: float = 21.0, sole_degC: float = 24.5, **changes: float) -> PourConditions:
    made = PourConditions(POURED_ns, 0.008, ICE_K + material_degC, ICE_K + sole_degC, cover_m2_K_per_W=3e-4)
    return replace(made, **changes)  # type: ignore[arg-type]


def begun(degC: float = 21.0, profile: MaterialProfile = STANDARD) -> CureTrace:
    return cure_begun(profile, pour(degC, degC + 3.5), air(degC))


def evidence_of(trace: CureTrace, after_s: float) -> CureEvidence:
    pour = replace(trace.pour, poured_at_ns=0)
    surface = trace.surface.closed(after_s)
    return cure_evidence(trace.profile, pour, trace.air.points, trace.air.air_u_K, surface, trace.touches)


def numbers(estimate: Estimate) -> tuple[float, float, float]:
    assert estimate.low is not None and estimate.value is not None and estimate.high is not None
    return estimate.low, estimate.value, estimate.high


def read(
    trace: CureTrace, warmer_K: float, until_s: float, degC: float = 21.0, share: float = 0.5
) -> CureTrace:
    """The trace after readings every 20 s of what a member of rank `share` expects, plus warmer_K."""
    members = remembered_forecast(
        trace.profile, replace(trace.pour, poured_at_ns=0), trace.air.points, trace.air.air_u_K
    )
    order = np.argsort(np.max(members.ln_firm, axis=0))
    chosen = order[int(share * (order.size - 1))]
    for second in range(10, int(until_s), 20):
        surface = float(np.interp(second, members.time_s, members.surface_K[:, chosen])) + warmer_K
        trace = with_surface(trace, at(second), surface, 0.5)
    return with_air(trace, at(until_s), air(degC, until_s))


def test_waits_first_lets_it_be_felt_next_and_asks_for_the_touch_last() -> None:
    trace = begun()
    seen: list[tuple[CurePhase, str]] = []
    for minute in range(0, 91):
        trace = with_air(trace, at(60.0 * minute), air(21.0, 60.0 * minute))
        answer = cure_answer(trace, at(60.0 * minute))
        if not seen or seen[-1] != (answer.phase, answer.rule):
            seen.append((answer.phase, answer.rule))
    assert seen == [
        (CurePhase.WAIT, "cure_too_early"),
        (CurePhase.WAIT, "cure_may_be_felt"),
        (CurePhase.CHECK_BY_TOUCH, "cure_check_by_touch"),
    ]


@pytest.mark.parametrize("warmer_K", [-3.0, 0.0, 3.0])
@pytest.mark.parametrize("share", [0.1, 0.9])
@pytest.mark.parametrize("until_s", [100.0, 300.0, 900.0])
def test_readings_never_advance_a_profile_that_has_not_earned_it(
    warmer_K: float, share: float, until_s: float
) -> None:
    before = cure_answer(begun(), at(1.0))
    after = cure_answer(read(begun(), warmer_K, until_s, share=share), at(until_s))
    assert np.all(np.array(numbers(after.firm)) >= np.array(numbers(before.firm)) - 1e-9)
    assert np.all(np.array(numbers(after.load)) >= np.array(numbers(before.load)) - 1e-9)
    assert np.all(np.array(numbers(after.work)) <= np.array(numbers(before.work)) + 1e-9)


def test_readings_of_a_slow_pad_postpone() -> None:
    before = cure_answer(begun(), at(1.0))
    after = cure_answer(read(begun(), 0.0, 900.0, share=0.97), at(900.0))
    assert after.readings_trusted and after.readings_used >= 40
    assert numbers(after.firm)[1] > 1.1 * numbers(before.firm)[1]


def test_readings_of_a_fast_pad_advance_a_profile_that_has_earned_it_inside_its_range_only() -> None:
    moved = {}
    for name, degC in (("inside", 21.0), ("outside", 32.0)):
        before = cure_answer(begun(degC, EARNED), at(1.0))
        after = cure_answer(read(begun(degC, EARNED), 0.0, 600.0, degC, share=0.05), at(600.0))
        assert after.readings_trusted
        moved[name] = np.array(numbers(after.firm)) / np.array(numbers(before.firm))
    assert moved["inside"][1] < 0.9
    assert moved["inside"][2] < 1.0
    assert np.all(moved["outside"] >= 1.0)


def test_safe_by_advances_only_a_third_of_the_way_in_the_logarithm() -> None:
    trace = read(begun(21.0, EARNED), 0.0, 600.0, share=0.05)
    evidence = evidence_of(trace, 600.0)
    members = remembered_forecast(
        trace.profile, replace(trace.pour, poured_at_ns=0), trace.air.points, trace.air.air_u_K
    )
    times_s, values_K, u_K = trace.surface.closed(600.0).arrays()
    result = smoothed(stacked_times(members), predicted_K(members, times_s), values_K, u_K, times_s)
    even = np.full(members.members, 1.0 / members.members)
    live, prior = (
        np.log(times_of(np.max(place_times(ln_times)[1], axis=0), even))
        for ln_times in (result.ln_times, stacked_times(members))
    )
    assert live[2] < prior[2]
    assert np.log(evidence.firm) == pytest.approx(
        [live[0], live[1], prior[2] - (prior[2] - live[2]) / 3.0], abs=1e-9
    )


@pytest.mark.parametrize(
    "change", [{"logged_pours": 9}, {"logged_covered_ratio": 0.79}, {"logged_low_K": 295.0}]
)
def test_authority_needs_pours_coverage_and_range_together(change: dict[str, float]) -> None:
    profile = replace(EARNED, **change)  # type: ignore[arg-type]
    before = cure_answer(begun(profile=profile), at(1.0))
    after = cure_answer(read(begun(profile=profile), 0.0, 600.0, share=0.05), at(600.0))
    assert numbers(after.firm)[2] >= numbers(before.firm)[2] - 1e-9


def test_readings_that_do_not_fit_are_not_used_and_said_so() -> None:
    before = cure_answer(begun(), at(1.0))
    after = cure_answer(read(begun(), 25.0, 600.0), at(600.0))
    assert not after.readings_trusted and after.readings_used == 0
    assert "do not fit" in after.because and "not used" in after.firm.reason
    assert not after.firm.within_validity
    assert numbers(after.firm) == numbers(before.firm)


def test_one_wild_reading_among_good_ones_is_left_out() -> None:
    good = read(begun(), 0.0, 600.0)
    wild = with_surface(read(begun(), 0.0, 300.0), at(305.0), ICE_K + 75.0, 0.5)
    for second in range(320, 600, 20):
        wild = with_surface(wild, at(second), ICE_K + 31.0, 0.5)
    answer = cure_answer(with_air(wild, at(600.0), air(21.0, 600.0)), at(600.0))
    assert answer.readings_trusted
    assert answer.readings_used >= cure_answer(good, at(600.0)).readings_used - 3


def test_a_surface_too_cold_to_be_firm_moves_safe_by_on() -> None:
    """The surface's own equivalent age is necessary: a pad read at 0 degC cannot be firm yet."""
    trace = begun()
    for second in range(10, 5400, 20):
        trace = with_surface(trace, at(second), ICE_K, 0.5)
        if second % 600 == 10:
            trace = with_air(trace, at(second), air(21.0, second))
    plain = cure_answer(begun(), at(1.0))
    cold = cure_answer(with_air(trace, at(5400.0), air(21.0, 5400.0)), at(5400.0))
    assert numbers(cold.firm)[2] > numbers(plain.firm)[2]


def test_a_firm_touch_brings_the_answer_forward_and_a_soft_one_puts_it_back() -> None:
    trace = with_air(begun(), at(1200.0), air(21.0, 1200.0))
    plain = numbers(cure_answer(trace, at(1200.0)).firm)
    firm = numbers(cure_answer(with_touch(trace, at(1200.0), True), at(1200.0)).firm)
    soft = numbers(cure_answer(with_touch(trace, at(1200.0), False), at(1200.0)).firm)
    assert firm[2] < plain[2] < soft[2]
    assert soft[0] > plain[0]
    assert soft[1] > 1200.0


def test_contradicting_touches_leave_an_interval_not_a_point() -> None:
    trace = with_air(begun(), at(1200.0), air(21.0, 1200.0))
    for second, felt in ((60.0, True), (1200.0, False), (1210.0, True), (1220.0, False)):
        trace = with_touch(trace, at(second), felt)
    low, _, high = numbers(cure_answer(trace, at(1230.0)).firm)
    assert high / low > 1.5


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
    trace = cure_begun(STANDARD, pour(), AirConditions())
    answer = cure_answer(trace, at(3600.0))
    assert (answer.phase, answer.rule) == (CurePhase.CANNOT_TELL, "cure_no_air")


@pytest.mark.parametrize(
    ("made", "rule"),
    [
        (pour(thickness_m=0.0005), "cure_thickness_out_of_range"),
        (pour(thickness_m=0.08), "cure_thickness_out_of_range"),
        (pour(material_degC=90.0), "cure_material_out_of_range"),
        (pour(sole_degC=-50.0), "cure_sole_out_of_range"),
    ],
)
def test_a_pour_that_makes_no_sense_cannot_be_told(made: PourConditions, rule: str) -> None:
    answer = cure_answer(cure_begun(STANDARD, made, air(21.0)), at(10.0))
    assert (answer.phase, answer.rule) == (CurePhase.CANNOT_TELL, rule)


def test_air_beyond_the_range_of_the_model_cannot_be_told() -> None:
    answer = cure_answer(cure_begun(STANDARD, pour(), air(-45.0)), at(10.0))
    assert (answer.phase, answer.rule) == (CurePhase.CANNOT_TELL, "cure_air_out_of_range")


def test_deep_frost_says_it_will_not_cure_and_asks_for_warmth() -> None:
    trace = cure_begun(STANDARD, pour(-25.0, -20.0), air(-25.0))
    answer = cure_answer(trace, at(60.0))
    assert (answer.phase, answer.rule) == (CurePhase.WILL_NOT_CURE, "cure_too_cold")
    assert "Warm" in answer.next_step


def test_a_material_that_turns_to_glass_says_that_waiting_does_not_help() -> None:
    glassy = replace(STANDARD, glass_start_K=223.15, glass_full_K=363.15)
    trace = cure_begun(glassy, pour(2.0, 5.0), air(2.0))
    answer = cure_answer(trace, at(60.0))
    assert (answer.phase, answer.rule) == (CurePhase.WILL_NOT_CURE, "cure_stalls")
    assert "waiting will not" in answer.next_step


def test_a_profile_whose_reference_pour_no_rate_can_meet_cannot_be_told() -> None:
    stone = replace(STANDARD, name="stone", glass_start_K=280.0, glass_full_K=440.0)
    trace = cure_begun(stone, pour(), air(21.0))
    answer = cure_answer(trace, at(60.0))
    assert (answer.phase, answer.rule) == (CurePhase.CANNOT_TELL, "cure_material_unusable")
    assert "reference pour" in answer.because
    assert cure_answer(trace, at(120.0)).rule == "cure_material_unusable"


def test_colder_air_is_later_for_every_question() -> None:
    times = [cure_answer(begun(degC), at(10.0)) for degC in (-5.0, 10.0, 30.0)]
    for name in ("work", "firm", "load"):
        likely = [numbers(getattr(answer, name))[1] for answer in times]
        assert likely == sorted(likely, reverse=True)


def test_air_that_turns_cold_during_the_cure_postpones() -> None:
    mild = with_air(begun(), at(300.0), air(21.0, 300.0))
    cold = with_air(mild, at(310.0), air(5.0, 310.0))
    later, sooner = (numbers(cure_answer(trace, at(320.0)).firm) for trace in (cold, mild))
    assert np.all(np.array(later[1:]) > 1.3 * np.array(sooner[1:]))


def test_load_comes_after_firm_and_work_before() -> None:
    answer = cure_answer(begun(), at(10.0))
    work, firm, load = (numbers(e)[1] for e in (answer.work, answer.firm, answer.load))
    assert work < firm < load


def test_the_reference_pour_itself_is_likely_firm_in_its_middle_at_its_stated_time() -> None:
    members = remembered_forecast(
        STANDARD, replace(pour(), poured_at_ns=0), begun().air.points, begun().air.air_u_K
    )
    middle = np.median(np.max(members.ln_firm[:2], axis=0))
    assert np.exp(middle) == pytest.approx(STANDARD.reference_firm_s, rel=0.05)
    assert np.exp(np.median(members.ln_work)) == pytest.approx(STANDARD.reference_work_s, rel=0.10)


def test_readings_from_before_the_pour_of_a_cover_or_of_no_pad_are_no_evidence() -> None:
    trace = begun()
    assert with_surface(trace, at(-10.0), ICE_K + 20.0, 0.5) == trace
    assert with_touch(trace, at(-10.0), True) == trace
    covered = cure_begun(STANDARD, pour(cover_m2_K_per_W=0.12), air(21.0))
    assert with_surface(covered, at(10.0), ICE_K + 20.0, 0.5) == covered
    burnt = with_surface(trace, at(10.0), ICE_K + 300.0, 0.5)
    assert burnt.surface.bins == () and burnt.surface.refused == 1


def test_the_answer_is_the_same_every_time_and_wherever_the_pour_stands_in_time() -> None:
    def answered(shift_ns: int) -> CureAnswer:
        made = replace(pour(), poured_at_ns=POURED_ns + shift_ns)
        conditions = AirConditions(air_K=ICE_K + 21.0, measured_at_ns=POURED_ns + shift_ns)
        trace = cure_begun(STANDARD, made, conditions)
        for second in range(10, 400, 20):
            trace = with_surface(trace, at(second) + shift_ns, ICE_K + 24.0, 0.5)
        return cure_answer(trace, at(400.0) + shift_ns)

    assert answered(0) == answered(86_400 * NS_PER_S)


def test_the_trace_stays_small_however_much_is_read() -> None:
    trace = begun()
    for second in range(0, 7200, 2):
        trace = with_surface(trace, at(second), ICE_K + 25.0, 0.5)
        trace = with_air(trace, at(second), air(21.0 + 8.0 * np.sin(second / 200.0), second))
        trace = with_touch(trace, at(second), False) if second % 60 == 0 else trace
    assert len(trace.surface.bins) <= 64
    assert len(trace.air.points) <= 50
    assert len(trace.touches) <= 8
