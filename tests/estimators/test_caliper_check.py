"""The guided check: what a good caliper shows passes, and every way a port can differ is found."""

from __future__ import annotations

import pytest

from hoofsense.estimators.caliper_check import (
    TRIES,
    CaliperCheck,
    Candidate,
    CheckStep,
    candidates_from_frame,
    candidates_from_value,
    check_begun,
    instruction,
    with_sample,
    without_inch_key,
)
from hoofsense.wire.caliper_port import encode_caliper24, encode_caliper52

BLOCK_m = 0.010

Sent = tuple[Candidate, ...]


def frame24(value: float, unit: str = "mm", sign_bit: int = 20) -> Sent:
    return candidates_from_frame(encode_caliper24(value, unit, sign_bit), "hex24")


def frame52(value: float, unit: str = "mm", decimals: int = 2) -> Sent:
    return candidates_from_frame(encode_caliper52(value, unit, decimals), "hex52")


def checked(*sent: Sent) -> tuple[CaliperCheck, list[str]]:
    check, said = check_begun(BLOCK_m), []
    for one in sent:
        check, sentence = with_sample(check, one)
        said.append(sentence)
    return check, said


@pytest.mark.parametrize("sign_bit", [20, 21])
def test_a_24_bit_port_passes_and_its_sign_bit_is_found(sign_bit: int) -> None:
    check, said = checked(
        frame24(0.0),
        frame24(10.01),
        frame24(-10.0, sign_bit=sign_bit),
        frame24(-0.3935, "[in_i]", sign_bit),
    )
    assert check.passed
    assert (check.sign_bit, check.inch_told) == (sign_bit, True)
    assert f"Its sign is bit {sign_bit}." in said[2]
    assert said[3] == "-0.3935 in arrived, the same length."


def test_a_52_bit_port_passes_and_needs_no_sign_bit() -> None:
    check, _ = checked(frame52(0.0), frame52(9.98), frame52(-9.99), frame52(-0.3937, "[in_i]", 4))
    assert check.passed
    assert (check.sign_bit, check.inch_told) == (None, True)


def test_a_gauge_set_in_inches_is_checked_in_inches() -> None:
    check, _ = checked(
        candidates_from_value(0.0, "[in_i]"),
        candidates_from_value(0.3935, "[in_i]"),
        candidates_from_value(-0.394, "[in_i]"),
        candidates_from_value(-10.0, "mm"),
    )
    assert check.passed
    assert check.inch_told


def test_a_value_that_never_says_its_unit_passes_for_that_unit_alone() -> None:
    check, said = checked(
        candidates_from_value(0.0, "mm"),
        candidates_from_value(10.0, "mm"),
        candidates_from_value(-10.0, "mm"),
        candidates_from_value(-0.3935, "mm"),
    )
    assert check.passed
    assert check.inch_told is False
    assert "keep it in mm" in said[-1]


def test_a_cable_that_hides_the_sign_does_not_pass() -> None:
    check, said = checked(frame24(0.0), frame24(10.0), *[frame24(10.0)] * TRIES)
    assert not check.passed
    assert check.step is None
    assert "without its minus sign, 3 times" in said[-1]
    assert "never trust a negative value" in check.failure


def test_a_display_in_inches_read_as_mm_is_named_at_the_block() -> None:
    check, said = checked(candidates_from_value(0.0, "mm"), candidates_from_value(0.3937, "mm"))
    assert check.step is CheckStep.BLOCK
    assert said[-1] == "0.39 mm came: its display is in the other unit: do this step again."


@pytest.mark.parametrize(
    ("before", "wrong", "words"),
    [
        ((), 0.05, "0.05 mm came for closed jaws"),
        ((0.0,), 10.05, "10.05 mm came for 10.00 mm, 0.03 mm is the limit"),
        ((0.0, 10.0), -9.9, "-9.90 mm came, -10.00 mm was to come"),
        ((0.0, 10.0, -10.0), -10.0, "-10.00 mm came, its unit unchanged"),
        ((0.0, 10.0, -10.0), -3.0, "-3.00 mm came, the same length in the other unit was to come"),
    ],
)
def test_a_wrong_value_is_named_and_the_step_done_again_then_given_up(
    before: tuple[float, ...], wrong: float, words: str
) -> None:
    check, _ = checked(*(candidates_from_value(value, "mm") for value in before))
    step = check.step
    for left in reversed(range(TRIES)):
        check, said = with_sample(check, candidates_from_value(wrong, "mm"))
        assert words in said
        assert check.step is (step if left else None)
    assert not check.passed
    with pytest.raises(ValueError, match="this check is over"):
        with_sample(check, candidates_from_value(0.0, "mm"))


def test_a_right_value_after_wrong_ones_goes_on_with_all_tries() -> None:
    zero, wrong = candidates_from_value(0.0, "mm"), candidates_from_value(5.0, "mm")
    check, _ = checked(wrong, wrong, zero, wrong, wrong)
    assert (check.step, check.failure) == (CheckStep.BLOCK, "")


@pytest.mark.parametrize(
    ("digits", "layout"), [(b"4004D2", "hex24"), (b"0004D", "hex24"), (b"FFFF801234590", "hex52")]
)
def test_a_frame_that_breaks_its_layout_counts_as_a_wrong_value(digits: bytes, layout: str) -> None:
    check, said = with_sample(check_begun(BLOCK_m), candidates_from_frame(digits, layout))
    assert (check.step, check.tries) == (CheckStep.ZERO, 1)
    assert "breaks the layout" in said


def test_a_caliper_without_an_inch_key_passes_with_three_steps() -> None:
    check, _ = checked(frame24(0.0), frame24(10.0), frame24(-10.0))
    check = without_inch_key(check)
    assert check.passed
    assert check.inch_told is None
    with pytest.raises(ValueError, match="only the last step"):
        without_inch_key(check_begun(BLOCK_m))


def test_every_step_says_what_to_do_and_the_end_says_nothing() -> None:
    check, told = check_begun(BLOCK_m), []
    for sent in (frame24(0.0), frame24(10.0), frame24(-10.0), frame24(-0.3935, "[in_i]")):
        told.append(instruction(check))
        check, _ = with_sample(check, sent)
    assert "block of 10 mm" in told[1]
    assert len(set(told)) == len(CheckStep)
    assert instruction(check) == ""


def test_a_temperature_is_no_sample_of_a_caliper() -> None:
    assert candidates_from_value(10.0, "Cel") == ()


@pytest.mark.parametrize("block_m", [0.0019, 0.151, -0.01])
def test_a_block_that_tells_nothing_is_refused(block_m: float) -> None:
    with pytest.raises(ValueError, match="outside 2 to 150 mm"):
        check_begun(block_m)


def test_a_layout_nobody_knows_is_refused() -> None:
    with pytest.raises(ValueError, match="neither hex24 nor hex52"):
        candidates_from_frame(b"0004D2", "hex32")
