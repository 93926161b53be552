"""One steady clock for a whole boot: UTC that never steps back.

Field computers set their wall clock whenever they find a network, so durations must not be read from it.
The steady clock is anchored to UTC once and then advanced by the computer's monotonic clock; a jump of the
wall clock is noticed and recorded, never followed.
"""

from __future__ import annotations

import secrets
import time
from collections.abc import Callable
from pathlib import Path

from hoofsense.records import Instant

STEP_LIMIT_NS = 1_000_000_000  # 1 s: far above a clock discipline's slewing between two looks, our choice
BOOT_ID_FILE = Path("/proc/sys/kernel/random/boot_id")  # Linux random(4): new at every boot


def monotonic_ns() -> int:
    """Monotonic ns since boot, counting the time asleep where the system can tell (Linux CLOCK_BOOTTIME).

    A pad goes on curing while the lid is shut; time.monotonic_ns stands still then on Linux.
    """
    boottime = getattr(time, "CLOCK_BOOTTIME", None)
    return time.monotonic_ns() if boottime is None else time.clock_gettime_ns(boottime)


def boot_id(file: Path = BOOT_ID_FILE) -> str:
    """Identity of this boot; where the system keeps none, one that is new for every process.

    The fallback starts with "run-": an anchor kept from an earlier process then never matches, so that it is
    not reused with a monotonic clock it does not belong to.
    """
    try:
        identity = file.read_text(encoding="ascii").strip()
    except (OSError, UnicodeDecodeError):
        identity = ""
    return identity or f"run-{secrets.token_hex(8)}"


def anchor_ns_for(wall_ns: int, monotonic_ns: int, floor_ns: int | None = None) -> int:
    """UTC ns at the zero of the monotonic clock, for a new anchor.

    wall_ns, monotonic_ns  both clocks, read together
    floor_ns               the latest steady_ns already recorded; the new steady clock starts above it even
                           when the wall clock was set back in between
    """
    anchor = wall_ns - monotonic_ns
    return anchor if floor_ns is None else max(anchor, floor_ns + 1 - monotonic_ns)


class SteadyClock:
    """Stamps instants. Thread-safe: instant() only reads.

    anchor_ns  UTC ns at the zero of the monotonic clock: what anchor_ns_for gave, or the anchor an earlier
               run of the same boot used (kept beside the boot's identity), so that both share one time line
    """

    def __init__(
        self,
        anchor_ns: int,
        wall: Callable[[], int] = time.time_ns,
        monotonic: Callable[[], int] = monotonic_ns,
        boot: str | None = None,
    ) -> None:
        self.anchor_ns = anchor_ns
        self.boot = boot_id() if boot is None else boot
        self._wall = wall
        self._monotonic = monotonic
        self._known_offset_ns = 0

    @classmethod
    def anchored_now(
        cls,
        floor_ns: int | None = None,
        wall: Callable[[], int] = time.time_ns,
        monotonic: Callable[[], int] = monotonic_ns,
        boot: str | None = None,
    ) -> SteadyClock:
        """A clock with a new anchor taken now; floor_ns as in anchor_ns_for."""
        return cls(anchor_ns_for(wall(), monotonic(), floor_ns), wall, monotonic, boot)

    def instant(self) -> Instant:
        """Now, on all three clocks."""
        monotonic_ns = self._monotonic()
        return Instant(
            steady_ns=self.anchor_ns + monotonic_ns,
            wall_ns=self._wall(),
            monotonic_ns=monotonic_ns,
            boot=self.boot,
        )

    def step_since_last(self) -> int:
        """How far in ns the wall clock has left the steady clock since the last step told; 0 below 1 s.

        Small differences add up until they are told, so slow slewing is not lost either. For one caller only:
        asking resets what is compared with.
        """
        now = self.instant()
        step_ns = now.wall_ns - now.steady_ns - self._known_offset_ns
        if abs(step_ns) <= STEP_LIMIT_NS:
            return 0
        self._known_offset_ns += step_ns
        return step_ns
