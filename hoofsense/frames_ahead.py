"""Where the next frame comes from: a recorded or simulated stream, or live instruments, with marks joined in.

This is hop 1, the only one in which live, replay and simulation differ.
"""

from __future__ import annotations

import queue
import threading
import time
from collections.abc import Callable, Generator, Iterable, Iterator, Sequence
from dataclasses import dataclass

from hoofsense.records import NS_PER_S, Instant, RawFrame
from hoofsense.sources.clock import SteadyClock
from hoofsense.sources.link import LiveSource
from hoofsense.wire.checked_text import encode_checked

TICK_PAYLOAD = encode_checked("")
LIVE_LOOK_S = 0.05  # how soon a live stream notices that it was told to stop
STOP_S = 1.5  # for all sources together: leaves half a second of the 2 s in which everything has ended


@dataclass(frozen=True, slots=True)
class Said:
    """Something a person said through page or terminal, not yet stamped with a time."""

    source_id: str
    channel: str
    payload: bytes


class Inbox:
    """Frames and words waiting for the one thread that folds them. put is safe from any thread."""

    def __init__(self) -> None:
        self._waiting: queue.SimpleQueue[RawFrame | Said] = queue.SimpleQueue()

    def put(self, item: RawFrame | Said) -> None:
        self._waiting.put(item)

    def next(self, timeout_s: float) -> RawFrame | Said | None:
        """The next item, or None when nothing came within timeout_s."""
        try:
            return self._waiting.get(timeout=timeout_s) if timeout_s > 0.0 else self._waiting.get_nowait()
        except queue.Empty:
            return None


def stamped(said: Said, at: Instant) -> RawFrame:
    return RawFrame(at, said.source_id, said.channel, said.payload)


def with_words(frames: Iterable[RawFrame], inbox: Inbox) -> Iterator[RawFrame | None]:
    """A recorded or simulated stream, with what people say meanwhile joined in at the stream's own time."""
    for frame in frames:
        while (item := inbox.next(0.0)) is not None:
            yield item if isinstance(item, RawFrame) else stamped(item, frame.received_at)
        yield frame


def live(
    sources: Sequence[LiveSource],
    clock: SteadyClock,
    inbox: Inbox,
    stopping: threading.Event,
    tick_s: float = 1.0,
    step_since_last: Callable[[], int] | None = None,
) -> Generator[RawFrame | None, None, None]:
    """Frames of live instruments as they come, a tick every second, and the clock's steps, until stopping.

    None says that nothing came for a moment, so that what is in hand can be committed. Who stops taking
    frames before the end closes the generator, so that the instruments are let go.
    """
    steps = clock.step_since_last if step_since_last is None else step_since_last
    for source in sources:
        source.start(inbox.put, clock)
    due_ns = clock.instant().steady_ns
    try:
        while not stopping.is_set():
            now = clock.instant()
            if now.steady_ns >= due_ns:
                due_ns += round(tick_s * NS_PER_S) * (
                    1 + (now.steady_ns - due_ns) // round(tick_s * NS_PER_S)
                )
                step_ns = steps()
                if step_ns:
                    yield RawFrame(now, "collector", "clock", encode_checked(f'{{"step_ns":{step_ns}}}'))
                yield RawFrame(now, "collector", "tick", TICK_PAYLOAD)
            item = inbox.next(min(LIVE_LOOK_S, max(0.001, (due_ns - now.steady_ns) / NS_PER_S)))
            yield item if item is None or isinstance(item, RawFrame) else stamped(item, clock.instant())
    finally:
        _stop(sources)
    while (item := inbox.next(0.0)) is not None:  # what arrived while stopping is kept too
        yield item if isinstance(item, RawFrame) else stamped(item, clock.instant())


def _stop(sources: Sequence[LiveSource]) -> None:
    """Stop them all at once; one that hangs is left behind, its thread ends with the program."""
    give_up_s = time.monotonic() + STOP_S
    stops = [threading.Thread(target=source.stop, daemon=True) for source in sources]
    for stop in stops:
        stop.start()
    for stop in stops:
        stop.join(max(0.0, give_up_s - time.monotonic()))
