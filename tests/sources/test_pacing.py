"""Pacing: the same frames, each when its time has come, without drift."""

from __future__ import annotations

import math
from collections.abc import Callable

import pytest

from hoofsense.records import NS_PER_S, Instant, RawFrame
from hoofsense.sources.pacing import paced


def frames_at(*seconds: float) -> list[RawFrame]:
    start = 1_700_000_000 * NS_PER_S
    stamps = (start + round(s * NS_PER_S) for s in seconds)
    return [RawFrame(Instant(at, at, at, "b"), "s", "tick", b"%d" % n) for n, at in enumerate(stamps)]


class Time:
    """A clock that moves only when something waits, always a little longer than asked."""

    def __init__(self, late_s: float = 0.0) -> None:
        self.now_s = 100.0
        self.late_s = late_s
        self.waits: list[float] = []

    def wait(self, seconds: float) -> bool:
        self.waits.append(seconds)
        self.now_s += seconds + self.late_s
        return True

    def monotonic_s(self) -> float:
        return self.now_s


@pytest.mark.parametrize("speed", [1.0, 20.0, 0.5])
def test_frames_come_at_their_distance_from_the_first_divided_by_the_speed(speed: float) -> None:
    time = Time()
    frames = frames_at(0.0, 2.0, 2.5, 10.0)
    came = [(frame, time.now_s - 100.0) for frame in paced(frames, speed, time.wait, time.monotonic_s)]
    assert [frame for frame, _ in came] == frames
    assert [at for _, at in came] == pytest.approx([0.0, 2.0 / speed, 2.5 / speed, 10.0 / speed])


def test_waiting_too_long_each_time_does_not_add_up() -> None:
    time = Time(late_s=0.01)
    frames = frames_at(*(0.1 * n for n in range(1000)))
    last_at = [time.now_s - 100.0 for _ in paced(frames, 1.0, time.wait, time.monotonic_s)][-1]
    assert last_at == pytest.approx(99.9 + 0.01, abs=1e-6)


def test_as_fast_as_possible_never_waits() -> None:
    time = Time()
    frames = frames_at(0.0, 1000.0, 2000.0)
    assert list(paced(frames, None, time.wait, time.monotonic_s)) == frames
    assert time.waits == []


def test_a_consumer_that_is_late_gets_what_is_due_without_a_wait() -> None:
    time = Time()
    frames = paced(frames_at(0.0, 1.0, 2.0), 1.0, time.wait, time.monotonic_s)
    next(frames)
    time.now_s += 60.0
    assert len(list(frames)) == 2
    assert time.waits == [0.0, 0.0, 0.0]


def test_a_frame_stamped_before_its_forerunner_is_due_at_once() -> None:
    time = Time()
    came = list(paced(frames_at(0.0, 5.0, 4.0, 5.5), 1.0, time.wait, time.monotonic_s))
    assert [frame.payload for frame in came] == [b"0", b"1", b"2", b"3"]
    assert time.waits == pytest.approx([0.0, 5.0, 0.0, 0.5])


def test_being_told_to_stop_ends_it_before_the_next_frame() -> None:
    asked: list[float] = []

    def stop_at_third(seconds: float) -> bool:
        asked.append(seconds)
        return len(asked) < 3

    assert len(list(paced(frames_at(0.0, 0.0, 0.0, 0.0), 1.0, stop_at_third))) == 2


def test_no_frames_are_paced_to_no_frames() -> None:
    assert list(paced([], 1.0, lambda _: True)) == []


@pytest.mark.parametrize("speed", [0.0, -1.0, math.nan, math.inf])
def test_a_speed_that_is_none_is_refused_at_once(speed: float) -> None:
    wait: Callable[[float], bool] = lambda _: True  # noqa: E731
    with pytest.raises(ValueError, match="must be above 0"):
        paced([], speed, wait)
