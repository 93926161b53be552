"""Plays recorded or simulated frames at the speed they happened, faster, or as fast as possible."""

from __future__ import annotations

import math
import time
from collections.abc import Callable, Iterable, Iterator

from hoofsense.records import NS_PER_S, RawFrame


def paced(
    frames: Iterable[RawFrame],
    speed: float | None,
    wait: Callable[[float], bool],
    monotonic_s: Callable[[], float] = time.monotonic,
) -> Iterator[RawFrame]:
    """The same frames in the same order, each handed over when its time has come.

    speed        1.0 = as it happened, 20.0 = twenty times as fast, None = as fast as they are taken
    wait         waits that many seconds (0 or more) and returns False when told to stop
    monotonic_s  the clock that waiting is measured on
    raises       ValueError for a speed that is not above 0 and finite

    Every frame is due at its distance from the first one, so that waiting a little too long once delays the
    next frame by nothing. A frame stamped earlier than the one before it is due at once.
    """
    if speed is not None and not (math.isfinite(speed) and speed > 0.0):
        raise ValueError(f"speed {speed} must be above 0: 1 is live, 20 is twenty times as fast")
    return iter(frames) if speed is None else _on_time(frames, speed, wait, monotonic_s)


def _on_time(
    frames: Iterable[RawFrame],
    speed: float,
    wait: Callable[[float], bool],
    monotonic_s: Callable[[], float],
) -> Iterator[RawFrame]:
    first_ns: int | None = None
    started_s = 0.0
    for frame in frames:
        if first_ns is None:
            first_ns, started_s = frame.at_ns, monotonic_s()
        due_s = (frame.at_ns - first_ns) / NS_PER_S / speed
        if not wait(max(0.0, due_s - (monotonic_s() - started_s))):
            return
        yield frame
