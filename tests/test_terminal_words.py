"""How the instruments are doing, in words for the terminal."""

from __future__ import annotations

from typing import Any

from hoofsense.terminal_words import HELP, instrument_lines, words_to_mark

WELL = {
    "source": "A17", "what": "surface temperature", "at_ms": 10_000, "linked": True, "battery_percent": None,
    "refused": {}, "trusted": True, "note": "connected", "checked": None, "rate_per_s": None, "lost": 0,
    "crc_errors": 0, "restarts": 0, "clock_offset_s": None, "clock_began_ms": None,
}  # fmt: skip


def told(**changes: Any) -> str:
    return instrument_lines({"at_ms": 12_400, "instruments": [{**WELL, **changes}]})


def test_an_instrument_that_is_well_takes_two_lines() -> None:
    assert [line.split() for line in told().splitlines()] == [
        ["A17", "surface", "temperature", "linked"],
        ["last", "2", "s", "ago"],
    ]


def test_all_that_is_wrong_is_told() -> None:
    said = told(
        linked=False, trusted=False, note="check its battery", rate_per_s=5.0, battery_percent=12, lost=7,
        crc_errors=3, restarts=1, clock_offset_s=-3600, refused={"damaged": 3}, checked=False,
    )  # fmt: skip
    for part in (
        "NOT LINKED", "NOT TRUSTED", "5/s", "battery 12 %", "lost 7", "CRC errors 3", "restarts 1",
        "clock -3600 s", "damaged 3", "caliper not checked", "check its battery",
    ):  # fmt: skip
        assert part in said, said


def test_before_the_first_instrument_it_says_what_to_do() -> None:
    assert "hoofsense instruments" in instrument_lines({"at_ms": 0, "instruments": []})
    assert "instruments" in HELP


def test_a_touch_can_be_for_another_degree_than_firm() -> None:
    for word, asked, reached in (
        ("firm", None, True), ("soft", None, False), ("stiff", "work", True), ("runs", "work", False),
        ("hard", "load", True), ("dents", "load", False),
    ):  # fmt: skip
        mark = words_to_mark(word, "LF", None)
        assert isinstance(mark, dict)
        assert (mark["mark"], mark.get("asked"), mark["firm"]) == ("touch", asked, reached)
        assert word in HELP
