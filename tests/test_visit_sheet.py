"""The caliper sheet as a visit keeps it: the practice's order, the foot's history, what a pour sets aside."""

from __future__ import annotations

from collections.abc import Callable, Iterable
from typing import Any

import pytest

from hoofsense.estimators.sheet_sites import SheetSite
from hoofsense.geometry.fill_volume import Order
from hoofsense.records import NS_PER_MS, Foot, RawFrame
from hoofsense.visit_state import FootState, VisitState

Folded = Callable[[Iterable[RawFrame]], VisitState]
ORDER = ["pad at toe", "wall height medial", "frog apex"]
AFTER = ["pad at toe", "wall height medial"]
WEEK_MS = 7 * 24 * 3600 * 1000


def left_front(state: VisitState) -> FootState:
    return state.foot_state(Foot.LF)


def means_mm(values: Iterable[Any]) -> dict[str, float]:
    return {one.site.value: round(1e3 * one.mean_m, 3) for one in values}


def measured(maker: Any, *texts: str, from_s: float = 1.0) -> list[RawFrame]:
    return [maker.typed(from_s + 2.0 * n, text) for n, text in enumerate(texts)]


def test_the_old_pad_is_set_aside_at_the_pour_and_the_wall_at_the_trim(maker: Any, folded: Folded) -> None:
    frames = [
        maker.begin(sheet=ORDER, sheet_after_trim=AFTER),
        *measured(maker, "6.1 mm", "61.0 mm", "14 mm"),
        maker.mark(10, "fitness", foot="LF", signs=[]),
        maker.mark(20, "poured", foot="LF", thickness_mm=8, material_degC=20, cover="film"),
    ]
    poured = left_front(folded(frames)).sheet
    assert means_mm(poured.set_aside) == {"pad at toe": 6.1}
    assert means_mm(poured.measured) == {"wall height medial": 61.0, "frog apex": 14.0}
    frames.append(maker.mark(1000, "trimmed", foot="LF"))
    trimmed = left_front(folded(frames)).sheet
    assert [site.value for site in trimmed.sequence] == AFTER
    assert trimmed.next_site is SheetSite.PAD_AT_TOE
    frames += measured(maker, "8.2 mm", "59.5 mm", from_s=1010.0)
    last = left_front(folded(frames)).sheet
    assert means_mm(last.measured) == {"frog apex": 14.0, "pad at toe": 8.2, "wall height medial": 59.5}
    assert means_mm(last.set_aside) == {"pad at toe": 6.1, "wall height medial": 61.0}
    assert last.next_site is None


def test_taking_the_pour_back_gives_the_old_pad_back(maker: Any, folded: Folded) -> None:
    poured = maker.mark(20, "poured", foot="LF", thickness_mm=8, material_degC=20, cover="film")
    frames = [
        maker.begin(sheet=ORDER, sheet_after_trim=AFTER),
        *measured(maker, "6.1 mm"),
        maker.mark(10, "fitness", foot="LF", signs=[]),
        poured,
        maker.mark(30, "undo", of="m1"),
    ]
    sheet = left_front(folded(frames)).sheet
    assert means_mm(sheet.measured) == {"pad at toe": 6.1}
    assert sheet.set_aside == ()


def test_without_an_order_for_afterwards_the_sheet_goes_on(maker: Any, folded: Folded) -> None:
    frames = [
        maker.begin(sheet=ORDER),
        *measured(maker, "6.1 mm", "61.0 mm"),
        maker.mark(10, "fitness", foot="LF", signs=[]),
        maker.mark(20, "poured", foot="LF", thickness_mm=8, material_degC=20, cover="film"),
        maker.mark(1000, "trimmed", foot="LF"),
    ]
    sheet = left_front(folded(frames)).sheet
    assert [site.value for site in sheet.sequence] == ORDER
    assert means_mm(sheet.measured) == {"wall height medial": 61.0}


def test_a_value_unlike_the_foot_s_own_history_is_asked_about_once(maker: Any, folded: Folded) -> None:
    history = {"LF": {"frog apex": [0.0140, 0.0141, 0.0139, 0.0140]}}
    frames = [maker.begin(sheet=["frog apex", "toe"], history=history), *measured(maker, "21.4 mm")]
    asked = folded(frames)
    held = left_front(asked).sheet.held_back
    assert held is not None and "stands out from this foot's earlier 14.0 mm" in held.question
    assert asked.notices[-1][1] == held.question
    settled = left_front(folded([*frames, *measured(maker, "21.4 mm", from_s=5.0)])).sheet
    assert settled.held_back is None and settled.unusual == (SheetSite.FROG_APEX,)
    other = folded([*frames[:1], maker.mark(0.5, "hand", foot="RF", site=None), *frames[1:]])
    assert other.foot_state(Foot.RF).sheet.held_back is None  # another foot has no such history


def test_earlier_visits_are_kept_with_their_days(maker: Any, folded: Folded) -> None:
    begin = maker.begin(
        history={"LF": {"pad at toe": [0.008, 0.0074], "toe": [0.012]}},
        history_ms={"LF": {"pad at toe": [WEEK_MS, 3 * WEEK_MS], "toe": [WEEK_MS]}},
        pad_poured_ms={"LF": WEEK_MS - 5},
    )
    past = left_front(folded([begin])).past
    assert past.pad_poured_ns == (WEEK_MS - 5) * NS_PER_MS
    assert [visit.at_ns for visit in past.visits] == [WEEK_MS * NS_PER_MS, 3 * WEEK_MS * NS_PER_MS]
    first = {site.value: length.value_m for site, length in past.visits[0].lengths}
    assert first == {"pad at toe": 0.008, "toe": 0.012}


@pytest.mark.parametrize(
    "said",
    [
        {"history": {"LF": {"toe": ["wide"]}}},
        {"history": {"LF": {"toe": [12.0]}}},
        {"history": {"LF": {"ear": [0.012]}}},
        {"sheet_after_trim": ["ear"]},
        {"settings": {"pouring": {"share_percent": 500}}},
    ],
)
def test_a_begin_mark_that_makes_no_sense_begins_nothing(
    maker: Any, folded: Folded, said: dict[str, Any]
) -> None:
    state = folded([maker.begin(**said)])
    assert state.visit_id == ""
    assert "could not be read" in state.notices[-1][1]


def test_a_plan_mark_is_kept_can_be_taken_back_and_is_refused_out_of_range(
    maker: Any, folded: Folded
) -> None:
    wish = {"share_percent": 60, "trim_mm": None, "order": "trim before pour", "material_degC": None}
    frames = [maker.begin(), maker.mark(1, "plan", foot="LF", **wish)]
    wishes = left_front(folded(frames)).wishes
    assert (wishes.share_ratio, wishes.order, wishes.trim_m) == (pytest.approx(0.6), Order.TRIM_FIRST, None)
    assert left_front(folded([*frames, maker.mark(2, "undo", of="m2")])).wishes.share_ratio is None
    refused = folded([*frames, maker.mark(2, "plan", foot="LF", share_percent=600)])
    assert left_front(refused).wishes.share_ratio == pytest.approx(0.6)
    assert "outside 5 to 100" in refused.notices[-1][1]


def test_the_same_length_at_the_next_site_counts_when_the_site_was_said(maker: Any, folded: Folded) -> None:
    frames = [
        maker.begin(sheet=["toe", "medial heel"]),
        maker.typed(1.0, "9.0 mm"),
        maker.mark(1.1, "next_site", foot="LF", site="medial heel"),
        maker.typed(1.2, "9.0 mm"),
    ]
    assert means_mm(left_front(folded(frames)).sheet.measured) == {"toe": 9.0, "medial heel": 9.0}
