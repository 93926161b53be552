"""Lines out of packets: serial reads and GATT notifications end anywhere, lines end at CR, LF or CR LF.

    packet  any bytes, any number of line ends, none or many
    line    the bytes between line ends; empty lines (the LF of CR LF) are no lines

A line longer than the cap is thrown away up to its end and counted. Start with LineBuffer() again on every
reconnect, so that half a line of the old link never meets the new one.

Document: this file, version 1.
"""

from __future__ import annotations

from dataclasses import dataclass

LONGEST_LINE = 256  # bytes; own choice: an HS1 line stays below 120


@dataclass(frozen=True, slots=True)
class LineBuffer:
    """What is left of the last packet.

    pending   bytes since the last line end
    skipping  the line under way is over the cap: nothing is kept up to its end
    overlong  lines thrown away so far
    """

    pending: bytes = b""
    skipping: bool = False
    overlong: int = 0


def lines_from(
    buffer: LineBuffer, packet: bytes, longest: int = LONGEST_LINE
) -> tuple[LineBuffer, tuple[bytes, ...]]:
    """The lines that packet completes, without their ends, and the buffer to give with the next packet."""
    *ended, rest = packet.replace(b"\r", b"\n").split(b"\n")
    pending, skipping, overlong = buffer.pending, buffer.skipping, buffer.overlong
    lines: list[bytes] = []
    for piece in ended:
        line = pending + piece
        if skipping or len(line) > longest:
            overlong += not skipping
        elif line:
            lines.append(line)
        pending, skipping = b"", False
    pending += b"" if skipping else rest
    if len(pending) > longest:
        pending, skipping = b"", True
        overlong += 1
    return LineBuffer(pending, skipping, overlong), tuple(lines)
