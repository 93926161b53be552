"""HS1 bridge lines."""

from __future__ import annotations

import random

import pytest

from hoofsense.wire.bridge_line import BridgeLine, Kind, decode_bridge_line, encode_bridge_line, value_of
from hoofsense.wire.checked_text import with_crc
from hoofsense.wire.errors import FrameError

# The lines of the wire's own description (firmware_notes/hs1_bridge_line.md); CRCs worked out apart.
PUBLISHED = {
    b"$HS1,0,0,I,bridge-01,fw=0.1,boot=7F3A*C810": BridgeLine(
        0, 0, Kind.IDENTITY, "bridge-01", "fw=0.1", "boot=7F3A"
    ),
    b"$HS1,41,123456,M,jaw,12.34,mm*E9FE": BridgeLine(41, 123456, Kind.MEASUREMENT, "jaw", "12.34", "mm"),
    b"$HS1,42,123460,B,jaw,1,*21DB": BridgeLine(42, 123460, Kind.BUTTON, "jaw", "1", ""),
    b"$HS1,43,123500,M,ir,31.25,Cel*B7B6": BridgeLine(43, 123500, Kind.MEASUREMENT, "ir", "31.25", "Cel"),
    b"$HS1,44,123600,M,jaw,,mm*74CF": BridgeLine(44, 123600, Kind.MEASUREMENT, "jaw", "", "mm"),
}


@pytest.mark.parametrize("payload", PUBLISHED)
def test_the_published_lines_are_read_and_written(payload: bytes) -> None:
    assert decode_bridge_line(payload) == PUBLISHED[payload]
    assert encode_bridge_line(PUBLISHED[payload]) == payload


def test_value_and_resolution_come_from_the_digits_and_an_empty_value_is_no_reading() -> None:
    lines = list(PUBLISHED.values())
    assert value_of(lines[1]) == (12.34, 0.01)
    assert value_of(lines[4]) == (None, None)


@pytest.mark.parametrize("payload", PUBLISHED)
def test_every_truncation_is_refused(payload: bytes) -> None:
    for length in range(len(payload)):
        with pytest.raises(FrameError) as caught:
            decode_bridge_line(payload[:length])
        assert caught.value.reason in ("short", "checksum")


@pytest.mark.parametrize("payload", PUBLISHED)
def test_every_flipped_bit_is_refused(payload: bytes) -> None:
    for bit in range(8 * len(payload)):
        flipped = bytearray(payload)
        flipped[bit // 8] ^= 1 << bit % 8
        with pytest.raises(FrameError):
            decode_bridge_line(bytes(flipped))


@pytest.mark.parametrize(
    ("body", "reason"),
    [
        (b"HS2,1,1,M,jaw,1,mm", "version"),
        (b"HS1,1,1,M,jaw,1", "field"),
        (b"HS1,1,1,M,jaw,1,mm,", "field"),
        (b"HS1,1,1,X,jaw,1,mm", "field"),
        (b"HS1,1,1,M,,1,mm", "field"),
        (b"HS1,1,1,M,a/b,1,mm", "field"),
        (b"HS1,1,1,E,jaw,\x07,", "field"),
        (b"HS1,1,1,M,jaw,\xb5,mm", "field"),
        (b"HS1,4294967296,1,M,jaw,1,mm", "number"),
        (b"HS1,1,-1,M,jaw,1,mm", "number"),
        (b"HS1,01,1,M,jaw,1,mm", "number"),
        (b"HS1,1,1,M,jaw,1e3,mm", "number"),
        (b"HS1,1,1,M,jaw,nan,mm", "number"),
    ],
)
def test_a_line_with_a_right_checksum_and_a_wrong_field_is_refused(body: bytes, reason: str) -> None:
    with pytest.raises(FrameError) as caught:
        decode_bridge_line(b"$" + with_crc(body))
    assert caught.value.reason == reason


def test_lines_come_back_as_they_were_sent() -> None:
    rng = random.Random(8)
    for _ in range(3000):
        line = BridgeLine(
            rng.randrange(1 << 32),
            rng.randrange(1 << 32),
            rng.choice(list(Kind)),
            rng.choice(("jaw", "ir", "bridge-01", "a_b")),
            rng.choice(("", "1", "-12.340", "31.25")),
            rng.choice(("", "mm", "Cel", "[in_i]", "%")),
        )
        assert decode_bridge_line(encode_bridge_line(line)) == line


@pytest.mark.parametrize(
    "line",
    [
        BridgeLine(1 << 32, 0, Kind.BUTTON, "jaw"),
        BridgeLine(0, -1, Kind.BUTTON, "jaw"),
        BridgeLine(0, 0, Kind.ERROR, "jaw", "no,signal"),
        BridgeLine(0, 0, Kind.ERROR, "jaw", "kalt: -5 °C"),
        BridgeLine(0, 0, Kind.BUTTON, "jaw 1"),
        BridgeLine(0, 0, Kind.BUTTON, ""),
    ],
)
def test_fields_a_line_cannot_carry_are_own_misuse(line: BridgeLine) -> None:
    with pytest.raises(ValueError):
        encode_bridge_line(line)
