"""Text that a flipped bit cannot change unseen."""

from __future__ import annotations

import random

import pytest

from hoofsense.wire.checked_text import crc16, decode_checked, encode_checked
from hoofsense.wire.errors import FrameError

BODIES = (
    "",
    "*",
    "a*FFFF",
    '{"mark":"fitness","foot":"LF","signs":[]}',
    "12,34 mm",
    "Fuß trocken · 3 °C",
    "x" * 3000,
)


def test_the_published_check_value_of_the_crc_is_met() -> None:
    # CRC-16/IBM-3740, check value over "123456789": Catalogue of parametrised CRC algorithms (from memory).
    assert crc16(b"123456789") == 0x29B1


def test_the_crc_is_the_one_of_long_division_by_hand() -> None:
    def by_long_division(body: bytes) -> int:
        register = 0xFFFF
        for byte in body:
            register ^= byte << 8
            for _ in range(8):
                register = (register << 1 ^ 0x1021 if register & 0x8000 else register << 1) & 0xFFFF
        return register

    assert by_long_division(b"123456789") == 0x29B1
    for body in BODIES:
        assert crc16(body.encode()) == by_long_division(body.encode())


@pytest.mark.parametrize("body", BODIES)
def test_every_text_comes_back_as_it_was(body: str) -> None:
    assert decode_checked(encode_checked(body)) == body


def test_an_empty_body_is_the_start_value_of_the_crc() -> None:
    assert encode_checked("") == b"*FFFF"


@pytest.mark.parametrize("body", BODIES[:-1])
def test_every_single_flipped_bit_is_refused(body: str) -> None:
    payload = encode_checked(body)
    for bit in range(8 * len(payload)):
        flipped = bytearray(payload)
        flipped[bit // 8] ^= 1 << bit % 8
        with pytest.raises(FrameError) as caught:
            decode_checked(bytes(flipped))
        assert caught.value.reason == "checksum"


def test_every_two_flipped_bits_of_a_body_are_refused() -> None:
    payload = encode_checked('{"mark":"heat"}')
    bits = 8 * (len(payload) - 5)
    for first in range(bits):
        for second in range(first):
            flipped = bytearray(payload)
            flipped[first // 8] ^= 1 << first % 8
            flipped[second // 8] ^= 1 << second % 8
            with pytest.raises(FrameError):
                decode_checked(bytes(flipped))


@pytest.mark.parametrize("body", BODIES[:-1])
def test_every_truncation_is_refused(body: str) -> None:
    payload = encode_checked(body)
    for length in range(len(payload)):
        with pytest.raises(FrameError) as caught:
            decode_checked(payload[:length])
        assert caught.value.reason in ("short", "checksum")


def test_bytes_that_are_no_utf8_are_refused_although_their_checksum_is_right() -> None:
    with pytest.raises(FrameError) as caught:
        decode_checked(b"\xff*%04X" % crc16(b"\xff"))
    assert caught.value.reason == "field"


def test_random_bytes_raise_frame_errors_only() -> None:
    rng = random.Random(1)
    for _ in range(20_000):
        with pytest.raises(FrameError):
            decode_checked(rng.randbytes(rng.randrange(40)))
