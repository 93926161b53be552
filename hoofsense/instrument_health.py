"""How an instrument's stream is doing: how fast it comes, what is missing, what its own clock says.

Running counts alone, a few numbers for each instrument. What is shown of a rate or a clock keeps its value
until it has really changed, so that a view that is sent on change stays small.
"""

from __future__ import annotations

from dataclasses import dataclass, replace

from hoofsense.records import NS_PER_S

RATE_WINDOW_NS = 10 * NS_PER_S  # a rate is taken over so long at least; our choice
RATE_FRAMES = 3  # and over so many frames, for instruments that speak seldom; our choice
RATE_CHANGED_RATIO = 0.2  # a rate is shown anew when it has changed by more than this part; our choice
CLOCK_CHANGED_NS = NS_PER_S  # a clock is shown anew when it has moved by more; dated clocks show seconds
SEQUENCE_RANGES = {"line:hs1": 2**32, "advert:fcd2": 2**8}  # numbers in use, as the wire modules say
_LARGEST_COUNTER_MS = 2**32  # a u32 of milliseconds; a clock beyond it is a calendar, not a counter


@dataclass(frozen=True, slots=True)
class Health:
    """One instrument's stream so far.

    frames         received, damaged ones included
    crc_errors     frames whose checksum did not fit
    lost           line or packet numbers that never came whole, damaged ones included
    restarts       times its line number and clock began anew
    rate_per_s     frames a second as last shown, 2 significant digits; None before the first window is full
    clock_ns       least delay between its clock and ours as last shown: for a counter the moment (UTC) at
                   which it stood at zero, for a dated clock how far it is behind ours; None without a clock
    counts         whether clock_ns is of a counter
    last_*         number and clock of the newest whole frame
    window_*       when the rate's window began, and the frames in it
    """

    frames: int = 0
    crc_errors: int = 0
    lost: int = 0
    restarts: int = 0
    rate_per_s: float | None = None
    clock_ns: int | None = None
    counts: bool = True
    last_sequence: int | None = None
    last_device_ms: int | None = None
    window_ns: int | None = None
    window_frames: int = 0


def with_frame(health: Health, at_ns: int) -> Health:
    """One more frame, whatever is in it, received at at_ns (steady clock)."""
    began_ns, count = health.window_ns, health.window_frames + 1
    frames = health.frames + 1
    if began_ns is None:
        return replace(health, frames=frames, window_ns=at_ns, window_frames=0)
    lasted_ns = at_ns - began_ns
    if lasted_ns < RATE_WINDOW_NS or count < RATE_FRAMES:
        return replace(health, frames=frames, window_frames=count)
    rate = count * NS_PER_S / lasted_ns
    shown = health.rate_per_s
    if shown is None or abs(rate - shown) > RATE_CHANGED_RATIO * shown:
        shown = float(f"{rate:.2g}")
    return replace(health, frames=frames, rate_per_s=shown, window_ns=at_ns, window_frames=0)


def with_interruption(health: Health) -> Health:
    """Its link went down or came up: the rate is taken anew."""
    return replace(health, window_ns=None, window_frames=0)


def with_crc_error(health: Health) -> Health:
    """A frame whose checksum did not fit."""
    return replace(health, crc_errors=health.crc_errors + 1)


def with_number(health: Health, kind: str, sequence: int | None, device_ms: int | None) -> Health:
    """The line or packet number and the clock of one whole frame.

    kind  the channel without settings; numbers of one that is not in SEQUENCE_RANGES are not followed
    """
    size = SEQUENCE_RANGES.get(kind)
    if sequence is None or size is None:
        return health
    before = health.last_sequence
    ahead = 0 if before is None else (sequence - before) % size
    if before is not None and ahead == 0:
        return health  # the same frame again
    if ahead > size // 2:
        restarted = (
            device_ms is not None and health.last_device_ms is not None and device_ms < health.last_device_ms
        )
        if not restarted:
            return health  # an earlier frame, late
        return replace(health, restarts=health.restarts + 1, last_sequence=sequence, last_device_ms=device_ms)
    missing = max(0, ahead - 1)
    return replace(health, lost=health.lost + missing, last_sequence=sequence, last_device_ms=device_ms)


def with_clock(health: Health, device_ms: int, least_delay_ns: int | None) -> Health:
    """Its clock against ours: the least delay so far, as screening keeps it; None while none is known."""
    if least_delay_ns is None:
        return health
    counts = device_ms < _LARGEST_COUNTER_MS
    shown = health.clock_ns
    if shown is not None and counts is health.counts and abs(least_delay_ns - shown) <= CLOCK_CHANGED_NS:
        return health
    return replace(health, clock_ns=least_delay_ns, counts=counts)
