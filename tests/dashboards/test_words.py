"""Words: units and uncertainty as a person reads them."""

from __future__ import annotations

import math

import pytest

from dashboards import words


@pytest.mark.parametrize(
    ("seconds", "said"),
    [
        (45.4, "45 s"),
        (119.0, "119 s"),
        (720.0, "12 min"),
        (7500.0, "2 h 05 min"),
        (-30.0, "−30 s"),
    ],
)
def test_a_duration_is_said_as_coarsely_as_still_helps(seconds: float, said: str) -> None:
    assert words.duration_words(seconds) == said


def test_a_duration_is_made_whole_to_the_side_asked_for() -> None:
    assert words.duration_words(1265.0, math.floor) == "21 min"
    assert words.duration_words(1265.0, math.ceil) == "22 min"


def test_zero_never_carries_a_minus_sign() -> None:
    assert words.number_words(-0.04) == "0.0"
    assert words.number_words(-0.06) == "−0.1"


def test_an_estimate_always_says_its_interval_in_words() -> None:
    estimate = {"name": "dew_point_margin", "value": 4.2, "low": 2.9, "high": 5.5, "unit": "K"}
    assert words.estimate_words(estimate) == ("4.2 °C", "between 2.9 and 5.5 °C")


def test_an_estimate_without_a_value_says_why() -> None:
    estimate = {"name": "no_film_probability", "value": None, "unit": "1", "reason": "No fresh reading."}
    assert words.estimate_words(estimate) == (words.NO_VALUE, "No fresh reading.")


def test_a_one_sided_interval_is_said_as_one() -> None:
    estimate = {"name": "quick_peak", "value": 307.35, "low": None, "high": 310.15, "unit": "K"}
    assert words.estimate_words(estimate) == ("34.2 °C", "at most 37.0 °C")


def test_a_heat_dose_is_not_mistaken_for_a_waiting_time() -> None:
    assert words.quantity_words(0.12, "min", "thermal_dose").startswith("0.12 min at 43 °C")
    assert words.quantity_words(12.0, "min", "firm_time") == "12 min"


@pytest.mark.parametrize(
    ("caution", "told"),
    [
        ("CAUTION: The fill gives off heat.", ("CAUTION", "The fill gives off heat.")),
        ({"signal": "WARNING", "text": "Hot."}, ("WARNING", "Hot.")),
        ("This pad may fail early.", ("NOTICE", "This pad may fail early.")),
        ({"signal": "ATTENTION", "text": "Not a signal word."}, ("NOTICE", "Not a signal word.")),
    ],
)
def test_only_the_four_signal_words_are_used(caution: object, told: tuple[str, str]) -> None:
    """Signal words as in ANSI Z535.4, from memory of its list; NOTICE is not about injury."""
    assert words.signal_of(caution) == told  # type: ignore[arg-type]


def test_what_was_left_out_is_counted_by_its_reason() -> None:
    assert words.refused_words({"range": 2, "damaged": 1, "unit": 0}) == (
        "3 left out: 2 out of range, 1 damaged on the way"
    )
    assert words.refused_words({}) == ""


def test_the_trace_is_told_in_sentences() -> None:
    second_ns = 1_000_000_000
    surface = [(n * second_ns, v, v, v) for n, v in enumerate((12.0, 51.0, 38.0))]
    text = words.trace_words("LF", surface, [(0, 5.7, 5.7, 5.7)], [("Heat limit", 60.0)])
    assert "rose to 38.0 °C" in text
    assert "highest 51.0 °C" in text
    assert "The dew point is 5.7 °C." in text
    assert "Heat limit, 60.0 °C: not reached." in text
    assert (
        words.trace_words("LF", [], [], []) == "No surface temperature of Left front in the last 10 minutes."
    )
