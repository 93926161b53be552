"""What every live source shares: how it is started, what it says about its instruments, and its outages.

Whether an instrument's link stands is itself recorded, as frames on channel "link" (checked text holding
{"up": bool, "why": str}), so that a replay shows the same outages as the day itself.
"""

from __future__ import annotations

import json
import logging
import threading
from collections.abc import Callable
from dataclasses import dataclass, replace
from typing import Protocol

from hoofsense.records import RawFrame
from hoofsense.sources.clock import SteadyClock
from hoofsense.wire.checked_text import encode_checked

logger = logging.getLogger(__name__)

Sink = Callable[[RawFrame], None]

LINK_CHANNEL = "link"


class LinkError(Exception):
    """A link failed. The message is one sentence a person can act on: the fact and what to do."""


@dataclass(frozen=True, slots=True)
class InstrumentStatus:
    """How one instrument is doing now.

    source_id     our own identity of it, as in RawFrame
    kind          how it is linked: "Bluetooth", "Bluetooth beacon", "serial port", "typed"
    name          what it calls itself
    measures      what it measures, in words ("temperature", "humidity")
    connected     True while frames can arrive; a beacon counts while it is being heard
    rssi_dBm      received signal strength, None where the link has none
    last_seen_ns  steady_ns of its latest frame, None before the first
    note          why not, or what to know; empty when all is well
    battery_percent  0 to 100 as it last said, None when it has not
    """

    source_id: str
    kind: str
    name: str
    measures: tuple[str, ...] = ()
    connected: bool = False
    rssi_dBm: int | None = None
    last_seen_ns: int | None = None
    note: str = ""
    battery_percent: int | None = None


class LiveSource(Protocol):
    """Instruments read as they speak. start returns at once; the sink is called from the source's thread."""

    def start(self, sink: Sink, clock: SteadyClock) -> None: ...

    def stop(self) -> None: ...

    def status(self) -> tuple[InstrumentStatus, ...]: ...


class Backoff:
    """Waiting times that double from first_s and stay at cap_s until something works again."""

    def __init__(self, first_s: float, cap_s: float) -> None:
        if not 0.0 < first_s <= cap_s:
            raise ValueError(f"backoff {first_s} to {cap_s} s must rise from above 0: swap or correct them")
        self._first_s = first_s
        self._cap_s = cap_s
        self._next_s = first_s

    def next_s(self) -> float:
        """Seconds to wait now; the following wait is twice as long, up to the cap."""
        wait_s = self._next_s
        self._next_s = min(self._cap_s, 2 * wait_s)
        return wait_s

    def reset(self) -> None:
        """Begin again at the shortest wait."""
        self._next_s = self._first_s


class StatusBoard:
    """The latest status of each instrument, by a key its source chooses. Thread-safe.

    most  statuses kept: what was seen longest ago gives way, so that passers-by do not fill the memory
    """

    def __init__(self, most: int = 64) -> None:
        self._most = most
        self._lock = threading.Lock()
        self._statuses: dict[str, InstrumentStatus] = {}
        self._seen_ns: dict[str, int] = {}

    def put(self, key: str, status: InstrumentStatus) -> None:
        """Replace the whole status under key."""
        with self._lock:
            self._statuses.pop(key, None)
            self._statuses[key] = status
            while len(self._statuses) > self._most:
                oldest = next(iter(self._statuses))
                del self._statuses[oldest]
                self._seen_ns.pop(oldest, None)

    def change(self, key: str, change: Callable[[InstrumentStatus], InstrumentStatus]) -> None:
        """Put what change makes of the status under key; nothing happens when there is none."""
        with self._lock:
            if key in self._statuses:
                self._statuses[key] = change(self._statuses[key])

    def seen(self, key: str, at_ns: int) -> None:
        """A frame of the instrument arrived. Called for every frame, so it does nothing else."""
        self._seen_ns[key] = at_ns

    def all(self) -> tuple[InstrumentStatus, ...]:
        """Every status, with the time of its latest frame."""
        with self._lock:
            return tuple(
                replace(status, last_seen_ns=self._seen_ns.get(key, status.last_seen_ns))
                for key, status in self._statuses.items()
            )


class LinkLog:
    """Records when links go up and down, each change and each new reason once. Thread-safe."""

    def __init__(self, sink: Sink, clock: SteadyClock) -> None:
        self._sink = sink
        self._clock = clock
        self._lock = threading.Lock()
        self._up: dict[str, bool] = {}
        self._told: dict[str, set[str]] = {}

    def tell(self, source_id: str, up: bool, why: str) -> None:
        """The link is up or down, and why; a reason already given in this outage is not repeated."""
        with self._lock:
            if self._up.get(source_id) is not up:
                self._up[source_id] = up
                self._told[source_id] = set()
            elif up or why in self._told[source_id]:
                return
            self._told[source_id].add(why)
        logger.log(logging.INFO if up else logging.WARNING, "%s: %s", source_id, why)
        body = json.dumps({"up": up, "why": why}, ensure_ascii=False)
        self._sink(RawFrame(self._clock.instant(), source_id, LINK_CHANNEL, encode_checked(body)))
