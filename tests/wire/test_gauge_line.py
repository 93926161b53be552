"""ASCII lines of gauges over USB serial (common practice, no standard)."""

from __future__ import annotations

import random

import pytest

from hoofsense.wire.errors import FrameError
from hoofsense.wire.gauge_line import GaugeLine, decode_gauge_line, encode_gauge_line


@pytest.mark.parametrize(
    ("payload", "configured", "expected"),
    [
        (b"+012.34mm", None, GaugeLine(12.34, "mm", 0.01)),
        (b"01A+00012.345", "mm", GaugeLine(12.345, "mm", 0.001, "01A")),
        (b"-0.4855in", None, GaugeLine(-0.4855, "[in_i]", 0.0001)),
        (b'0.4855"', None, GaugeLine(0.4855, "[in_i]", 0.0001)),
        (b" 12.34 MM ", None, GaugeLine(12.34, "mm", 0.01)),
        (b"12.34", "[in_i]", GaugeLine(12.34, "[in_i]", 0.01)),
        (b"0.5 INCH", "[in_i]", GaugeLine(0.5, "[in_i]", 0.1)),
    ],
)
def test_lines_are_read_with_the_unit_they_state_or_the_one_configured(
    payload: bytes, configured: str | None, expected: GaugeLine
) -> None:
    assert decode_gauge_line(payload, configured) == expected


def test_a_unit_is_never_assumed_and_never_overruled() -> None:
    for payload, configured in ((b"+012.34", None), (b"+012.34mm", "[in_i]")):
        with pytest.raises(FrameError) as caught:
            decode_gauge_line(payload, configured)
        assert caught.value.reason == "unit"


@pytest.mark.parametrize(
    "payload",
    [b"", b"ERR", b"+", b"mm", b"12.3.4mm", b"1e3mm", b"\xb5mm", b"+12.34kg", b"A12.34mm", b"+1,5mm"],
)
def test_what_is_no_value_is_refused(payload: bytes) -> None:
    with pytest.raises(FrameError) as caught:
        decode_gauge_line(payload, "mm")
    assert caught.value.reason == "number"


def test_a_very_long_line_is_refused() -> None:
    with pytest.raises(FrameError) as caught:
        decode_gauge_line(b"1" * 65, "mm")
    assert caught.value.reason == "long"


@pytest.mark.parametrize(
    ("pattern", "payload", "value", "unit"),
    [
        ("N{value}~", b"N+0003,25;OK", 3.25, "mm"),
        ("L:{value} {unit}", b"L:12.5 in", 12.5, "[in_i]"),
        ("??{value}", b"(]- 7.25", -7.25, "mm"),
    ],
)
def test_other_layouts_are_read_by_their_pattern(
    pattern: str, payload: bytes, value: float, unit: str
) -> None:
    configured = None if "{unit}" in pattern else "mm"
    said = decode_gauge_line(payload, configured, pattern)
    assert (said.value, said.unit) == (value, unit)
    with pytest.raises(FrameError):
        decode_gauge_line(b"#" + payload, configured, pattern)


@pytest.mark.parametrize("pattern", ["", "N", "{value}{value}", "{value}~~~", "{unit}{value}{unit}"])
def test_a_pattern_without_exactly_one_value_is_own_misuse(pattern: str) -> None:
    with pytest.raises(ValueError, match="pattern"):
        decode_gauge_line(b"1", "mm", pattern)


def test_a_configured_unit_must_be_known() -> None:
    with pytest.raises(ValueError, match="furlong"):
        decode_gauge_line(b"1", "furlong")


def test_lines_come_back_as_they_were_sent() -> None:
    rng = random.Random(10)
    for _ in range(2000):
        line = GaugeLine(
            rng.randrange(-99999, 99999) / 1000,
            rng.choice(("mm", "cm", "[in_i]")),
            0.001,
            rng.choice(("", "01A")),
        )
        assert decode_gauge_line(encode_gauge_line(line)) == line
        assert decode_gauge_line(encode_gauge_line(line, with_unit=False), line.unit) == line
    with pytest.raises(ValueError, match="unit"):
        encode_gauge_line(GaugeLine(1.0, "m", 0.1))


def test_a_truncated_line_loses_its_unit_or_is_no_number() -> None:
    for length in range(len(b"+012.34mm")):
        with pytest.raises(FrameError):
            decode_gauge_line(b"+012.34mm"[:length])
