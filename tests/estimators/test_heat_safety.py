"""The heat guard: looks ahead at the quick, never late to stop, keeps the dose of the visit."""

from __future__ import annotations

import math

import numpy as np
import pytest

from hoofsense.estimators.heat_safety import (
    HeatAnswer,
    HeatLimits,
    HeatTrace,
    heat_answer,
    heat_begun,
    heat_of_pour,
    with_air,
    with_heat,
    with_surface,
)
from hoofsense.physics import quick_heating as quick
from hoofsense.records import NS_PER_S, SCAN_SITES, Site, Status

TOE = Site.TOE


def ns(seconds: float) -> int:
    return round(seconds * NS_PER_S)


def heated(
    trace: HeatTrace, from_s: float, to_s: float, surface_K: float, site: Site = TOE, u_K: float = 0.0
) -> HeatTrace:
    """One site read four times a second at a steady temperature."""
    for i in range(round((to_s - from_s) * 4)):
        trace = with_surface(trace, ns(from_s + i / 4), site, surface_K, u_K)
    return trace


def peak_of(answer: HeatAnswer) -> float:
    assert answer.quick.value is not None
    return answer.quick.value


def dose_of(answer: HeatAnswer) -> float:
    assert answer.dose.value is not None
    return answer.dose.value


def test_nothing_read_cannot_tell() -> None:
    answer = heat_answer(heat_begun(0.005), 0)
    assert answer.status is Status.CANNOT_TELL and answer.dose.value is None


def test_a_cool_sole_may_be_heated() -> None:
    answer = heat_answer(heated(heat_begun(0.005), 0.0, 5.0, 288.15), ns(5.0))
    assert answer.status is Status.READY


def test_a_careful_dry_of_three_passes_is_not_stopped() -> None:
    trace, now_s, surface = heat_begun(0.005), 0.0, 290.0
    for peak in (306.0, 314.0, 325.0):
        trace = with_heat(trace, ns(now_s), True)
        for i in range(100):
            read = surface + (peak - surface) * math.sqrt(i / 100)
            trace = with_surface(trace, ns(now_s + i / 4), SCAN_SITES[i // 20], read, 0.5)
        now_s += 25.0
        trace = with_heat(trace, ns(now_s), False)
        for i in range(60):
            surface = peak - (peak - 300.0) * 0.5 * (1.0 - math.exp(-i / 20))
            trace = with_surface(trace, ns(now_s + i / 4), SCAN_SITES[i // 12], surface, 0.5)
        now_s += 15.0
        assert heat_answer(trace, ns(now_s)).status is Status.READY


def test_the_surface_cap_stops_at_once() -> None:
    answer = heat_answer(heated(heat_begun(0.01), 0.0, 1.0, 333.5), ns(1.0))
    assert (answer.status, answer.rule) == (Status.STOP, "surface too hot")
    assert answer.next_step == "turn the gun away now"


def test_the_cap_counts_the_upper_bound_of_the_reading() -> None:
    begun = heated(heat_begun(0.01), 0.0, 1.0, 290.0)
    sure = heat_answer(heated(begun, 1.0, 2.0, 332.0), ns(2.0))
    unsure = heat_answer(heated(begun, 1.0, 2.0, 332.0, u_K=1.0), ns(2.0))
    assert sure.status is Status.READY and unsure.status is Status.STOP


def test_it_warns_before_it_stops_and_stops_before_the_quick_is_hot() -> None:
    trace, statuses = heat_begun(0.005), []
    for i in range(800):
        trace = with_surface(trace, ns(i / 4), TOE, 328.15, 0.0)
        answer = heat_answer(trace, ns(i / 4))
        statuses.append(answer.status)
        if answer.status is Status.STOP:
            model = quick.quick_model(0.005)
            assert trace.sites[0].depth_K[model.quick] < 316.15
            break
    order = [status for i, status in enumerate(statuses) if i == 0 or statuses[i - 1] is not status]
    assert order == [Status.READY, Status.NOT_YET, Status.STOP]


def fine_peak_K(horn_m: float, pattern: list[tuple[float, float]]) -> float:
    """Peak at the quick after a pattern of (seconds, surface K) by explicit steps on a 0.1 mm grid."""
    dx, dt = 1e-4, 0.02
    n = round((horn_m + 0.03) / dx)
    x = np.arange(n + 1) * dx
    nodes = pattern[0][1] + (303.15 - pattern[0][1]) * np.minimum(x / horn_m, 1.0)
    r = quick.DIFFUSIVITY_m2_per_s * dt / dx**2
    biot = 2.0 * quick.STILL_AIR_W_per_m2_K * dx / quick.CONDUCTIVITY_W_per_m_K
    peak, at = -math.inf, round(horn_m / dx)
    times = np.cumsum([0.0] + [seconds for seconds, _ in pattern[1:]])
    steps = round((times[-1] + 300.0) / dt)
    for step in range(1, steps + 1):
        inner = nodes[1:-1] + r * (nodes[2:] - 2.0 * nodes[1:-1] + nodes[:-2])
        surface = nodes[0] + r * (2.0 * nodes[1] - 2.0 * nodes[0] - biot * (nodes[0] - 293.15))
        if step * dt <= times[-1]:
            surface = float(np.interp(step * dt, times, [value for _, value in pattern]))
        nodes[1:-1], nodes[0], nodes[-1] = inner, surface, inner[-1]
        if step * dt >= times[-1]:
            peak = max(peak, float(nodes[at]))
    return peak


@pytest.mark.parametrize(
    ("horn_m", "pattern"),
    [
        (0.003, [(0.0, 295.0), (10.0, 330.0)]),
        (0.005, [(0.0, 290.0), (25.0, 318.0), (15.0, 305.0), (25.0, 328.0)]),
        (0.005, [(0.0, 300.0), (1.0, 353.0), (29.0, 353.0)]),
        (0.008, [(0.0, 290.0), (5.0, 345.0), (20.0, 345.0), (20.0, 310.0), (25.0, 340.0), (15.0, 308.0)]),
    ],
)
def test_the_predicted_peak_is_within_half_a_kelvin_of_a_fine_reference(
    horn_m: float, pattern: list[tuple[float, float]]
) -> None:
    times = np.cumsum([seconds for seconds, _ in pattern])
    surface = [value for _, value in pattern]
    trace = heat_begun(horn_m, HeatLimits(upper_bound_k=0.0))
    for i in range(round(float(times[-1]) * 4) + 1):
        trace = with_surface(trace, ns(i / 4), TOE, float(np.interp(i / 4, times, surface)), 0.5)
    predicted = peak_of(heat_answer(trace, ns(float(times[-1]))))
    assert predicted == pytest.approx(fine_peak_K(horn_m, pattern), abs=0.5)


def test_a_site_that_was_not_read_is_taken_as_hot_as_its_hotter_reading() -> None:
    begun = heated(heat_begun(0.004), 0.0, 1.0, 300.0)
    read_on = heated(begun, 1.0, 20.0, 325.0)
    unread = with_surface(begun, ns(19.75), TOE, 325.0, 0.0)
    ahead = peak_of(heat_answer(unread, ns(19.75)))
    assert ahead == pytest.approx(peak_of(heat_answer(read_on, ns(19.75))), abs=0.6)


def test_silence_with_the_gun_on_heats_on_in_the_model_until_stop() -> None:
    trace = with_heat(heat_begun(0.004), 0, True)
    trace = heated(heated(trace, 0.0, 1.0, 300.0), 1.0, 10.0, 325.0)
    assert heat_answer(trace, ns(10.0)).status is Status.READY
    assert heat_answer(trace, ns(16.0)).status is Status.CANNOT_TELL
    assert heat_answer(trace, ns(240.0)).status is Status.STOP


def test_a_site_left_alone_cools_once_the_gun_is_marked_off() -> None:
    trace = heated(with_heat(heat_begun(0.004), 0, True), 0.0, 20.0, 325.0)
    trace = with_heat(trace, ns(20.0), False)
    trace = with_surface(trace, ns(400.0), Site.FROG_APEX, 300.0, 0.5)
    answer = heat_answer(trace, ns(400.0))
    assert answer.status is Status.READY and peak_of(answer) < 311.0


def test_the_dose_is_kept_after_the_foot_has_cooled() -> None:
    trace = heated(heat_begun(0.004), 0.0, 150.0, 328.0)
    trace = heated(with_heat(trace, ns(150.0), False), 150.0, 1200.0, 295.0)
    answer = heat_answer(trace, ns(1200.0))
    assert peak_of(answer) < 303.0
    assert (answer.status, answer.rule) == (Status.STOP, "dose spent")
    assert dose_of(answer) > 1.0


def test_the_worst_site_decides() -> None:
    trace = heated(heat_begun(0.004), 0.0, 60.0, 300.0, Site.MEDIAL_SULCUS)
    trace = heated(trace, 60.0, 100.0, 330.0, Site.TOE)
    trace = with_surface(trace, ns(100.0), Site.MEDIAL_SULCUS, 300.0, 0.0)
    assert "toe" in heat_answer(trace, ns(100.0)).because


def test_thinner_horn_stops_earlier() -> None:
    def stop_s(horn_m: float) -> float:
        trace = heat_begun(horn_m)
        for i in range(4000):
            trace = with_surface(trace, ns(i / 4), TOE, 330.0, 0.0)
            if i % 4 == 0 and heat_answer(trace, ns(i / 4)).status is Status.STOP:
                return i / 4
        return math.inf

    assert stop_s(0.003) < stop_s(0.005) < stop_s(0.008) < math.inf


def test_hotter_air_is_counted_and_colder_air_is_not() -> None:
    trace = heated(heat_begun(0.005), 0.0, 20.0, 320.0)
    plain = peak_of(heat_answer(trace, ns(20.0)))
    assert peak_of(heat_answer(with_air(trace, 313.0), ns(20.0))) > plain
    assert peak_of(heat_answer(with_air(trace, 263.0), ns(20.0))) == plain


def test_the_pours_own_heat_is_added_to_what_the_foot_already_had() -> None:
    # 58 degC at the bond line of a 15 mm pad in 35 degC air (project simulation)
    exotherm = ((0.0, 305.0), (240.0, 331.0), (900.0, 320.0), (1800.0, 311.0))
    cool = heated(heat_begun(0.01), 0.0, 5.0, 305.0)
    warm = heated(heat_begun(0.01), 0.0, 60.0, 328.0)
    cool_dose, cool_peak = heat_of_pour(cool, ns(60.0), exotherm)
    warm_dose, warm_peak = heat_of_pour(warm, ns(60.0), exotherm)
    assert cool_peak.value is not None and warm_peak.value is not None and cool_dose.value is not None
    assert cool_peak.value > 312.0
    assert warm_peak.value > cool_peak.value
    assert warm_dose.value is not None and warm_dose.value > cool_dose.value


@pytest.mark.parametrize(
    "impossible",
    [
        lambda: heat_begun(0.0),
        lambda: with_surface(heat_begun(0.005), 0, TOE, 45.0, 0.5),
        lambda: with_surface(heat_begun(0.005), 0, TOE, 300.0, -1.0),
        lambda: with_surface(with_surface(heat_begun(), ns(5.0), TOE, 300.0, 0.5), 0, TOE, 300.0, 0.5),
        lambda: HeatLimits(warn_K=317.0),
        lambda: heat_of_pour(heat_begun(), 0, ((0.0, 300.0),)),
    ],
)
def test_what_cannot_be_is_refused_with_a_sentence(impossible: object) -> None:
    assert callable(impossible)
    with pytest.raises(ValueError, match=": "):
        impossible()
