"""Lines out of a stream of bytes, with nothing lost: a line over the cap comes out cut short, as damaged."""

from __future__ import annotations

import re
from collections.abc import Iterator

from hoofsense.wire.framing import LONGEST_LINE, LineBuffer, lines_from

BRIDGE_CHANNEL = "line:hs1"
USUAL_SIGN_BIT = 20  # of a 24-bit caliper frame; what decoding takes when the channel says nothing
_UP_TO_A_LINE_END = re.compile(rb"[^\r\n]*[\r\n]|[^\r\n]+")


def bridge_channel(sign_bit: int | None) -> str:
    """The channel of a bridge's lines; it says the sign bit of the caliper frames in them when it is 21."""
    return BRIDGE_CHANNEL if sign_bit in (None, USUAL_SIGN_BIT) else f"{BRIDGE_CHANNEL}?sign={sign_bit}"


class LineReader:
    """Keeps the unfinished line between packets; make a new one for every connection."""

    def __init__(self) -> None:
        self._buffer = LineBuffer()

    @property
    def overlong(self) -> int:
        """How many lines were over the cap so far."""
        return self._buffer.overlong

    def lines(self, packet: bytes) -> Iterator[bytes]:
        """The lines packet completes, without their ends; of an overlong line its first LONGEST_LINE bytes.

        A cut line is given as soon as it is over the cap, and decodes to an error: a bridge line has lost its
        checksum, a gauge line is longer than any gauge sends.
        """
        for piece in _UP_TO_A_LINE_END.findall(packet):
            before = self._buffer
            self._buffer, whole = lines_from(before, piece)
            if self._buffer.overlong > before.overlong:
                yield (before.pending + piece)[:LONGEST_LINE]
            yield from whole
