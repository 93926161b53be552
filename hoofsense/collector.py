"""The collector: source -> record -> fold -> decide -> publish. One thread folds and owns the writing store.

Everything a person marks goes through the same queue as the instruments' frames and is recorded like them,
so that a replay contains it. A frame counts as received only once the store has committed it.
"""

from __future__ import annotations

import json
import threading
import time
import uuid
from collections import deque
from collections.abc import Callable, Iterable, Iterator
from dataclasses import dataclass
from typing import Any

from hoofsense.frames_ahead import Inbox, Said
from hoofsense.plan_keeping import PlanKeeper
from hoofsense.records import NS_PER_S, Foot, Question, RawFrame, Verdict
from hoofsense.sources.typed import typed_payload
from hoofsense.store import FrameBatch, Point, Store
from hoofsense.verdicts import decide
from hoofsense.visit import fold
from hoofsense.visit_marks import mark_from, mark_payload, refusal
from hoofsense.visit_state import VisitState
from hoofsense.visit_view import point_of, view_of

EVENTS_KEPT = 4096  # about a quarter of an hour at 4/s: a client further behind asks for the whole view
PUBLISH_NS = NS_PER_S // 10  # at most ten events a second, besides news (our choice)
TRACE_POINTS = 20_000  # raw points kept per trace for the page; older ones come from the store's roll-up
DECIDING_CHANNELS = ("tick", "mark", "link", "clock")


@dataclass(frozen=True, slots=True)
class PublishedEvent:
    """One step of the live feed: new points and the view keys that changed."""

    event_id: int
    at_ns: int
    points: tuple[tuple[str, int, float], ...]
    changes: dict[str, Any]


class Verdicts:
    """Keeps what was last said, and tells which verdicts are news: a new status or a new rule."""

    def __init__(self) -> None:
        self.current: dict[tuple[Foot, Question], Verdict] = {}

    def news(self, verdicts: Iterable[Verdict]) -> list[Verdict]:
        now = {(v.foot, v.question): v for v in verdicts}
        news = [
            v
            for key, v in now.items()
            if (old := self.current.get(key)) is None or (old.status, old.rule) != (v.status, v.rule)
        ]
        self.current = now
        return news


def verdict_changes(frames: Iterable[RawFrame]) -> Iterator[Verdict]:
    """Every change of verdict in a stream of frames: the path of a replay, without page or store."""
    state, verdicts = VisitState(), Verdicts()
    for frame in frames:
        state = fold(state, frame)
        if frame.channel in DECIDING_CHANNELS:
            yield from verdicts.news(decide(state, state.at_ns))


class Collector:
    """Runs one visit from its frames.

    frames       the stream, already paced and joined with inbox (see frames_ahead.py)
    inbox        where marks and typed values wait for that stream
    store        where to record; None for a replay, which is on record already
    past         frames of this visit recorded before a break, folded first and not recorded again
    mode         "live", "replay" or "simulation", shown on the page
    on_verdict   called with each change of verdict, on the folding thread
    plans        keeps the pour plans for a page; None: nobody looks at them
    """

    def __init__(
        self,
        frames: Iterable[RawFrame | None],
        inbox: Inbox,
        *,
        mode: str,
        store: Store | None = None,
        past: Iterable[RawFrame] = (),
        on_verdict: Callable[[Verdict], None] | None = None,
        on_frame: Callable[[RawFrame], None] | None = None,
        plans: PlanKeeper | None = None,
    ) -> None:
        self._plans = plans
        self._frames, self._inbox, self._store, self._past = frames, inbox, store, past
        self.mode = mode
        self._on_verdict, self._on_frame = on_verdict, on_frame
        self.state = VisitState()
        self._verdicts = Verdicts()
        self.verdict_log: list[Verdict] = []
        self._changed = threading.Condition()
        self._view: dict[str, Any] = view_of(self.state, (), mode)
        self._events: deque[PublishedEvent] = deque(maxlen=EVENTS_KEPT)
        self._next_event_id = 1
        self._unpublished: list[tuple[str, int, float]] = []
        self._published_ns = 0
        self._traces: dict[str, deque[tuple[int, float]]] = {}
        self._batch = FrameBatch()
        self._before_begin: list[RawFrame] = []
        self.frames_taken = 0
        self.finished = threading.Event()

    # -- the folding thread ---------------------------------------------------------

    def run(self) -> VisitState:
        """Fold until the frames end. Raises StoreError when recording fails: nothing more is acknowledged."""
        try:
            for recorded in self._past:
                self._fold(recorded)
            self._publish(force=True)
            for frame in self._frames:
                if frame is not None:
                    self._take(frame)
                self._commit_if_due()
                if self.state.ended:
                    break
            self._commit()
            if self._store is not None and self.state.ended:
                self._store.end_visit(self.state.visit_id, self.state.at_ns)
        finally:
            if self._plans is not None and (self.state.ended or self.mode == "replay"):
                self._plans.finished(self.state)  # nothing more will be published
            self._publish(force=True)
            self.finished.set()
        return self.state

    def _fold(self, frame: RawFrame) -> tuple[list[Point], list[Verdict]]:
        """One frame further: the points it gave for the traces, and the verdicts it changed."""
        self.state = fold(self.state, frame)
        points = [Point(*point_of(name, reading)) for name, reading in self.state.accepted]
        for point in points:
            self._traces.setdefault(point.series, deque(maxlen=TRACE_POINTS)).append(
                (point.at_ns, point.value)
            )
            self._unpublished.append((point.series, point.at_ns, point.value))
        news: list[Verdict] = []
        if frame.channel in DECIDING_CHANNELS:
            news = self._verdicts.news(decide(self.state, self.state.at_ns))
            self.verdict_log.extend(news)
        return points, news

    def _take(self, frame: RawFrame) -> None:
        self.frames_taken += 1
        begun_before = bool(self.state.visit_id)
        points, news = self._fold(frame)
        if self._store is not None:
            self._record(self._store, frame, points, news, begun_before)
        if self._on_frame is not None:
            self._on_frame(frame)
        if self._on_verdict is not None:
            for verdict in news:
                self._on_verdict(verdict)
        self._publish(force=bool(news) or frame.channel == "mark")

    def _record(
        self, store: Store, frame: RawFrame, points: list[Point], news: list[Verdict], begun_before: bool
    ) -> None:
        now_ns = time.monotonic_ns()
        if not self.state.visit_id:
            self._before_begin.append(frame)  # a visit's row is made from its begin mark
            return
        if begun_before:
            self._batch.add_frame(frame, now_ns)
        else:
            begin = json.dumps(mark_from(frame.payload))
            store.begin_visit(begin, self.state.at_ns, [*self._before_begin, frame])
        for point in points:
            self._batch.add_point(point, now_ns)
        for verdict in news:
            self._batch.add_verdict(verdict, now_ns)

    def _commit(self) -> None:
        if self._store is not None and self.state.visit_id:
            self._batch.write_to(self._store, self.state.visit_id)

    def _commit_if_due(self) -> None:
        if self._batch.due(time.monotonic_ns()):
            self._commit()

    def pause(self, seconds: float, stopping: threading.Event) -> bool:
        """Waiting for a paced stream: what is in hand is committed first. False when told to stop."""
        if seconds > 0.0:
            self._commit()
        return not stopping.wait(seconds)

    def _publish(self, force: bool) -> None:
        now_ns = time.monotonic_ns()
        if not force and now_ns - self._published_ns < PUBLISH_NS:
            return
        at_ns = self.state.at_ns
        view = view_of(self.state, tuple(self._verdicts.current.values()), self.mode)
        if self._plans is not None:
            view.update(self._plans.told(self.state))
        with self._changed:
            changes = {key: value for key, value in view.items() if self._view.get(key) != value}
            self._view = view
            event = PublishedEvent(self._next_event_id, at_ns, tuple(self._unpublished), changes)
            self._events.append(event)
            self._next_event_id += 1
            self._published_ns = now_ns
            self._unpublished.clear()
            self._changed.notify_all()

    # -- for page and terminal, from any thread -------------------------------------

    def view(self) -> dict[str, Any]:
        with self._changed:
            return dict(self._view)

    def newest_event_id(self) -> int:
        with self._changed:
            return self._next_event_id - 1

    def oldest_event_id(self) -> int:
        with self._changed:
            return self._events[0].event_id if self._events else self._next_event_id

    def events_after(self, event_id: int, timeout_s: float) -> list[PublishedEvent]:
        """Events newer than event_id; waits up to timeout_s for the first one."""
        with self._changed:
            self._changed.wait_for(lambda: self._next_event_id - 1 > event_id, timeout_s)
            first = self._events[0].event_id if self._events else self._next_event_id
            skip = max(0, event_id + 1 - first)
            return [self._events[i] for i in range(skip, len(self._events))]

    def trace(self, series: str, since_ns: int) -> list[tuple[int, float, float, float]]:
        """(t_ns, low, mean, high) of one trace, oldest first."""
        points = list(self._traces.get(series, ()))
        return [(t, v, v, v) for t, v in points if t >= since_ns]

    def mark(self, mark: dict[str, Any], source_id: str = "page") -> str:
        """Queue a mark and return its number; ValueError with a sentence when it does not fit the visit."""
        if self.mode == "replay":
            raise ValueError("This is a replay: its marks are on record and nothing can be added.")
        mark = {**mark, "id": mark.get("id") or str(uuid.uuid4())}
        why = refusal(self.state, mark)
        if why is not None:
            raise ValueError(why)
        self._inbox.put(Said(source_id, "mark", mark_payload(mark)))
        return str(mark["id"])

    def typed(self, text: str, source_id: str = "page") -> None:
        """Queue a typed caliper value such as "12,34 mm"; ValueError, in a sentence, when it is none."""
        if self.mode == "replay":
            raise ValueError("This is a replay: its measurements are on record and nothing can be added.")
        self._inbox.put(Said(source_id, "typed", typed_payload(text)))
