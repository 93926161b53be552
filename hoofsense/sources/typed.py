"""Lengths typed by a person, or by a caliper's keyboard cable, into the page or the terminal.

They are checked before they are taken, in words for the person; the digits recorded are those typed.
"""

from __future__ import annotations

from collections.abc import Callable
from threading import Lock

from hoofsense.records import Instant, RawFrame
from hoofsense.sources.clock import SteadyClock
from hoofsense.sources.link import InstrumentStatus, Sink
from hoofsense.units import si_from, value_in
from hoofsense.wire.typed import decode_typed, encode_typed

TYPED_CHANNEL = "typed"
TYPED_ID = "typed"
KIND = "typed"
LONGEST_m = 0.300  # a large foot is longer than a pocket caliper; as the caliper sheet and screening have it
_WORD_OF = {"mm": "mm", "cm": "cm", "[in_i]": "in"}


def typed_payload(text: str, unit: str | None = None) -> bytes:
    """Payload of channel "typed" for what was typed.

    text    "12.34", "12,34 mm", "0.486 in"; a decimal comma will do
    unit    the UCUM unit the field states (mm, cm, [in_i]); None when only the text can state it
    raises  ValueError with a sentence for the person: no number, no unit, two units, out of range
    """
    payload = encode_typed(text, unit)
    typed = decode_typed(payload)
    if not 0.0 <= si_from(typed.value, typed.unit) <= LONGEST_m:
        longest = value_in(LONGEST_m, typed.unit)
        word = _WORD_OF[typed.unit]
        raise ValueError(
            f"{typed.value:g} {word} is outside 0 to {longest:.4g} {word}: "
            "set the caliper to zero and measure again"
        )
    return payload


def typed_frame(instant: Instant, text: str, unit: str | None = None, source_id: str = TYPED_ID) -> RawFrame:
    """The frame to record for what was typed; raises ValueError as typed_payload does."""
    return RawFrame(instant, source_id, TYPED_CHANNEL, typed_payload(text, unit))


class TypedSource:
    """A live source (link.LiveSource) that a page or a terminal types into. Thread-safe.

    unit  the UCUM unit its field states; None when every text must state its own
    """

    def __init__(self, unit: str | None = None, source_id: str = TYPED_ID) -> None:
        self._unit = unit
        self._source_id = source_id
        self._lock = Lock()
        self._take: Callable[[str], RawFrame] | None = None
        self._last_ns: int | None = None

    def start(self, sink: Sink, clock: SteadyClock) -> None:
        """Accept what is typed from now on."""

        def take(text: str) -> RawFrame:
            frame = typed_frame(clock.instant(), text, self._unit, self._source_id)
            sink(frame)
            return frame

        self._take = take

    def stop(self) -> None:
        """Accept nothing more."""
        self._take = None

    def type_in(self, text: str) -> RawFrame:
        """Record what was typed and return its frame; ValueError with a sentence when it cannot be taken."""
        with self._lock:
            if self._take is None:
                raise ValueError("nothing is being recorded: begin a visit, then type the value again")
            frame = self._take(text)
            self._last_ns = frame.at_ns
            return frame

    def status(self) -> tuple[InstrumentStatus, ...]:
        """Ready while started."""
        ready = self._take is not None
        return (
            InstrumentStatus(
                self._source_id, KIND, "typed values", ("length",), ready, last_seen_ns=self._last_ns
            ),
        )
