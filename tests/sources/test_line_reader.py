"""Lines out of packets: nothing is lost, what is too long comes out cut."""

from __future__ import annotations

import random

from hoofsense.sources.line_reader import LineReader, bridge_channel
from hoofsense.wire.framing import LONGEST_LINE


def read(packets: list[bytes]) -> list[bytes]:
    reader = LineReader()
    return [line for packet in packets for line in reader.lines(packet)]


def test_lines_are_the_same_however_the_bytes_are_cut() -> None:
    stream = b"one\r\ntwo\rthree\n\n\r\nfour\n" + b"x" * 700 + b"\r\nfive\r\n"
    whole = [b"one", b"two", b"three", b"four", b"x" * LONGEST_LINE, b"five"]
    assert read([stream]) == whole
    assert read([stream[i : i + 1] for i in range(len(stream))]) == whole
    cuts = random.Random(3)
    for _ in range(50):
        at = sorted(cuts.sample(range(len(stream)), 9))
        assert read([stream[a:b] for a, b in zip([0, *at], [*at, len(stream)], strict=True)]) == whole


def test_a_line_over_the_cap_is_given_at_once_and_counted() -> None:
    reader = LineReader()
    assert list(reader.lines(b"y" * LONGEST_LINE)) == []
    assert list(reader.lines(b"y")) == [b"y" * LONGEST_LINE]
    assert list(reader.lines(b"y" * 10_000)) == []
    assert list(reader.lines(b"\nok\n")) == [b"ok"]
    assert reader.overlong == 1


def test_a_line_just_at_the_cap_is_whole() -> None:
    assert read([b"z" * LONGEST_LINE + b"\n"]) == [b"z" * LONGEST_LINE]


def test_the_channel_of_a_bridge_says_its_sign_bit_only_when_it_is_not_the_usual_one() -> None:
    assert [bridge_channel(bit) for bit in (None, 20, 21)] == ["line:hs1", "line:hs1", "line:hs1?sign=21"]
