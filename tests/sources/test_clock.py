"""The steady clock: UTC anchored once, never stepping back; wall-clock steps noticed."""

from __future__ import annotations

from pathlib import Path

import pytest

from hoofsense.records import NS_PER_S
from hoofsense.sources.clock import STEP_LIMIT_NS, SteadyClock, anchor_ns_for, boot_id, monotonic_ns

NOON_NS = 1_700_000_000 * NS_PER_S  # any instant of UTC will do
UP_NS = 5_000 * NS_PER_S  # the computer has been up for so long


class Hands:
    """A wall clock and a monotonic clock moved by hand."""

    def __init__(self) -> None:
        self.wall = NOON_NS
        self.monotonic = UP_NS

    def pass_ns(self, ns: int) -> None:
        self.wall += ns
        self.monotonic += ns


def clock_on(hands: Hands, floor_ns: int | None = None) -> SteadyClock:
    return SteadyClock.anchored_now(floor_ns, lambda: hands.wall, lambda: hands.monotonic, "boot-1")


def test_an_instant_carries_all_three_clocks_and_the_boot() -> None:
    hands = Hands()
    clock = clock_on(hands)
    hands.pass_ns(7)
    instant = clock.instant()
    assert (instant.steady_ns, instant.wall_ns) == (NOON_NS + 7, NOON_NS + 7)
    assert (instant.monotonic_ns, instant.boot) == (UP_NS + 7, "boot-1")


@pytest.mark.parametrize("step_ns", [-3_600 * NS_PER_S, 3_600 * NS_PER_S])
def test_setting_the_wall_clock_does_not_move_the_steady_clock(step_ns: int) -> None:
    hands = Hands()
    clock = clock_on(hands)
    hands.wall += step_ns
    hands.pass_ns(1)
    assert clock.instant().steady_ns == NOON_NS + 1
    assert clock.instant().wall_ns == NOON_NS + 1 + step_ns


def test_a_step_of_the_wall_clock_is_told_once_with_its_size() -> None:
    hands = Hands()
    clock = clock_on(hands)
    assert clock.step_since_last() == 0
    hands.wall -= 90 * NS_PER_S
    assert clock.step_since_last() == -90 * NS_PER_S
    assert clock.step_since_last() == 0
    hands.wall += 90 * NS_PER_S
    assert clock.step_since_last() == 90 * NS_PER_S


def test_one_second_is_no_step_and_a_nanosecond_more_is() -> None:
    hands = Hands()
    clock = clock_on(hands)
    hands.wall += STEP_LIMIT_NS
    assert clock.step_since_last() == 0
    hands.wall += 1
    assert clock.step_since_last() == STEP_LIMIT_NS + 1


def test_slow_slewing_is_told_when_it_has_added_up() -> None:
    hands = Hands()
    clock = clock_on(hands)
    told = []
    for _ in range(15):
        hands.pass_ns(NS_PER_S)
        hands.wall += NS_PER_S // 10
        told.append(clock.step_since_last())
    assert sum(1 for step in told if step) == 1
    assert sum(told) == 11 * NS_PER_S // 10


def test_the_anchor_of_an_earlier_run_continues_its_time_line() -> None:
    hands = Hands()
    earlier = clock_on(hands)
    hands.pass_ns(10)
    hands.wall += 600 * NS_PER_S  # set while the program was not running
    later = SteadyClock(earlier.anchor_ns, lambda: hands.wall, lambda: hands.monotonic, "boot-1")
    assert later.instant().steady_ns == NOON_NS + 10
    assert later.step_since_last() == 600 * NS_PER_S


def test_a_new_anchor_never_falls_below_what_is_already_recorded() -> None:
    hands = Hands()
    recorded_ns = NOON_NS + 3_600 * NS_PER_S
    clock = clock_on(hands, floor_ns=recorded_ns)
    assert clock.instant().steady_ns == recorded_ns + 1
    assert clock.step_since_last() == -(3_600 * NS_PER_S + 1)


def test_a_floor_in_the_past_changes_nothing() -> None:
    assert anchor_ns_for(NOON_NS, UP_NS, NOON_NS - 1) == anchor_ns_for(NOON_NS, UP_NS) == NOON_NS - UP_NS


def test_the_real_clocks_agree_with_themselves() -> None:
    clock = SteadyClock.anchored_now()
    first, second = clock.instant(), clock.instant()
    assert first.steady_ns <= second.steady_ns
    assert first.boot == second.boot == clock.boot != ""
    assert clock.step_since_last() == 0
    assert monotonic_ns() >= second.monotonic_ns


def test_the_boot_is_the_systems_own_where_it_keeps_one(tmp_path: Path) -> None:
    file = tmp_path / "boot_id"
    file.write_text("3f1c\n")
    assert boot_id(file) == "3f1c"


def test_without_a_boot_identity_every_run_counts_as_its_own(tmp_path: Path) -> None:
    first, second = boot_id(tmp_path / "none"), boot_id(tmp_path / "none")
    assert first.startswith("run-")
    assert first != second
