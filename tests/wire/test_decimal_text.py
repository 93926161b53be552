"""Decimal numbers whose digits say the resolution."""

from __future__ import annotations

import math

import pytest

from hoofsense.wire.decimal_text import decimal_from, decimal_text
from hoofsense.wire.errors import FrameError


@pytest.mark.parametrize(
    ("text", "value", "resolution"),
    [
        ("12.34", 12.34, 0.01),
        ("12.340", 12.34, 0.001),
        ("-0.5", -0.5, 0.1),
        ("+00012.345", 12.345, 0.001),
        ("7", 7.0, 1.0),
        ("-0.00", 0.0, 0.01),
    ],
)
def test_the_digits_are_the_value_and_its_least_count(text: str, value: float, resolution: float) -> None:
    assert decimal_from(text, b"") == (value, resolution)


def test_there_is_no_negative_zero() -> None:
    assert math.copysign(1.0, decimal_from("-0.00", b"")[0]) == 1.0
    assert decimal_text(-0.001, 0.01) == "0.00"


@pytest.mark.parametrize(
    "text",
    [
        "",
        ".",
        "5.",
        ".5",
        "1e3",
        "nan",
        "inf",
        "1,5",
        "1 2",
        "--1",
        "0x10",
        "1_0",
        "१",
        "1.2.3",
        "1234567890",
    ],
)
def test_anything_else_is_no_number(text: str) -> None:
    with pytest.raises(FrameError) as caught:
        decimal_from(text, b"raw")
    assert (caught.value.reason, caught.value.payload) == ("number", b"raw")


def test_a_decimal_comma_is_read_only_where_it_is_allowed() -> None:
    assert decimal_from("12,34", b"", comma=True) == (12.34, 0.01)
    for text in ("1,234.5", "1,2,3"):
        with pytest.raises(FrameError):
            decimal_from(text, b"", comma=True)


@pytest.mark.parametrize("text", ["12.34", "-0.5", "0.000", "100", "-7.125"])
def test_a_number_is_written_with_the_decimals_of_its_resolution(text: str) -> None:
    assert decimal_text(*decimal_from(text, b"")) == text


def test_a_resolution_that_decimals_cannot_show_is_own_misuse() -> None:
    with pytest.raises(ValueError, match=r"0\.0005"):
        decimal_text(0.4855, 0.0005)
