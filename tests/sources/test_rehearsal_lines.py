"""A rehearsed visit comes to what the simulated one came to, through a bridge, its buttons and words."""

from __future__ import annotations

import itertools
from collections.abc import Iterator

import pytest

from hoofsense.decoding import measurements_from
from hoofsense.records import SCAN_SITES, RawFrame
from hoofsense.sources.rehearsal_lines import RehearsedBridge, Step
from hoofsense.sources.simulated import simulate
from hoofsense.terminal_words import words_to_mark
from hoofsense.visit import SCAN_ORDER, fold
from hoofsense.visit_marks import mark_from, mark_payload
from hoofsense.visit_state import VisitState
from hoofsense.wire.bridge_line import Kind, decode_bridge_line

PART_S = 330  # of a visit: heat passes over all spots, the look and the pour


def steps(name: str, buttons: bool = True, part_s: int | None = None) -> Iterator[tuple[RawFrame, Step]]:
    bridge = RehearsedBridge(buttons)
    first_ns = None
    for frame in simulate(name, 3):
        first_ns = frame.at_ns if first_ns is None else first_ns
        if part_s is not None and frame.at_ns - first_ns > part_s * 10**9:
            return
        yield frame, bridge.step(frame)


def rehearsed(name: str, buttons: bool, part_s: int) -> Iterator[tuple[VisitState, VisitState]]:
    """The simulated visit and the rehearsed one, second by second."""
    ours, theirs = VisitState(), VisitState()
    numbers = itertools.count()
    for frame, step in steps(name, buttons, part_s):
        theirs = fold(theirs, frame)
        if frame.channel == "tick" or (
            frame.channel == "mark" and mark_from(frame.payload)["mark"] == "begin"
        ):
            ours = fold(ours, frame)
        for line in step.lines:
            ours = fold(ours, RawFrame(frame.received_at, "rehearsal", "line:hs1", line))
        for cue in step.cues:
            foot = None if ours.in_hand is None else ours.in_hand.value
            mark = words_to_mark(cue, foot, None)
            assert isinstance(mark, dict)
            mark["id"] = f"typed-{next(numbers)}"
            ours = fold(ours, RawFrame(frame.received_at, "terminal", "mark", mark_payload(mark)))
        if frame.channel == "tick":
            yield theirs, ours


@pytest.mark.parametrize(("name", "buttons"), [("mild-two-feet", True), ("already-dry", False)])
def test_foot_spot_heat_and_stage_are_the_same_all_along(name: str, buttons: bool) -> None:
    seconds = 0
    for theirs, ours in rehearsed(name, buttons, PART_S):
        seconds += 1
        assert (ours.in_hand, ours.site) == (theirs.in_hand, theirs.site)
        for mine, simulated in zip(ours.feet, theirs.feet, strict=True):
            assert (mine.stage, mine.heat_on, mine.looked_dry) == (
                simulated.stage,
                simulated.heat_on,
                simulated.looked_dry,
            )
    assert seconds > PART_S - 10
    (bridge,) = [one for one in ours.instruments if one.source == "rehearsal"]
    assert (bridge.health.lost, bridge.health.crc_errors) == (0, 0)
    assert [text for _, text in ours.notices] == [text for _, text in theirs.notices]
    assert ours.feet[0].surface is not None and theirs.feet[0].surface is not None
    assert ours.feet[0].surface.value == theirs.feet[0].surface.value
    assert ours.air.air_K == theirs.air.air_K
    assert ours.air.relative_humidity_ratio == theirs.air.relative_humidity_ratio


def test_every_line_is_read_numbered_and_in_time() -> None:
    lines = [decode_bridge_line(line) for _, step in steps("already-dry", part_s=600) for line in step.lines]
    assert [line.sequence for line in lines] == list(range(len(lines)))
    assert all(a.device_ms <= b.device_ms for a, b in itertools.pairwise(lines))
    assert {line.channel for line in lines if line.kind is Kind.MEASUREMENT} == {
        "ir",
        "air",
        "rh",
        "jaw",
        "battery",
    }
    assert {line.channel for line in lines if line.kind is Kind.BUTTON} == {"foot", "spot", "heat"}


def test_the_digits_are_those_of_the_simulated_instruments() -> None:
    for frame, step in steps("sensor-drops-out", part_s=120):
        if frame.channel != "gatt:2a1c":
            continue
        (line,) = step.lines
        (said,) = measurements_from(RawFrame(frame.received_at, "rehearsal", "line:hs1", line))
        (meant,) = measurements_from(frame)
        assert (said.value, said.resolution, said.unit) == (meant.value, meant.resolution, meant.unit)


def test_a_thermometer_that_drops_out_is_an_error_line() -> None:
    lines = [
        decode_bridge_line(line) for _, step in steps("sensor-drops-out", part_s=250) for line in step.lines
    ]
    assert [line.channel for line in lines if line.kind is Kind.ERROR] == ["ir"]


def test_every_cue_is_a_word_the_visit_understands() -> None:
    cues = [
        cue
        for name, part_s in (("unfit-and-overheated", None), ("freezing-morning", 1500))
        for _, step in steps(name, buttons=False, part_s=part_s)
        for cue in step.cues
    ]
    assert all(isinstance(words_to_mark(cue, "LH", None), dict) for cue in cues)
    assert {"found smell discharge", "heat on", "look dry", "mixed 25", "poured 8 film"} <= set(cues)


def test_the_button_steps_through_the_spots_in_the_order_the_rehearsal_counts_on() -> None:
    assert SCAN_ORDER == SCAN_SITES
