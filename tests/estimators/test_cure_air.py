"""The air over a cure: points only when it matters, and the cold side of every gap."""

from __future__ import annotations

from hoofsense.estimators.cure_air import AirHistory, air_begun, air_with
from hoofsense.records import NS_PER_S, AirConditions


def reading(at_s: float, air_K: float, wind: float | None = None) -> AirConditions:
    return AirConditions(air_K=air_K, wind_m_per_s=wind, measured_at_ns=round(at_s * NS_PER_S))


def followed(*readings: tuple[float, float]) -> AirHistory:
    history = air_begun(0, reading(*readings[0]))
    for at_s, air_K in readings[1:]:
        history = air_with(history, 0, round(at_s * NS_PER_S), reading(at_s, air_K))
    return history


def shape(history: AirHistory) -> list[tuple[float, float]]:
    return [(point.after_s, point.air_K) for point in history.points]


def test_the_first_reading_holds_from_the_pour() -> None:
    assert shape(followed((-30.0, 290.0))) == [(0.0, 290.0)]
    late = air_with(air_begun(0, AirConditions()), 0, 300 * NS_PER_S, reading(300.0, 288.0))
    assert shape(late) == [(0.0, 288.0)]


def test_small_changes_make_no_points() -> None:
    history = followed(*[(60.0 * i, 290.0 + 0.4 * (i % 2)) for i in range(30)])
    assert shape(history) == [(0.0, 290.0)]
    assert history.last is not None and history.last.after_s == 29 * 60.0


def test_a_real_change_makes_a_corner_and_a_point() -> None:
    assert shape(followed((0.0, 290.0), (600.0, 290.2), (660.0, 285.0))) == [
        (0.0, 290.0),
        (600.0, 290.0),
        (660.0, 285.0),
    ]


def test_a_slow_drift_is_noticed() -> None:
    history = followed(*[(60.0 * i, 290.0 - 1.2 * min(i, 1)) for i in range(40)])
    assert len(history.points) > 1
    assert history.points[-1].air_K < 289.0


def test_over_a_gap_the_air_was_the_colder_of_its_ends() -> None:
    colder = followed((0.0, 290.0), (300.0, 290.0), (3900.0, 280.0))
    warmer = followed((0.0, 280.0), (300.0, 280.0), (3900.0, 290.0))
    assert shape(colder) == [(0.0, 290.0), (301.0, 280.0), (3900.0, 280.0)]
    assert shape(warmer) == [(0.0, 280.0), (3899.0, 280.0), (3900.0, 290.0)]


def test_gusts_do_not_make_points_but_a_door_thrown_open_does() -> None:
    gusty = followed((0.0, 290.0), (30.0, 288.0), (60.0, 290.0), (90.0, 288.0))
    assert len(gusty.points) == 1
    assert len(followed((0.0, 290.0), (30.0, 278.0)).points) == 2


def test_wind_alone_is_a_change() -> None:
    history = air_begun(0, reading(0.0, 290.0, 0.5))
    history = air_with(history, 0, 300 * NS_PER_S, reading(300.0, 290.0, 5.0))
    assert history.points[-1].wind_m_per_s == 5.0


def test_old_or_empty_readings_change_nothing() -> None:
    history = followed((0.0, 290.0), (100.0, 290.0))
    assert air_with(history, 0, 200 * NS_PER_S, reading(50.0, 270.0)) is history
    assert air_with(history, 0, 200 * NS_PER_S, AirConditions()) is history


def test_the_history_is_bounded_and_rises() -> None:
    history = followed(*[(130.0 * i, 290.0 + 6.0 * (-1) ** i) for i in range(300)])
    times = [point.after_s for point in history.points]
    assert len(times) <= 50
    assert times == sorted(set(times))
    assert times[0] == 0.0
