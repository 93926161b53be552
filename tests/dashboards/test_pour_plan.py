"""The plan's screen as markup: every place filled, nothing made twice, its words complete by themselves."""

from __future__ import annotations

import dataclasses
import json
import re
from typing import Any

import pytest
from markupsafe import Markup

from dashboards import words
from dashboards.feed import Feed, with_changes
from dashboards.page_requests import mark_sent
from dashboards.screens import SCREENS, live_visit, pour_plan
from dashboards.screens.caliper_sheet import sheet_slots

SCENES = ("empty", "measuring", "asks", "planned", "trimmed")


def slots_of(view: dict[str, Any]) -> dict[str, str]:
    return pour_plan.slots(with_changes({}, view))


@pytest.mark.parametrize("scene", SCENES)
def test_every_scene_fills_every_place_of_the_screen(plan_of: Any, maker: Any, scene: str) -> None:
    view = with_changes({}, plan_of(maker, scene))
    body = str(pour_plan.body(Markup("")))
    slots = {**live_visit.slots(view), **pour_plan.slots(view)}
    places = set(re.findall(r'data-slot="([^"]+)"', body))
    assert places <= set(slots)
    assert {name for name in pour_plan.slots(view) if "@" not in name} <= places
    assert set(re.findall(r'data-slot-on="([^"]+)"', body)) == {"plan", "sheet"}


def test_a_view_without_a_plan_fills_them_too(scenes: Any) -> None:
    for scene in scenes.values():
        told = slots_of(scene())
        assert told["plan@made"] == "no"


def test_what_to_measure_first_is_said_until_there_is_a_plan(plan_of: Any, maker: Any) -> None:
    empty = slots_of(plan_of(maker, "empty"))
    assert "Measure first" in empty["plan.answer"] and "the depth at the frog apex" in empty["plan.answer"]
    made = slots_of(plan_of(maker, "planned"))
    assert re.search(r"Mix \d+ mL", made["plan.answer"])
    for said in (
        "1 unit of 200 mL",
        "One pour",
        "Hold it level within",
        "Thinnest, at the toe",
        "Helps most",
    ):
        assert said in made["plan.answer"]


def test_times_are_made_whole_to_the_safe_side(plan_of: Any, maker: Any) -> None:
    view = with_changes({}, plan_of(maker, "planned"))
    plan = json.loads(json.dumps(view["plan"]["LF"]))
    plan["plan"]["work_s"] = {"value": 420.0, "low": 239.0, "high": 719.0, "reason": ""}
    plan["plan"]["firm_s"] = {"value": 1000.0, "low": 725.0, "high": 1265.0, "reason": ""}
    told = pour_plan.slots({**view, "plan": {"LF": plan}})["plan.answer"]
    assert re.findall(r"<b>(\d+ min)</b>", told) == ["3 min", "7 min", "11 min", "12 min", "17 min", "22 min"]


def test_both_orders_stand_side_by_side_with_the_planned_one_marked(plan_of: Any, maker: Any) -> None:
    table = slots_of(plan_of(maker, "planned"))["plan.orders"]
    assert table.index("Pour, then trim") < table.index("as planned") < table.index("Trim, then pour")
    assert table.count("<tr>") == 1 + 6 + len(words.PLAN_ROWS)


def test_a_fill_that_is_too_thin_says_what_share_would_do(plan_of: Any, maker: Any) -> None:
    view = with_changes({}, plan_of(maker, "planned"))
    plan = json.loads(json.dumps(view["plan"]["LF"]))
    plan["plan"]["thinnest_mm"]["value"] = 2.2
    for share, said in (
        (56.2, "Filling 57 % of the depth would bring every place to 3.0 mm."),
        (None, "No fill"),
    ):
        plan["plan"]["share_needed_percent"] = share
        assert said in pour_plan.slots({**view, "plan": {"LF": plan}})["plan.answer"]


def test_balance_wear_and_the_day_the_pad_is_worn_are_told(plan_of: Any, maker: Any) -> None:
    told = slots_of(plan_of(maker, "planned"))["plan.balance"]
    assert "Wall height" in told and "Cannot tell" in told
    assert re.search(r"Down to 3\.0 mm at the toe about \d+ \w+ 2026", told)
    assert "Earlier visits" in told
    after = slots_of(plan_of(maker, "trimmed"))["plan.balance"]
    assert "Wear of the pad that was on" in after


def test_nothing_can_be_wished_on_a_recording_or_after_the_end(plan_of: Any, maker: Any) -> None:
    view = plan_of(maker, "planned")
    assert 'name="trim_mm"' in slots_of(view)["plan.wishes"]
    for changed in ({"mode": "replay"}, {"ended": True}):
        closed = slots_of({**view, **changed})
        assert closed["plan.wishes"] == "" and closed["plan@open"] == "no"


def test_nothing_a_horse_s_material_is_called_becomes_markup(plan_of: Any, maker: Any) -> None:
    view = with_changes({}, plan_of(maker, "planned"))
    plan = json.loads(json.dumps(view["plan"]["LF"]))
    evil = "<img src=x onerror=alert(1)>"
    plan["settings"]["material"] = evil
    plan["plan"].update(assumptions=[evil], not_measured=[evil], warm_up=[evil], causes=[evil])
    plan["plan"]["check_list"] = [{"signal": evil, "text": evil}]
    plan["balance"][0].update(because=evil, what=evil, next_step=evil)
    assert "<img" not in "".join(pour_plan.slots({**view, "plan": {"LF": plan}}).values())


def test_a_picture_is_drawn_anew_when_it_changes_and_only_then(plan_of: Any, maker: Any) -> None:
    view = plan_of(maker, "measuring")
    before = slots_of(view)["plan@version"]
    assert slots_of({**view, "at_ms": view["at_ms"] + 1000})["plan@version"] == before
    foot = {**view["feet/LF"], "sheet": {**view["feet/LF"]["sheet"], "next": "toe"}}
    assert slots_of({**view, "feet/LF": foot})["plan@version"] != before


def test_the_plan_s_slots_are_made_once_and_cost_a_tick_nothing(
    plan_of: Any, maker: Any, visit_with: Any, monkeypatch: pytest.MonkeyPatch
) -> None:
    made: list[int] = []

    def counted(view: dict[str, Any]) -> dict[str, str]:
        made.append(1)
        return pour_plan.slots(view)

    live, plan = SCREENS
    monkeypatch.setattr("dashboards.feed.SCREENS", (live, dataclasses.replace(plan, slots=counted)))
    visit = visit_with(dict(plan_of(maker, "planned")))
    feed = Feed(visit)
    feed.refresh()
    start = str(feed.start_of_page()[1]["id"])
    for _ in range(20):
        visit.push(points={"surface:LF": 31.0})
        feed.pump(0.0)
    assert len(made) == 1
    assert not any("plan." in body for body in feed.messages_after(start))


def test_the_sheet_tells_a_beep_when_a_value_lands_is_asked_about_or_was_the_last(
    plan_of: Any, maker: Any
) -> None:
    told = {scene: sheet_slots(with_changes({}, plan_of(maker, scene))) for scene in SCENES}
    assert told["empty"]["sheet.said"] == "Left front. Next: foot length."
    assert told["measuring"]["sheet.said"] == "12.6. Next: medial quarter."
    assert told["planned"]["sheet.said"] == "64.0. Every site is measured."
    assert "stands out from this foot" in told["asks"]["sheet.said"]
    assert [told[s]["sheet@mood"] for s in SCENES] == ["next", "next", "asks", "done", "done"]
    assert len({told[s]["sheet@event"] for s in SCENES}) == len(SCENES)
    assert (
        "Not taken yet: frog apex" in told["asks"]["sheet.next"] and "23.40 mm" in told["asks"]["sheet.next"]
    )


def test_a_wish_is_sent_with_exactly_its_fields() -> None:
    wish = {
        "mark": "plan", "id": "a1", "foot": "LF", "share_percent": 55, "trim_mm": None,
        "order": "trim before pour", "material_degC": 22.5,
    }  # fmt: skip
    assert mark_sent(wish) == wish
    for wrong in ({"order": "never"}, {"trim_mm": "2"}, {"share_percent": True}, {"extra": 1}):
        with pytest.raises(ValueError, match="not understood"):
            mark_sent({**wish, **wrong})


def test_the_words_beside_the_pictures_say_the_same(plan_of: Any, maker: Any) -> None:
    told = slots_of(plan_of(maker, "trimmed"))
    assert told["plan.foot"].startswith("Left front from below, in mm: foot length 135.0")
    assert "frog apex 8.6, toe 4.0" in told["plan.pad"]
    assert (
        "pad at lateral quarter: planned between 4.3 and 7.1, measured 7.6, not as planned"
        in told["plan.result"]
    )
    thin = words.pad_figure_words(
        {"thickness": [{"place": "toe", "value": 2.0}], "rim_mm": {"value": 1.0, "low": 0.5, "high": 2.0}},
        3.0,
    )
    assert thin.endswith("Thinner than 3.0 mm: toe.")
