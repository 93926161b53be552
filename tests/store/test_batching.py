"""A batch is due within the promised 100 ms and stays in hand until it is written."""

from __future__ import annotations

from collections.abc import Callable, Sequence

import pytest

from hoofsense.records import RawFrame, Verdict
from hoofsense.store import FrameBatch, Point, StoreError
from hoofsense.store.batching import COMMIT_DUE_NS, COMMIT_LIMIT_NS, FRAMES_PER_COMMIT

Frames = Callable[..., list[RawFrame]]


class Shelf:
    """Takes what is appended, or is full."""

    def __init__(self) -> None:
        self.full = False
        self.taken: list[tuple[list[RawFrame], list[Point], list[Verdict], str]] = []

    def append(
        self, frames: Sequence[RawFrame], points: Sequence[Point], verdicts: Sequence[Verdict], visit_id: str
    ) -> None:
        if self.full:
            raise StoreError("the shelf is full", passing=True)
        self.taken.append((list(frames), list(points), list(verdicts), visit_id))


def test_an_empty_batch_is_never_due_and_writes_nothing() -> None:
    batch, shelf = FrameBatch(), Shelf()
    assert batch.due_at_ns is None
    assert not batch.due(10**18)
    assert batch.write_to(shelf, "a") == 0
    assert shelf.taken == []


def test_a_batch_is_due_within_the_limit_after_its_first_entry(
    usual_frames: Frames, some_verdicts: tuple[Verdict, ...]
) -> None:
    (first, later) = usual_frames(2)
    assert COMMIT_DUE_NS < COMMIT_LIMIT_NS
    adding: list[Callable[[FrameBatch, int], None]] = [
        lambda batch, now_ns: batch.add_frame(first, now_ns),
        lambda batch, now_ns: batch.add_point(Point("a", 1, 1.0), now_ns),
        lambda batch, now_ns: batch.add_verdict(some_verdicts[0], now_ns),
    ]
    for add in adding:
        batch = FrameBatch()
        add(batch, 5000)
        batch.add_frame(later, 5000 + COMMIT_DUE_NS - 1)
        assert batch.due_at_ns == 5000 + COMMIT_DUE_NS
        assert not batch.due(5000 + COMMIT_DUE_NS - 1)
        assert batch.due(5000 + COMMIT_DUE_NS)


def test_many_frames_are_due_at_once(usual_frames: Frames) -> None:
    batch = FrameBatch()
    for frame in usual_frames(FRAMES_PER_COMMIT - 1):
        batch.add_frame(frame, 0)
    assert not batch.due(0)
    batch.add_frame(usual_frames(1)[0], 0)
    assert batch.due(0)


def test_a_write_hands_over_everything_in_order_and_starts_anew(
    usual_frames: Frames, some_verdicts: tuple[Verdict, ...]
) -> None:
    batch, shelf = FrameBatch(), Shelf()
    frames = usual_frames(3)
    point = Point("a", 1, 1.0)
    for frame in frames:
        batch.add_frame(frame, 7)
    batch.add_point(point, 8)
    for verdict in some_verdicts:
        batch.add_verdict(verdict, 9)
    assert len(batch) == 3 + 1 + len(some_verdicts)
    assert batch.write_to(shelf, "a") == 3
    assert shelf.taken == [(frames, [point], list(some_verdicts), "a")]
    assert (len(batch), batch.due_at_ns) == (0, None)


def test_a_write_that_fails_keeps_everything_in_hand_and_due(usual_frames: Frames) -> None:
    batch, shelf = FrameBatch(), Shelf()
    frames = usual_frames(3)
    for frame in frames[:2]:
        batch.add_frame(frame, 7)
    shelf.full = True
    with pytest.raises(StoreError):
        batch.write_to(shelf, "a")
    assert batch.due_at_ns == 7 + COMMIT_DUE_NS
    batch.add_frame(frames[2], 8)
    shelf.full = False
    assert batch.write_to(shelf, "a") == 3
    assert shelf.taken == [(frames, [], [], "a")]
