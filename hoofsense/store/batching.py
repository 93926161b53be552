"""Collects what belongs into one commit and says when that commit is due."""

from __future__ import annotations

from collections.abc import Sequence
from typing import Protocol

from hoofsense.records import RawFrame, Verdict
from hoofsense.store.points import Point

COMMIT_LIMIT_NS = 100_000_000  # a reading is on the disk at most 100 ms after it arrived; our promise
COMMIT_DUE_NS = 80_000_000  # leaves 20 ms of the promise for the commit itself
FRAMES_PER_COMMIT = 1000  # our choice: bounds memory and the length of a commit when time is replayed fast


class Appender(Protocol):
    """What a batch is written to; a Store is one."""

    def append(
        self,
        frames: Sequence[RawFrame],
        points: Sequence[Point],
        verdicts: Sequence[Verdict],
        visit_id: str,
    ) -> None: ...


class FrameBatch:
    """Frames, points and verdicts waiting for one commit.

    Times are ns of whatever monotonic clock the caller uses; the batch only takes differences. What was
    added stays until a write has succeeded, so a full or locked store loses nothing that is still in hand.
    """

    def __init__(self) -> None:
        self._frames: list[RawFrame] = []
        self._points: list[Point] = []
        self._verdicts: list[Verdict] = []
        self._first_ns: int | None = None

    def __len__(self) -> int:
        return len(self._frames) + len(self._points) + len(self._verdicts)

    def add_frame(self, frame: RawFrame, now_ns: int) -> None:
        self._frames.append(frame)
        self._begin(now_ns)

    def add_point(self, point: Point, now_ns: int) -> None:
        self._points.append(point)
        self._begin(now_ns)

    def add_verdict(self, verdict: Verdict, now_ns: int) -> None:
        self._verdicts.append(verdict)
        self._begin(now_ns)

    def _begin(self, now_ns: int) -> None:
        if self._first_ns is None:
            self._first_ns = now_ns

    @property
    def due_at_ns(self) -> int | None:
        """When the commit is due, on the caller's clock; None while there is nothing to write."""
        return None if self._first_ns is None else self._first_ns + COMMIT_DUE_NS

    def due(self, now_ns: int) -> bool:
        """True when the oldest entry has waited long enough or there are many."""
        if self._first_ns is None:
            return False
        return now_ns - self._first_ns >= COMMIT_DUE_NS or len(self._frames) >= FRAMES_PER_COMMIT

    def write_to(self, store: Appender, visit_id: str) -> int:
        """Commit everything in hand to the visit and return how many frames that were.

        raises  StoreError as Store.append does; then everything is still in hand and may be written again
        """
        count = len(self._frames)
        if len(self):
            store.append(self._frames, self._points, self._verdicts, visit_id)
        self._frames, self._points, self._verdicts = [], [], []
        self._first_ns = None
        return count
