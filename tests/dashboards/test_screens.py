"""Screens as markup: every place is filled, everything is escaped, nothing changes that need not."""

from __future__ import annotations

import re
from typing import Any

import pytest
from markupsafe import Markup

from dashboards import words
from dashboards.feed import with_changes
from dashboards.markup import data_block, element
from dashboards.page import filled
from dashboards.screens import SCREENS, live_visit, screen_at


def _slots(view: dict[str, Any]) -> dict[str, str]:
    return {**live_visit.slots(with_changes({}, view)), "trace": ""}


def test_text_is_escaped_and_markup_is_kept() -> None:
    built = element("p", "<b>", Markup("<i></i>"), data_mark={"site": 'a"b'}, hidden=True, title=None)
    assert built == '<p data-mark="{&#34;site&#34;:&#34;a\\&#34;b&#34;}" hidden>&lt;b&gt;<i></i></p>'


def test_a_data_block_cannot_be_left_by_its_content() -> None:
    assert "</script><" not in data_block("words", {"a": "</script><script>"})


def test_every_state_fills_every_place_and_no_slot_is_without_one(scenes: Any) -> None:
    body = str(live_visit.body(Markup("")))
    places = set(re.findall(r'data-slot="([^"]+)"', body)) | {"visit.horse", "visit.practice", "visit.ended"}
    owners = set(re.findall(r'data-slot-on="([^"]+)"', body)) | {"visit"}
    for name, scene in scenes.items():
        slots = _slots(scene())
        assert {s for s in slots if "@" not in s} == places, name
        assert {s.partition("@")[0] for s in slots if "@" in s} == owners, name


def test_filling_puts_slots_in_their_places_and_states_on_their_owners() -> None:
    body = Markup('<section class="a" data-slot-on="hand"><p data-slot="hand.call"></p></section>')
    told = filled(body, {"hand.call": "WAIT", "hand@status": 'NOT"YET'})
    assert told == (
        '<section class="a" data-slot-on="hand" data-status="NOT&#34;YET">'
        '<p data-slot="hand.call">WAIT</p></section>'
    )


def test_nothing_a_horse_is_called_becomes_markup(scenes: Any) -> None:
    view = scenes["drying"]()
    evil = "<img src=x onerror=alert(1)>"
    view.update(horse=evil, practice=evil)
    view["feet/LF"]["verdict"].update(call=evil, because=evil, next_step=evil)
    view["instruments"][0].update(source=evil, note=evil)
    view["notices"] = [{"at_ms": 0, "text": evil}]
    view["feet/LF"]["marks"] = [{"id": evil, "label": evil, "at_ms": 0}]
    assert "<img" not in "".join(_slots(view).values())


def test_each_status_has_its_own_word_shape_and_place() -> None:
    shapes = {status: words.STATUSES[status] for status in words.STATUS_ORDER}
    assert len(set(shapes.values())) == 4
    from dashboards.screens.shapes import rail, shape

    assert len({str(shape(status)) for status in words.STATUS_ORDER}) == 4
    assert [m for m in re.findall(r'data-place="([^"]+)"', str(rail()))] == [
        "STOP",
        "CANNOT-TELL",
        "NOT-YET",
        "READY",
    ]


def test_a_stop_on_the_heat_outranks_the_tile_of_its_foot(scenes: Any) -> None:
    slots = _slots(scenes["too_hot"]())
    assert 'data-status="STOP"' in slots["LF.tile"]
    assert slots["heat@status"] == "STOP"
    assert "WARNING" in slots["heat.signal"]
    assert slots["hand@status"] == "NOT-YET"  # the verdict of the stage is still its own


def test_a_stop_that_is_the_verdict_itself_is_said_once_with_its_signal_word(scenes: Any) -> None:
    slots = _slots(scenes["too_hot_to_pour"]())
    assert slots["hand.call"] == "STOP HEATING"
    assert "WARNING" in slots["hand.signal"]
    assert slots["heat@status"] == "NONE"


def test_more_heat_is_not_put_forward_while_the_guard_says_stop(scenes: Any) -> None:
    assert 'class="action main"' in _slots(scenes["ready"]())["actions"]
    assert 'class="action main"' not in _slots(scenes["too_hot_to_pour"]())["actions"]


def test_a_foot_left_open_does_not_ask_for_the_person_for_ever(scenes: Any) -> None:
    assert _slots(scenes["too_hot_to_pour"]())["attention"] == ""


def test_another_foot_that_is_ready_asks_for_the_person(scenes: Any) -> None:
    assert "Left hind wants you" in _slots(scenes["too_hot"]())["attention"]
    assert _slots(scenes["prepare"]())["attention"] == ""


def test_waiting_times_are_rounded_to_the_safe_side(scenes: Any) -> None:
    view = scenes["curing"]()
    view["feet/LF"]["verdict"]["estimates"] = [
        {"name": "firm_time", "value": 930.0, "low": 725.0, "high": 1265.0, "unit": "s", "reason": ""}
    ]
    view["feet/LF"]["poured_at_ms"] = None
    told = _slots(view)["hand.estimates"]
    assert re.findall(r"<b>([^<]+)</b>", told) == ["12 min", "16 min", "22 min"]


def test_working_time_is_never_rounded_up(scenes: Any) -> None:
    told = _slots(scenes["pouring"]())["hand.estimates"]
    assert re.findall(r"<b>([^<]+)</b>", told) == ["3 min", "4 min", "5 min"]
    assert "At least" in told


def test_a_reading_that_changes_leaves_the_forms_as_they_are(scenes: Any) -> None:
    for name in ("prepare", "drying", "pouring", "curing"):
        view = scenes[name]()
        before = _slots(view)
        foot = {**view["feet/LF"], "surface": {"degC": 55.5, "site": "toe", "at_ms": 1}}
        verdict = {**foot["verdict"], "because": "Another number."}
        after = _slots({**view, "feet/LF": {**foot, "verdict": verdict}})
        assert before["more"] == after["more"]
        assert before["actions"] == after["actions"]
        assert before["hand.announce"] == after["hand.announce"]


@pytest.mark.parametrize("name", ["replay", "ended"])
def test_nothing_can_be_marked_on_a_recording_or_after_the_end(scenes: Any, name: str) -> None:
    slots = _slots(scenes[name]())
    assert slots["actions"] == ""
    assert slots["sheet@open"] == "no"
    assert "Take back" not in slots["marks"]


def test_invented_data_is_labelled(scenes: Any) -> None:
    view = scenes["drying"]()
    assert _slots(view)["visit@invented"] == "yes"
    assert _slots({**view, "invented": False})["visit@invented"] == "no"


def test_a_value_that_stands_out_is_asked_about(scenes: Any) -> None:
    view = scenes["drying"]()
    view["feet/LF"]["sheet"] = {
        **view["feet/LF"]["sheet"],
        "asks": "41.2 mm is far from 12.3 mm: read it again.",
    }
    assert "41.2 mm is far from 12.3 mm" in _slots(view)["sheet.asks"]


def test_only_screens_that_exist_have_a_path() -> None:
    assert screen_at("/") is SCREENS[0]
    assert screen_at("/nowhere") is None
