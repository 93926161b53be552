"""Caliper values typed by a person or a keyboard cable."""

from __future__ import annotations

import random

import pytest

from hoofsense.wire.checked_text import encode_checked
from hoofsense.wire.errors import FrameError
from hoofsense.wire.typed import TypedValue, decode_typed, encode_typed


@pytest.mark.parametrize(
    ("text", "field_unit", "expected"),
    [
        ("12.34", "mm", TypedValue(12.34, "mm", 0.01)),
        ("12,34", "mm", TypedValue(12.34, "mm", 0.01)),
        (" -0.50 mm\n", None, TypedValue(-0.5, "mm", 0.01)),
        ("0.4855 in", None, TypedValue(0.4855, "[in_i]", 0.0001)),
        ('0,4855"', "[in_i]", TypedValue(0.4855, "[in_i]", 0.0001)),
        ("3 Inch", "[in_i]", TypedValue(3.0, "[in_i]", 1.0)),
        ("1cm", "cm", TypedValue(1.0, "cm", 1.0)),
    ],
)
def test_points_commas_and_units_are_read_as_typed(
    text: str, field_unit: str | None, expected: TypedValue
) -> None:
    assert decode_typed(encode_typed(text, field_unit)) == expected


@pytest.mark.parametrize(
    "text", ["", "mm", "12.3.4", "1,234.5", "1e3", "nan", "٣", "12.34 kg", ".5", "1234567890", "4 4"]
)
def test_what_is_no_length_is_answered_in_words(text: str) -> None:
    with pytest.raises(ValueError, match="type the number again"):
        encode_typed(text, "mm")


def test_a_unit_is_never_guessed_and_a_contradiction_never_resolved() -> None:
    with pytest.raises(ValueError, match="has no unit: choose mm or in"):
        encode_typed("12.34")
    with pytest.raises(ValueError, match="not in mm, which the field states"):
        encode_typed("0.5 in", "mm")
    with pytest.raises(ValueError, match="not a length"):
        encode_typed("12.34", "Cel")


@pytest.mark.parametrize(
    ("body", "reason"),
    [("12.34", "unit"), ("12.34 kg", "unit"), ("x mm", "number"), ("12.34  mm", "unit"), (" mm", "number")],
)
def test_a_body_that_is_no_length_is_refused(body: str, reason: str) -> None:
    with pytest.raises(FrameError) as caught:
        decode_typed(encode_checked(body))
    assert caught.value.reason == reason


def test_every_truncation_and_every_flipped_bit_is_refused() -> None:
    payload = encode_typed("12,34", "mm")
    for length in range(len(payload)):
        with pytest.raises(FrameError):
            decode_typed(payload[:length])
    for bit in range(8 * len(payload)):
        flipped = bytearray(payload)
        flipped[bit // 8] ^= 1 << bit % 8
        with pytest.raises(FrameError):
            decode_typed(bytes(flipped))


def test_typed_values_come_back() -> None:
    rng = random.Random(12)
    for _ in range(1000):
        value = rng.randrange(-30000, 30000) / 100
        assert decode_typed(encode_typed(f"{value:.2f}".replace(".", rng.choice(".,")), "mm")).value == value
