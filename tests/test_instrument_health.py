"""An instrument's stream: its rate, what is missing from it, its restarts and its clock."""

from __future__ import annotations

import pytest

from hoofsense.instrument_health import (
    Health,
    with_clock,
    with_crc_error,
    with_frame,
    with_interruption,
    with_number,
)
from hoofsense.records import NS_PER_S

HS1, ADVERT = "line:hs1", "advert:fcd2"
U32 = 2**32


def at_rate(per_s: float, seconds: float, health: Health | None = None, start_s: float = 0.0) -> Health:
    now = Health() if health is None else health
    for n in range(round(per_s * seconds)):
        now = with_frame(now, round((start_s + n / per_s) * NS_PER_S))
    return now


def numbered(numbers: list[int], kind: str = HS1, device_ms: list[int] | None = None) -> Health:
    health = Health()
    for place, number in enumerate(numbers):
        health = with_number(health, kind, number, None if device_ms is None else device_ms[place])
    return health


@pytest.mark.parametrize("per_s", [0.05, 0.5, 10.0, 500.0])
def test_the_rate_is_told_in_two_digits(per_s: float) -> None:
    health = at_rate(per_s, max(40.0, 6 / per_s))
    assert health.rate_per_s == pytest.approx(per_s, rel=0.06)  # 2 digits, and whole frames in a window


def test_no_rate_is_told_before_a_window_is_full() -> None:
    assert at_rate(10.0, 9.9).rate_per_s is None
    assert at_rate(0.1, 20.0).rate_per_s is None


def test_a_rate_that_wavers_is_not_told_anew_and_one_that_changed_is() -> None:
    steady = at_rate(10.0, 30.0)
    assert at_rate(11.0, 30.0, steady, 30.0).rate_per_s == steady.rate_per_s
    assert at_rate(5.0, 40.0, steady, 30.0).rate_per_s == pytest.approx(5.0, rel=0.06)


def test_a_silence_between_two_links_is_not_taken_into_the_rate() -> None:
    before = with_interruption(at_rate(10.0, 25.0))
    after = at_rate(10.0, 25.0, with_interruption(before), 3600.0)
    assert after.rate_per_s == pytest.approx(10.0, rel=0.06)


@pytest.mark.parametrize(
    ("numbers", "kind", "lost"),
    [
        ([0, 1, 2, 3], HS1, 0),
        ([7, 8, 10, 14], HS1, 4),
        ([U32 - 2, U32 - 1, 0, 1], HS1, 0),
        ([U32 - 2, 1], HS1, 2),
        ([5, 5, 5, 6], ADVERT, 0),
        ([254, 255, 0, 2], ADVERT, 1),
        ([10, 9, 11], ADVERT, 0),  # heard by two receivers, out of order
        ([1, 50], "typed", 0),
    ],
)
def test_missing_numbers_are_counted_over_wraps_and_repeats(numbers: list[int], kind: str, lost: int) -> None:
    health = numbered(numbers, kind)
    assert (health.lost, health.restarts) == (lost, 0)


def test_a_restart_is_counted_and_loses_nothing() -> None:
    health = numbered([100, 101, 0, 1, 2], device_ms=[9000, 9100, 5, 105, 205])
    assert (health.lost, health.restarts) == (0, 1)


def test_an_old_line_that_comes_late_is_neither_a_restart_nor_a_loss() -> None:
    health = numbered([100, 101, 90, 102], device_ms=[9000, 9100, 9100, 9200])
    assert (health.lost, health.restarts) == (0, 0)


def test_frames_without_a_number_lose_nothing() -> None:
    assert with_number(Health(), HS1, None, None) == Health()


def test_a_clock_is_told_anew_only_when_it_has_moved_by_more_than_a_second() -> None:
    began_ns = 1_773_475_200 * NS_PER_S
    first = with_clock(Health(), 1000, began_ns)
    assert (first.clock_ns, first.counts) == (began_ns, True)
    assert with_clock(first, 2000, began_ns + NS_PER_S) is first
    moved = with_clock(first, 10, began_ns + 2 * NS_PER_S)
    assert moved.clock_ns == began_ns + 2 * NS_PER_S


def test_a_dated_clock_is_told_from_a_counter() -> None:
    dated = with_clock(Health(), 1_773_475_200_000, -3600 * NS_PER_S)
    assert (dated.clock_ns, dated.counts) == (-3600 * NS_PER_S, False)
    assert with_clock(Health(), 1000, None) == Health()


def test_crc_errors_are_counted_beside_the_frames() -> None:
    health = with_crc_error(with_frame(Health(), 0))
    assert (health.frames, health.crc_errors) == (1, 1)
