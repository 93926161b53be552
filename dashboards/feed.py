"""From the collector's events to what the pages are sent: new points, changed words, ages; each once for all.

One thread follows the collector and builds each message once; every stream only passes on finished bytes, so
the cost of a tick does not grow with the number of pages. A message carries a row id "run-event": a page that
comes back with the id it saw last gets everything after it, or, when that is too old or of another run, the
whole screen at once.
"""

from __future__ import annotations

import json
import secrets
import threading
import time
from collections import deque
from collections.abc import Iterator, Mapping, Sequence
from dataclasses import dataclass
from typing import Any, Protocol

from markupsafe import escape

from dashboards import words
from dashboards.figures import limits
from dashboards.screens import SCREENS
from dashboards.screens.visit_facts import ages_of, ages_told, until_ms

NS_PER_MS = 1_000_000
MESSAGES_PER_S = 4.0  # the most a page is sent (our choice, within the measured 2 to 4 Hz)
BURST = 2.0  # messages that may follow at once after a quiet moment, so that a reading never waits on a tick
WAIT_FOR_EVENTS_S = 0.25  # then it looks whether it should stop
KEEP_MESSAGES = 2400  # 10 min at 4 Hz
STREAM_LIMIT = 8  # streams hold one server thread each
STREAM_LIFE_S = 300.0  # then the page reconnects by itself; frees streams of phones that walked away
COMMENT_EVERY_S = (
    2.0  # a comment line, so that a page that has gone is noticed; it does not count as a reading
)
TRACE_WORDS_EVERY_MS = 5000
TRACE_S = 600


class Event(Protocol):
    """One row of the collector: new points and what changed of the view."""

    @property
    def event_id(self) -> int: ...
    @property
    def at_ns(self) -> int: ...
    @property
    def points(self) -> tuple[tuple[str, int, float], ...]: ...
    @property
    def changes(self) -> Mapping[str, Any]: ...


class VisitSource(Protocol):
    """What the pages ask of the collector."""

    def view(self) -> dict[str, Any]: ...
    def events_after(self, event_id: int, timeout_s: float) -> Sequence[Event]: ...
    def oldest_event_id(self) -> int: ...
    def mark(self, mark: dict[str, Any]) -> str: ...
    def typed(self, text: str) -> None: ...
    def trace(self, series: str, since_ns: int) -> Sequence[tuple[int, float, float, float]]: ...


@dataclass(frozen=True, slots=True)
class Message:
    """One finished message from after_id up to event_id, as a server-sent event and as JSON."""

    after_id: int
    event_id: int
    sse: bytes
    body: str


def with_changes(view: dict[str, Any], changes: Mapping[str, Any]) -> dict[str, Any]:
    """A new view with the changed keys replaced; "feet/LF" reaches one level down."""
    new = dict(view)
    for key, value in changes.items():
        outer, slash, inner = key.partition("/")
        if slash:
            new[outer] = {**(new.get(outer) or {}), inner: value}
        else:
            new[outer] = value
    return new


class Feed:
    """Follows one visit for all pages. start() begins the thread; pump() does one step of it."""

    def __init__(self, source: VisitSource) -> None:
        self._source = source
        self._run = secrets.token_hex(4)
        self._state = threading.Condition()
        self._messages: deque[Message] = deque(maxlen=KEEP_MESSAGES)
        self._view: dict[str, Any] = {}
        self._slots: dict[str, str] = {}
        self._ages: dict[str, int | None] = {}
        self._event_id = -1
        self._trace_told = ("", 0, "")
        self._screens_told: dict[str, tuple[tuple[object, ...], dict[str, str]]] = {}
        self._streams: dict[str, int] = {}
        self._stopping = threading.Event()
        self._thread: threading.Thread | None = None
        self._tokens, self._refilled_s = BURST, time.monotonic()

    def start(self) -> None:
        """Read the whole view, then follow the events in a thread of its own."""
        self.refresh()
        self._thread = threading.Thread(target=self._follow, name="page feed", daemon=True)
        self._thread.start()

    def stop(self) -> None:
        self._stopping.set()
        with self._state:
            self._state.notify_all()
            self._state.wait_for(lambda: not self._streams, COMMENT_EVERY_S)
        if self._thread is not None:
            self._thread.join(timeout=COMMENT_EVERY_S)

    def refresh(self) -> None:
        """Take the whole view anew; pages then get the whole screen."""
        with self._state:
            seen = self._source.events_after(self._source.oldest_event_id() - 1, 0.0)
            self._event_id = seen[-1].event_id if seen else self._source.oldest_event_id() - 1
            self._view = with_changes({}, self._source.view())
            self._slots = self._slots_of(self._view)
            self._ages = ages_of(self._view)
            self._messages.clear()
            self._state.notify_all()

    def pump(self, timeout_s: float) -> bool:
        """Wait for events and turn all that are there into one message; True when there was one."""
        events = self._source.events_after(self._event_id, timeout_s)
        if not events:
            return False
        if self._source.oldest_event_id() > self._event_id + 1:
            self.refresh()
            return True
        with self._state:
            message = self._message_of(events)
            self._messages.append(message)
            self._state.notify_all()
        return True

    def start_of_page(self) -> tuple[dict[str, str], dict[str, object]]:
        """(slots, what live.js begins with) of the screen now."""
        with self._state:
            return dict(self._slots), {
                "id": self._row_id(self._event_id),
                "t": int(self._view["at_ms"]),
                "a": dict(self._ages),
                "foot": (self._view.get("in_hand") or {}).get("foot"),
            }

    def view_now(self) -> dict[str, Any]:
        with self._state:
            return self._view

    def messages_after(self, row_id: str | None) -> list[str]:
        """JSON bodies after a row id: the messages missed, or the whole screen when not all are known."""
        with self._state:
            return [m.body for m in self._missing(row_id)]

    def stream(self, row_id: str | None, page: str) -> Iterator[bytes] | None:
        """Server-sent events after a row id; None when enough pages are following already.

        page is the page's own random name: a page that reconnects takes the place of its earlier stream.
        """
        with self._state:
            if page not in self._streams and len(self._streams) >= STREAM_LIMIT:
                return None
            turn = self._streams.get(page, 0) + 1
            self._streams[page] = turn
            self._state.notify_all()
        return self._streamed(row_id, page, turn)

    def stream_count(self) -> int:
        with self._state:
            return len(self._streams)

    def _streamed(self, row_id: str | None, page: str, turn: int) -> Iterator[bytes]:
        ends_s = time.monotonic() + STREAM_LIFE_S
        try:
            yield b"retry: 500\n\n"
            while time.monotonic() < ends_s and not self._stopping.is_set():
                with self._state:
                    if self._streams.get(page) != turn:
                        return
                    missing = self._missing(row_id)
                    if not missing:
                        self._state.wait(COMMENT_EVERY_S)
                        missing = self._missing(row_id)
                if not missing:
                    yield b": nothing new\n\n"
                    continue
                row_id = self._row_id(missing[-1].event_id)
                yield b"".join(m.sse for m in missing)
        finally:
            with self._state:
                if self._streams.get(page) == turn:
                    del self._streams[page]
                    self._state.notify_all()

    def _missing(self, row_id: str | None) -> list[Message]:
        run, _, number = (row_id or "").partition("-")
        event_id = int(number) if run == self._run and number.isdigit() else None
        if event_id == self._event_id:
            return []
        if event_id is None or not self._messages or event_id < self._messages[0].after_id:
            return [self._whole()]
        return [m for m in self._messages if m.event_id > event_id] or [self._whole()]

    def _row_id(self, event_id: int) -> str:
        return f"{self._run}-{event_id}"

    def _slots_of(self, view: dict[str, Any]) -> dict[str, str]:
        slots: dict[str, str] = {}
        for screen in SCREENS:
            if screen.rests_on is None:
                slots.update(screen.slots(view))
                continue
            now = screen.rests_on(view)
            known = self._screens_told.get(screen.path)
            if known is None or known[0] != now:
                known = self._screens_told[screen.path] = (now, screen.slots(view))
            slots.update(known[1])
        return {**slots, "trace": self._trace_said(view)}

    def _trace_said(self, view: dict[str, Any]) -> str:
        """The trace in sentences, told anew every few seconds and whenever another foot is taken in hand."""
        foot = str((view.get("in_hand") or {}).get("foot") or "")
        at_ms = int(view["at_ms"])
        told_foot, told_ms, text = self._trace_told
        if foot == told_foot and 0 <= at_ms - told_ms < TRACE_WORDS_EVERY_MS:
            return text
        text = ""
        if foot:
            since_ns = (at_ms - TRACE_S * words.MS_PER_S) * NS_PER_MS
            surface = self._source.trace(f"surface:{foot}", since_ns)
            text = str(
                escape(words.trace_words(foot, surface, self._source.trace("dew", since_ns), limits()))
            )
        self._trace_told = (foot, at_ms, text)
        return text

    def _message_of(self, events: Sequence[Event]) -> Message:
        view, known, new_ages = self._view, self._ages, dict(self._ages)
        points: dict[str, list[tuple[int, float]]] = {}
        for event in events:
            at_ms = event.at_ns // NS_PER_MS
            view = {**with_changes(view, event.changes), "at_ms": at_ms}
            new_ages.update(ages_told(event.changes))
            for series, at_ns, value in event.points:
                points.setdefault(series, []).append((at_ns // NS_PER_MS, round(value, 2)))
        new_ages["until"] = until_ms(view)
        slots = self._slots_of(view)
        foot = (view.get("in_hand") or {}).get("foot")
        shown = {name: points[name] for name in (f"surface:{foot}", "air", "dew") if name in points}
        body: dict[str, object] = {"id": self._row_id(events[-1].event_id), "t": view["at_ms"]}
        if shown:
            body["p"] = shown
        changed = {name: text for name, text in slots.items() if self._slots.get(name) != text}
        if changed:
            body["s"] = changed
        moved = {name: since for name, since in new_ages.items() if known.get(name, _UNKNOWN) != since}
        if moved:
            body["a"] = moved
        if foot != (self._view.get("in_hand") or {}).get("foot"):
            body["foot"] = foot
        after_id = self._event_id
        self._view, self._slots, self._event_id = view, slots, events[-1].event_id
        self._ages = {**known, **moved}
        return _message(after_id, self._event_id, body)

    def _whole(self) -> Message:
        body = {
            "id": self._row_id(self._event_id),
            "t": int(self._view["at_ms"]),
            "s": self._slots,
            "a": self._ages,
            "foot": (self._view.get("in_hand") or {}).get("foot"),
            "whole": True,
        }
        return _message(self._event_id, self._event_id, body)

    def _follow(self) -> None:
        while not self._stopping.is_set():
            if self.pump(WAIT_FOR_EVENTS_S):
                self._keep_pace()

    def _keep_pace(self) -> None:
        """At most MESSAGES_PER_S on average, but never a wait after a quiet moment (a leaky bucket)."""
        now_s = time.monotonic()
        self._tokens = min(BURST, self._tokens + (now_s - self._refilled_s) * MESSAGES_PER_S) - 1.0
        self._refilled_s = now_s
        if self._tokens < 0.0:
            self._stopping.wait(-self._tokens / MESSAGES_PER_S)


_UNKNOWN = -1


def _message(after_id: int, event_id: int, body: Mapping[str, object]) -> Message:
    text = json.dumps(body, separators=(",", ":"), ensure_ascii=False)
    return Message(after_id, event_id, f"id: {body['id']}\ndata: {text}\n\n".encode(), text)
