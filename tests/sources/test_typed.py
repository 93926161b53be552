"""Typed lengths: taken with the digits typed, or refused in a sentence that says what to type."""

from __future__ import annotations

from typing import Any

import pytest

from hoofsense.decoding import measurements_from
from hoofsense.sources.clock import SteadyClock
from hoofsense.sources.typed import TypedSource, typed_frame, typed_payload
from hoofsense.wire.checked_text import decode_checked

Recorder = Any  # conftest.Recorder


@pytest.mark.parametrize(
    ("text", "unit", "body", "value", "ucum", "resolution"),
    [
        ("12.34", "mm", "12.34 mm", 12.34, "mm", 0.01),
        (" 12,340 ", "mm", "12,340 mm", 12.34, "mm", 0.001),
        ("12.34 mm", None, "12.34 mm", 12.34, "mm", 0.01),
        ('0.486"', None, "0.486 in", 0.486, "[in_i]", 0.001),
        ("1.2cm", None, "1.2 cm", 1.2, "cm", 0.1),
        ("0", "mm", "0 mm", 0.0, "mm", 1.0),
        ("300.00", "mm", "300.00 mm", 300.0, "mm", 0.01),
    ],
)
def test_the_digits_typed_are_the_digits_recorded(
    clock: SteadyClock, text: str, unit: str | None, body: str, value: float, ucum: str, resolution: float
) -> None:
    frame = typed_frame(clock.instant(), text, unit)
    assert (frame.channel, decode_checked(frame.payload)) == ("typed", body)
    (measurement,) = measurements_from(frame)
    assert (measurement.value, measurement.unit, measurement.resolution) == (value, ucum, resolution)


@pytest.mark.parametrize(
    ("text", "unit", "words"),
    [
        ("12.34", None, "has no unit: choose mm or in"),
        ("12.34 in", "mm", "is not in mm, which the field states"),
        ("", "mm", "type the number again"),
        ("12.3.4", "mm", "type the number again"),
        ("twelve", "mm", "type the number again"),
        ("1e3", "mm", "type the number again"),
        ("nan", "mm", "type the number again"),
        ("300.01", "mm", "300.01 mm is outside 0 to 300 mm"),
        ("-0.01", "mm", "-0.01 mm is outside 0 to 300 mm: set the caliper to zero"),
        ("12", "[in_i]", "12 in is outside 0 to 11.81 in"),
    ],
)
def test_what_cannot_be_taken_is_refused_in_a_sentence(text: str, unit: str | None, words: str) -> None:
    with pytest.raises(ValueError) as refused:
        typed_payload(text, unit)
    assert words in str(refused.value)


def test_a_source_records_what_is_typed_while_it_is_started(recorder: Recorder, clock: SteadyClock) -> None:
    source = TypedSource("mm", "page")
    with pytest.raises(ValueError, match="begin a visit"):
        source.type_in("12.34")
    source.start(recorder, clock)
    frame = source.type_in("12.34")
    with pytest.raises(ValueError, match="outside"):
        source.type_in("1234")
    assert recorder.frames == [frame]
    (status,) = source.status()
    assert (status.source_id, status.connected, status.last_seen_ns) == ("page", True, frame.at_ns)
    source.stop()
    assert not source.status()[0].connected
    with pytest.raises(ValueError, match="begin a visit"):
        source.type_in("12.34")
