"""What the visit knows of its instruments: their health, unchecked calipers, values typed twice."""

from __future__ import annotations

import json
from collections.abc import Callable, Iterable
from typing import Any

import pytest

from hoofsense.records import NS_PER_S, RawFrame
from hoofsense.visit_state import VisitState
from hoofsense.visit_view import view_of
from hoofsense.wire.bridge_line import BridgeLine, Kind, encode_bridge_line
from hoofsense.wire.checked_text import encode_checked
from hoofsense.wire.gatt import encode_health_temperature
from hoofsense.wire.typed import encode_typed

Maker = Any  # conftest.FrameMaker
Folded = Callable[..., VisitState]

BOOTED_S = 100.0  # before the visit's first second


class Lines:
    """A bridge as the visit hears it: numbered lines with its own clock."""

    def __init__(self, maker: Maker) -> None:
        self._maker = maker
        self.number = -1

    def __call__(
        self, at_s: float, sensor: str, text: str, unit: str, kind: Kind = Kind.MEASUREMENT
    ) -> RawFrame:
        self.number += 1
        line = BridgeLine(self.number, round((at_s + BOOTED_S) * 1000), kind, sensor, text, unit)
        frame: RawFrame = self._maker.frame(at_s, "bridge-01", "line:hs1", encode_bridge_line(line))
        return frame


@pytest.fixture
def lines(maker: Maker) -> Lines:
    return Lines(maker)


def shown(state: VisitState, source: str) -> dict[str, Any]:
    told = view_of(state, (), "live")
    json.dumps(told)
    return next(one for one in told["instruments"] if one["source"] == source)


def notices(state: VisitState) -> list[str]:
    return [text for _, text in state.notices]


def test_losses_crc_errors_rate_and_clock_of_a_bridge_are_shown(
    maker: Maker, lines: Lines, folded: Folded
) -> None:
    frames = [maker.begin()]
    for n in range(100):
        frames.append(lines(1 + n / 5, "ir", "20.00", "Cel"))
    lines.number += 3  # never arrived
    damaged = lines(21.2, "ir", "20.00", "Cel")
    frames.append(maker.frame(21.2, "bridge-01", "line:hs1", damaged.payload.replace(b"20.00", b"20.10")))
    frames.append(lines(21.4, "bridge-01", "fw=1", "boot=7F3A", Kind.IDENTITY))
    frames.append(lines(21.6, "ir", "20.00", "Cel"))
    told = shown(folded(frames), "bridge-01")
    assert (told["lost"], told["crc_errors"], told["restarts"]) == (4, 1, 0)
    assert told["rate_per_s"] == pytest.approx(5.0, rel=0.05)
    began_ms = (frames[0].at_ns - round(BOOTED_S * NS_PER_S)) // 1_000_000
    assert abs(told["clock_began_ms"] - began_ms) <= 1000
    assert told["clock_offset_s"] is None
    assert told["refused"] == {"damaged": 1}


def test_a_restarted_bridge_is_shown(maker: Maker, lines: Lines, folded: Folded) -> None:
    frames = [maker.begin(), *(lines(n, "ir", "20.00", "Cel") for n in range(1, 9))]
    for n in range(3):
        line = BridgeLine(n, n * 100, Kind.MEASUREMENT, "ir", "20.00", "Cel")
        frames.append(maker.frame(20 + n / 10, "bridge-01", "line:hs1", encode_bridge_line(line)))
    told = shown(folded(frames), "bridge-01")
    assert (told["lost"], told["restarts"]) == (0, 1)


def test_a_dated_instrument_shows_how_far_its_clock_is_ahead(maker: Maker, folded: Folded) -> None:
    from datetime import UTC, datetime

    start = maker.begin().at_ns // NS_PER_S
    frames = [maker.begin()]
    for second in range(5):
        dated = datetime.fromtimestamp(start + second + 3600, UTC).replace(tzinfo=None)
        payload = encode_health_temperature(20.0, dated=dated)
        frames.append(maker.frame(second, "thermometer-1", "gatt:2a1c", payload))
    told = shown(folded(frames), "thermometer-1")
    assert told["clock_offset_s"] == 3600
    assert told["clock_began_ms"] is None


def test_what_is_shown_of_an_instrument_stays_while_nothing_changes(
    maker: Maker, lines: Lines, folded: Folded
) -> None:
    state = folded([maker.begin(), *(lines(n / 5, "ir", "20.00", "Cel") for n in range(1, 200))])
    before = shown(state, "bridge-01")
    state = folded([lines(40 + n / 5, "ir", "20.00", "Cel") for n in range(200)], state)
    after = shown(state, "bridge-01")
    assert {key for key in after if after[key] != before[key]} == {"at_ms"}


def test_lengths_of_a_caliper_that_was_not_checked_are_taken_and_warned_of_once(
    maker: Maker, lines: Lines, folded: Folded
) -> None:
    frames = [maker.begin(checked=[])]
    frames += [lines(1 + n, "jaw", f"{14 + n}.10", "mm") for n in range(3)]
    state = folded(frames)
    warned = [text for text in notices(state) if "has not passed its check" in text]
    assert len(warned) == 1
    assert "bridge-01" in warned[0]
    assert shown(state, "bridge-01")["checked"] is False
    assert len(state.feet[0].sheet.measured) > 0


@pytest.mark.parametrize("checked", [{"checked": ["bridge-01"]}, {}])
def test_a_checked_caliper_and_an_older_recording_bring_no_warning(
    maker: Maker, lines: Lines, folded: Folded, checked: dict[str, list[str]]
) -> None:
    state = folded([maker.begin(**checked), lines(1, "jaw", "14.10", "mm")])
    assert notices(state) == []
    assert shown(state, "bridge-01")["checked"] is (True if checked else None)


def test_a_value_a_person_reads_off_a_display_needs_no_check(maker: Maker, folded: Folded) -> None:
    state = folded([maker.begin(checked=[]), maker.typed(1, "14.1 mm")])
    assert notices(state) == []
    assert shown(state, "page")["checked"] is None


def test_a_keyboard_cable_needs_its_check(maker: Maker, folded: Folded) -> None:
    state = folded([maker.begin(checked=[]), maker.frame(1, "cable-7", "typed", encode_typed("14.1", "mm"))])
    assert "cable-7" in notices(state)[0]


def test_a_visit_taken_up_again_knows_the_roles_and_checks_made_meanwhile(
    maker: Maker, lines: Lines, folded: Folded
) -> None:
    state = folded([maker.begin(checked=[])])
    state = folded([maker.mark(5, "instruments", roles={"pen-1": "sole"}, checked=["bridge-01"])], state)
    assert (state.roles, state.checked) == ((("pen-1", "sole"),), ("bridge-01",))
    assert notices(folded([lines(6, "jaw", "14.10", "mm")], state)) == []


def test_a_role_nobody_knows_changes_nothing(maker: Maker, folded: Folded) -> None:
    state = folded([maker.begin(), maker.mark(5, "instruments", roles={"pen-1": "hoof"}, checked=[])])
    assert (state.roles, state.checked) == ((), None)
    assert "Role 'hoof'" in notices(state)[0]


def landed(state: VisitState) -> int:
    return sum(len(one.values_m) for one in state.feet[0].sheet.measured)


@pytest.mark.parametrize(("apart_s", "count"), [(0.3, 1), (1.0, 1), (1.5, 2)])
def test_the_same_typed_value_within_a_second_counts_once_and_says_so(
    maker: Maker, folded: Folded, apart_s: float, count: int
) -> None:
    state = folded([maker.begin(), maker.typed(1, "14,2 mm"), maker.typed(1 + apart_s, "14,20 mm")])
    assert landed(state) == count
    assert any("14.20 mm came twice" in text for text in notices(state)) is (count == 1)


def test_another_value_or_another_person_within_a_second_counts(maker: Maker, folded: Folded) -> None:
    other = maker.frame(1.6, "terminal", "typed", encode_typed("14.3 mm"))
    state = folded([maker.begin(), maker.typed(1, "14.2 mm"), maker.typed(1.3, "14.3 mm"), other])
    assert landed(state) == 3


def test_the_data_key_of_a_caliper_is_no_button_without_a_meaning(
    maker: Maker, lines: Lines, folded: Folded
) -> None:
    frames: Iterable[RawFrame] = [
        maker.begin(),
        lines(1, "jaw", "1", "", Kind.BUTTON),
        lines(1.01, "jaw", "14.10", "mm"),
    ]
    state = folded(frames)
    assert notices(state) == []
    assert landed(state) == 1


@pytest.mark.parametrize("up", [True, False])
def test_the_radio_itself_is_well_while_it_listens(maker: Maker, folded: Folded, up: bool) -> None:
    body = json.dumps({"up": up, "why": "listening" if up else "the Bluetooth adapter is off"})
    told = shown(
        folded([maker.begin(), maker.frame(1, "bluetooth", "link", encode_checked(body))]), "bluetooth"
    )
    assert (told["what"], told["trusted"], told["linked"]) == ("the radio itself", up, up)
    assert told["note"] == json.loads(body)["why"]


def test_a_link_that_breaks_begins_the_rate_anew(maker: Maker, lines: Lines, folded: Folded) -> None:
    def link(at_s: float, up: bool) -> RawFrame:
        body = json.dumps({"up": up, "why": "unplugged" if not up else "connected"})
        frame: RawFrame = maker.frame(at_s, "bridge-01", "link", encode_checked(body))
        return frame

    frames = [maker.begin(), *(lines(n / 5, "ir", "20.00", "Cel") for n in range(100))]
    frames += [link(21, False), link(3000, True)]
    frames += [lines(3000 + n / 5, "ir", "20.00", "Cel") for n in range(1, 100)]
    assert shown(folded(frames), "bridge-01")["rate_per_s"] == pytest.approx(5.0, rel=0.05)
