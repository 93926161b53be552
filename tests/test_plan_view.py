"""The pour plan as the page gets it: made from the visit's state alone, once for each question."""

from __future__ import annotations

import json
import math
from collections.abc import Callable
from dataclasses import replace
from typing import Any

import pytest

from hoofsense.collector import Collector
from hoofsense.estimators.sheet_sites import AFTER_TRIM, BEFORE_POUR
from hoofsense.frames_ahead import Inbox
from hoofsense.plan_keeping import PlanKeeper
from hoofsense.plan_question import AIR_STEP_K, PlanQuestion, plan_question
from hoofsense.plan_view import missing_for_plan, plan_view
from hoofsense.records import Foot, RawFrame
from hoofsense.visit_state import VisitState

Folded = Callable[..., VisitState]
MM = (135, 128, 88, 48, 9, 17.2, 12.6, 13.9, 14.3, 15.8, 16.1, 61, 60)
START_MS = 1_773_475_200_000  # of the frames the tests make
WEEK_MS = 7 * 24 * 3600 * 1000


@pytest.fixture
def measured(maker: Any) -> Callable[..., list[RawFrame]]:
    """measured(13) -> a visit's frames with so many sites of LF measured before the pour."""

    def made(count: int = len(MM), air_degC: float = 12.0, **begin: Any) -> list[RawFrame]:
        orders = {"sheet": [str(s) for s in BEFORE_POUR], "sheet_after_trim": [str(s) for s in AFTER_TRIM]}
        frames = [maker.begin(**{**orders, **begin}), *maker.air(0.5, air_degC, 60.0)]
        return frames + [maker.typed(1.0 + 2.0 * n, f"{mm} mm") for n, mm in enumerate(MM[:count])]

    return made


def asked(state: VisitState, foot: Foot = Foot.LF) -> PlanQuestion:
    question = plan_question(state, state.foot_state(foot))
    assert question is not None
    return question


def test_before_anything_is_measured_the_plan_says_what_it_needs(measured: Any, folded: Folded) -> None:
    view = plan_view(asked(folded(measured(0))))
    assert view["plan"] is None and view["why"] == ""
    assert view["missing"] == [
        "the foot's length or width", "the depth at the frog apex", "one depth along the wall",
    ]  # fmt: skip
    assert view["drawing"]["sketch"] and view["drawing"]["map"] is None
    assert missing_for_plan(asked(folded(measured(7)))) == []


def test_a_measured_foot_has_its_whole_plan_in_the_units_people_read(measured: Any, folded: Folded) -> None:
    view = plan_view(asked(folded(measured())))
    assert json.loads(json.dumps(view)) == view
    plan = view["plan"]
    assert plan["mix_mL"]["low"] < plan["mix_mL"]["value"] < plan["mix_mL"]["high"]
    # 8 % for sculpting and 8 mL in the nozzle; 1080 kg/m3; units of 200 mL (material profile "standard")
    assert plan["mix_mL"]["value"] == pytest.approx(
        1.08 * plan["fill_mL"]["value"] + 8 * plan["pours"], rel=1e-3
    )
    assert plan["mass_g"]["value"] == pytest.approx(1.08 * plan["mix_mL"]["value"], rel=1e-3)
    assert plan["units"] == math.ceil(plan["mix_mL"]["high"] / 200)
    assert plan["work_model"].startswith("reaction and conduction")
    assert {each["order"] for each in plan["orders"]} == {"pour before trim", "trim before pour"}
    apex = plan["chosen"]["thickness"][0]
    assert (apex["place"], apex["value"]) == ("frog apex", pytest.approx(8.6))  # half of 17.2 mm
    assert plan["levers"] and plan["levers"][0]["gain_s"] > 60
    assert plan["check_list"][0]["signal"] == "WARNING"
    assert "temperature is not known" in plan["warm_up"][0]


def test_the_thickness_map_reaches_over_the_whole_sole(measured: Any, folded: Folded) -> None:
    view = plan_view(asked(folded(measured())))
    drawing, grid = view["drawing"], view["drawing"]["map"]
    assert len(grid["mm"]) == len(grid["y_mm"]) and len(grid["mm"][0]) == len(grid["x_mm"])
    assert max(x for x, _ in drawing["outline"]) == pytest.approx((128 - 2 * 9) / 2, abs=0.2)
    for axis, name in enumerate(("x_mm", "y_mm")):
        along = [point[axis] for point in drawing["outline"]]
        assert min(grid[name]) < min(along) and max(grid[name]) > max(along)
    for told in view["plan"]["chosen"]["thickness"]:
        x, y = drawing["places"][told["place"]]
        column = min(range(len(grid["x_mm"])), key=lambda n: abs(grid["x_mm"][n] - x))
        row = min(range(len(grid["y_mm"])), key=lambda n: abs(grid["y_mm"][n] - y))
        assert grid["mm"][row][column] == pytest.approx(told["value"], abs=0.6)  # within half a grid cell


def test_without_air_the_working_time_is_the_profile_s_own(measured: Any, folded: Folded) -> None:
    question = replace(asked(folded(measured())), air_K=None, material_K=294.0)
    plan = plan_view(question)["plan"]
    assert plan["work_model"] == "pour plan" and plan["work_s"]["value"] > 0
    assert plan["firm_s"] is None and plan["levers"] == []


def test_an_impossible_foot_is_refused_with_the_reason(measured: Any, folded: Folded) -> None:
    question = asked(folded(measured()))
    long_frog = tuple(
        (site, replace(length, value_m=0.140) if str(site) == "frog length" else length)
        for site, length in question.lengths
    )
    refused = plan_view(replace(question, lengths=long_frog))
    assert refused["plan"] is None
    assert "does not fit a sole" in refused["why"]


def test_a_wish_changes_the_plan_and_is_told_with_it(measured: Any, folded: Folded, maker: Any) -> None:
    wish = {"share_percent": 70, "trim_mm": 0, "order": None, "material_degC": 25}
    usual = plan_view(asked(folded(measured())))
    wished = plan_view(asked(folded([*measured(), maker.mark(60, "plan", foot="LF", **wish)])))
    assert wished["plan"]["fill_mL"]["value"] > 1.3 * usual["plan"]["fill_mL"]["value"]
    assert wished["plan"]["orders"] == []  # nothing is trimmed, so there is nothing to choose
    assert wished["settings"]["material_degC"] == 25.0
    assert "warm_up" in wished["plan"] and "temperature is not known" not in str(wished["plan"]["warm_up"])


def test_the_question_stays_the_same_while_only_readings_come(
    measured: Any, folded: Folded, maker: Any
) -> None:
    frames = measured()
    before = asked(folded(frames))
    more = [maker.tick(100), maker.surface(101, 14.2), *maker.air(102, 12.0 + AIR_STEP_K / 3, 61.0)]
    later = folded([*frames, *more])
    assert asked(later).sole_K == 273.15 + 15.0  # told to five degrees
    assert replace(asked(later), sole_K=None) == before
    heated = folded(
        [maker.mark(110, "fitness", foot="LF", signs=[]), maker.mark(111, "heat", foot="LF", on=True)], later
    )
    assert asked(heated).sole_K is None  # under the gun it says nothing about the pour


def test_plan_and_result_stand_side_by_side_after_the_trim(measured: Any, folded: Folded, maker: Any) -> None:
    frames = [
        *measured(),
        maker.mark(50, "fitness", foot="LF", signs=[]),
        maker.mark(60, "poured", foot="LF", thickness_mm=8.6, material_degC=21, cover="film"),
        maker.mark(1500, "trimmed", foot="LF"),
        *(maker.typed(1510 + 2 * n, f"{mm} mm") for n, mm in enumerate((8.5, 4.2, 9.4))),
    ]
    plan = plan_view(asked(folded(frames)))["plan"]
    told = {each["site"]: (each["mm"], each["as_planned"]) for each in plan["result"]}
    assert told == {
        "pad at frog apex": (8.5, True), "pad at toe": (4.2, True), "pad at medial quarter": (9.4, False),
    }  # fmt: skip


def test_balance_is_held_against_the_target_and_the_old_pad_wears(measured: Any, folded: Folded) -> None:
    begin = {
        "history": {
            "LF": {
                "pad at toe": [0.0080, 0.0068],
                "wall height medial": [0.061],
                "wall height lateral": [0.055],
            }
        },
        "history_ms": {
            "LF": {
                "pad at toe": [START_MS - 6 * WEEK_MS, START_MS - 3 * WEEK_MS],
                "wall height medial": [START_MS - 6 * WEEK_MS],
                "wall height lateral": [START_MS - 6 * WEEK_MS],
            }
        },
        "pad_poured_ms": {"LF": START_MS - 6 * WEEK_MS - 1},
        "settings": {"balance": {"wall height": {"tolerance_mm": 3}}},
    }  # fmt: skip
    view = plan_view(asked(folded(measured(**begin))))
    assert [(each["what"], each["balance"]) for each in view["balance"]] == [("wall height", "on target")]
    (past,) = view["balance_past"]
    assert past["at_ms"] == START_MS - 6 * WEEK_MS
    assert past["pairs"][0]["balance"] == "medial side higher"  # 6 mm against 0 within 3 mm
    (toe,) = view["wear"]
    assert toe["mm_per_week"]["value"] == pytest.approx(0.4)  # 1.2 mm in three weeks, worked by hand
    # 3.8 mm over the least thickness of 3 mm left three weeks ago, at 0.4 mm a week
    assert toe["worn_ms"]["likely"] == pytest.approx(START_MS - 3 * WEEK_MS + 9.5 * WEEK_MS, rel=1e-6)
    assert view["worn"] == toe


def test_a_new_pad_begins_a_new_line(measured: Any, folded: Folded, maker: Any) -> None:
    begin = {
        "history": {"LF": {"pad at toe": [0.0090, 0.0080]}},
        "history_ms": {"LF": {"pad at toe": [START_MS - 9 * WEEK_MS, START_MS - 4 * WEEK_MS]}},
        "pad_poured_ms": {"LF": START_MS - 5 * WEEK_MS},
        "sheet": ["pad at toe"],
    }
    alone = plan_view(asked(folded([maker.begin(**begin)])))
    assert alone["wear"] == []  # only one reading is of this pad
    today = [maker.begin(**begin), maker.typed(5.0, "6.0 mm")]
    (toe,) = plan_view(asked(folded(today)))["wear"]
    assert toe["mm_per_week"]["value"] == pytest.approx(0.5, rel=0.02)  # 2 mm in four weeks, to the day
    poured = [
        *today,
        maker.mark(10, "fitness", foot="LF", signs=[]),
        maker.mark(20, "poured", foot="LF", thickness_mm=8, material_degC=20, cover="film"),
        maker.typed(30, "9.1 mm"),
    ]
    after = plan_view(asked(folded(poured)))
    assert after["old_pad"] and [each["mm"] for each in after["wear"][0]["readings"]] == [8.0, 6.0]


def test_the_collector_publishes_a_plan_under_a_key_of_its_own(measured: Any, maker: Any) -> None:
    frames = [*measured(), maker.tick(60), maker.mark(61, "end")]
    collector = Collector(iter(frames), Inbox(), mode="replay", plans=PlanKeeper())
    collector.run()
    view = collector.view()
    assert view["plan/LF"]["plan"]["units"] == 1
    assert view["plan/RF"]["missing"]
    again = PlanKeeper()
    first, second = again.finished(collector.state), again.told(collector.state)
    assert first["plan/LF"] is second["plan/LF"]  # the very same values: nothing is sent again


def test_without_a_page_no_plan_is_made(measured: Any, maker: Any) -> None:
    collector = Collector(iter([*measured(), maker.mark(61, "end")]), Inbox(), mode="replay")
    collector.run()
    assert "plan/LF" not in collector.view()


def test_the_keeper_answers_from_a_thread_and_never_with_half_a_question(
    measured: Any, folded: Folded
) -> None:
    keeper = PlanKeeper()
    state = folded(measured())
    assert keeper.told(folded(measured(3)))["plan/LF"]["missing"]
    keeper.told(state)
    for _ in range(200):
        told = keeper.told(state)["plan/LF"]
        if told["plan"] is not None:
            break
        with keeper._changed:
            keeper._changed.wait(0.1)
    assert told["plan"]["units"] == 1
