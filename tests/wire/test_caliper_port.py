"""Frames of caliper data ports. The words are those of public write-ups (no standard), worked out by hand."""

from __future__ import annotations

import random

import pytest

from hoofsense.wire.caliper_port import (
    CaliperValue,
    decode_caliper24,
    decode_caliper52,
    encode_caliper24,
    encode_caliper52,
)
from hoofsense.wire.errors import FrameError


@pytest.mark.parametrize(
    ("word", "value", "unit", "resolution"),
    [
        (b"0004D2", 12.34, "mm", 0.01),  # 0x4D2 = 1234 counts
        (b"1004D2", -12.34, "mm", 0.01),  # bit 20
        (b"8003CB", 0.4855, "[in_i]", 0.0005),  # bit 23; 0x3CB = 971 counts of 0.0005
        (b"9003CB", -0.4855, "[in_i]", 0.0005),
        (b"000000", 0.0, "mm", 0.01),
        (b"0fffff", 10485.75, "mm", 0.01),
    ],
)
def test_words_of_24_bits_are_read(word: bytes, value: float, unit: str, resolution: float) -> None:
    assert decode_caliper24(word) == CaliperValue(value, unit, resolution)
    assert encode_caliper24(value, unit) == word.upper()


def test_a_port_with_its_sign_in_bit_21_is_told_apart_not_guessed() -> None:
    assert decode_caliper24(b"2004D2", sign_bit=21).value == -12.34
    assert encode_caliper24(-12.34, "mm", sign_bit=21) == b"2004D2"
    for word, sign_bit in ((b"2004D2", 20), (b"1004D2", 21), (b"4004D2", 20), (b"4004D2", 21)):
        with pytest.raises(FrameError) as caught:
            decode_caliper24(word, sign_bit)
        assert caught.value.reason == "field"
    with pytest.raises(ValueError, match="20 or 21"):
        decode_caliper24(b"0004D2", sign_bit=22)


def test_every_word_is_read_as_it_was_written_or_refused() -> None:
    rng = random.Random(9)
    for word in rng.sample(range(1 << 24), 20_000):
        text = b"%06X" % word
        if word & 0x600000:
            with pytest.raises(FrameError):
                decode_caliper24(text)
        elif word & 0xFFFFF or not word & 0x100000:  # minus zero is zero
            said = decode_caliper24(text)
            assert encode_caliper24(said.value, said.unit) == text


@pytest.mark.parametrize(
    ("frame", "value", "unit", "resolution"),
    [
        (b"FFFF801234530", -12.345, "mm", 0.001),
        (b"FFFF000485541", 0.4855, "[in_i]", 0.0001),
        (b"FFFF000123420", 12.34, "mm", 0.01),
        (b"FFFF012345600", 123456.0, "mm", 1.0),
    ],
)
def test_frames_of_13_nibbles_are_read(frame: bytes, value: float, unit: str, resolution: float) -> None:
    assert decode_caliper52(frame) == CaliperValue(value, unit, resolution)
    decimals = {1.0: 0, 0.01: 2, 0.001: 3, 0.0001: 4}[resolution]
    assert encode_caliper52(value, unit, decimals) == frame


@pytest.mark.parametrize(
    "frame",
    [
        b"EFFF801234530",
        b"FFFF701234530",
        b"FFFF80A234530",
        b"FFFF801234560",
        b"FFFF801234532",
        b"FFFF8012345F0",
    ],
)
def test_a_wrong_header_sign_digit_point_or_unit_is_refused(frame: bytes) -> None:
    with pytest.raises(FrameError) as caught:
        decode_caliper52(frame)
    assert caught.value.reason == "field"


def test_every_truncation_and_every_other_character_is_refused() -> None:
    for whole, decode in ((b"0004D2", decode_caliper24), (b"FFFF801234530", decode_caliper52)):
        for length in range(len(whole)):
            with pytest.raises(FrameError) as caught:
                decode(whole[:length])
            assert caught.value.reason == "short"
        with pytest.raises(FrameError) as caught:
            decode(whole + b"0")
        assert caught.value.reason == "long"
        for wrong in (b" ", b"G", b"+", b"_", b"\xff"):
            with pytest.raises(FrameError):
                decode(wrong + whole[1:])


def test_lengths_that_do_not_fit_are_own_misuse() -> None:
    with pytest.raises(ValueError, match="20 bits"):
        encode_caliper24(10485.76, "mm")
    with pytest.raises(ValueError, match="digits"):
        encode_caliper52(1000.0, "mm", 3)
    with pytest.raises(ValueError, match="decimals"):
        encode_caliper52(1.0, "mm", 6)
    with pytest.raises(ValueError, match="mm"):
        encode_caliper24(1.0, "cm")
