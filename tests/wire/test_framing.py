"""Lines out of packets that end anywhere."""

from __future__ import annotations

import random

import pytest

from hoofsense.wire.framing import LineBuffer, lines_from


def _all_lines(packets: list[bytes], longest: int = 256) -> tuple[LineBuffer, list[bytes]]:
    buffer = LineBuffer()
    lines: list[bytes] = []
    for packet in packets:
        buffer, ended = lines_from(buffer, packet, longest)
        lines += ended
    return buffer, lines


@pytest.mark.parametrize("end", [b"\r", b"\n", b"\r\n"])
def test_lines_are_the_same_however_the_stream_is_cut(end: bytes) -> None:
    rng = random.Random(11)
    lines = [b"$HS1,%d*%04X" % (n, n) for n in range(200)]
    stream = b"".join(line + end for line in lines)
    for _ in range(50):
        packets, at = [], 0
        while at < len(stream):
            size = rng.randrange(1, 25)
            packets.append(stream[at : at + size])
            at += size
        buffer, found = _all_lines(packets)
        assert found == lines
        assert buffer == LineBuffer()


def test_a_line_end_cut_between_cr_and_lf_makes_one_line() -> None:
    assert _all_lines([b"a\r", b"\nb\r", b"\n"])[1] == [b"a", b"b"]


def test_half_a_line_waits_for_its_rest_and_is_gone_after_a_new_start() -> None:
    buffer, lines = lines_from(LineBuffer(), b"one\ntwo")
    assert (buffer.pending, lines) == (b"two", (b"one",))
    assert lines_from(buffer, b"!\n")[1] == (b"two!",)
    assert lines_from(LineBuffer(), b"!\n")[1] == (b"!",)


def test_a_line_over_the_cap_is_thrown_away_counted_and_the_next_one_is_whole() -> None:
    for cut in (1, 5, 7, 100):
        stream = b"ok\n" + b"x" * 50 + b"\nnext\n" + b"y" * 11 + b"\nlast\n"
        packets = [stream[at : at + cut] for at in range(0, len(stream), cut)]
        buffer, lines = _all_lines(packets, longest=10)
        assert lines == [b"ok", b"next", b"last"]
        assert buffer.overlong == 2


def test_a_line_of_exactly_the_cap_is_kept() -> None:
    assert _all_lines([b"x" * 10, b"\n"], longest=10)[1] == [b"x" * 10]


def test_an_endless_stream_without_a_line_end_keeps_nothing() -> None:
    buffer = LineBuffer()
    for _ in range(1000):
        buffer, lines = lines_from(buffer, b"\x00" * 100)
        assert not lines and len(buffer.pending) <= 256
    assert buffer.overlong == 1


def test_an_empty_packet_changes_nothing() -> None:
    buffer = LineBuffer(b"half")
    assert lines_from(buffer, b"") == (buffer, ())
