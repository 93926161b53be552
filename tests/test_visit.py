"""fold and decide: stages, the foot in hand, taking back, and the order of danger."""

from __future__ import annotations

from typing import Any

import pytest

from hoofsense.records import Foot, Question, Site, Stage, Status, Verdict
from hoofsense.verdicts import decide
from hoofsense.visit_state import VisitState

DRYING_PEAKS = (20.0, 30.0, 45.0, 50.0)  # degC: each pass hotter, as a sole that loses its film
WET_PEAKS = (20.0, 21.0, 21.5, 22.0)  # a film holds the surface near the adiabatic saturation temperature


def asked(state: VisitState, question: Question, foot: Foot = Foot.LF) -> Verdict:
    return next(v for v in decide(state, state.at_ns) if v.foot is foot and v.question is question)


@pytest.fixture
def dry_foot(maker: Any, folded: Any) -> VisitState:
    """LF scanned dry, looked at and found dry."""
    frames = [maker.begin(), maker.mark(1, "fitness", foot="LF", signs=[])]
    frames += maker.scan(2.0, "LF", DRYING_PEAKS)
    frames += [maker.mark(maker.last_s + 0.5, "look", foot="LF", dry=True), maker.tick(maker.last_s + 1)]
    return folded(frames)


def test_a_sign_of_trouble_keeps_the_foot_open_and_refers_to_a_veterinarian(maker: Any, folded: Any) -> None:
    state = folded([maker.begin(), maker.mark(1, "fitness", foot="LF", signs=["smell", "discharge"])])
    verdict = asked(state, Question.COVER)
    assert verdict.status is Status.STOP
    assert "veterinarian" in verdict.next_step and "smell, discharge" in verdict.because
    assert "seal an infection in" in verdict.because
    assert state.foot_state(Foot.LF).stage is Stage.PREPARE


def test_a_dry_sole_that_was_looked_at_may_be_poured(dry_foot: VisitState) -> None:
    verdict = asked(dry_foot, Question.POUR)
    assert (verdict.status, verdict.call) == (Status.READY, "POUR NOW")
    assert verdict.until_ns is not None and verdict.until_ns > verdict.at_ns


def test_without_a_look_and_touch_nothing_is_ready(maker: Any, folded: Any) -> None:
    frames = [maker.begin(), maker.mark(1, "fitness", foot="LF", signs=[])]
    frames += maker.scan(2.0, "LF", DRYING_PEAKS)
    verdict = asked(folded(frames), Question.POUR)
    assert (verdict.status, verdict.rule) == (Status.NOT_YET, "look_first")


def test_a_sole_whose_peaks_stay_level_is_never_ready(maker: Any, folded: Any) -> None:
    frames = [maker.begin(), maker.mark(1, "fitness", foot="LF", signs=[])]
    frames += maker.scan(2.0, "LF", WET_PEAKS)
    frames.append(maker.mark(maker.last_s, "look", foot="LF", dry=True))
    verdict = asked(folded(frames), Question.POUR)
    assert (verdict.status, verdict.call) == (Status.NOT_YET, "KEEP DRYING")


def test_readings_belong_to_the_foot_in_hand_and_never_to_two(maker: Any, folded: Any) -> None:
    state = folded(
        [
            maker.begin(),
            maker.mark(1, "hand", foot="RF", site="toe"),
            maker.surface(2, 11.0),
            maker.mark(3, "hand", foot="LF", site="medial sulcus"),
            maker.surface(4, 13.0),
        ]
    )
    right, left = state.foot_state(Foot.RF), state.foot_state(Foot.LF)
    assert right.surface is not None and right.surface.value == pytest.approx(284.15, abs=0.01)
    assert left.surface is not None and left.surface.value == pytest.approx(286.15, abs=0.01)
    assert (right.surface_site, left.surface_site) == (Site.TOE, Site.MEDIAL_SULCUS)


def test_a_bridge_button_moves_on_to_the_next_foot_and_spot(maker: Any, folded: Any) -> None:
    from hoofsense.wire.bridge_line import BridgeLine, Kind, encode_bridge_line

    def pressed(at_s: float, number: int, name: str) -> Any:
        line = encode_bridge_line(BridgeLine(number, int(at_s * 1000), Kind.BUTTON, name, "1"))
        return maker.frame(at_s, "bridge-01", "line:hs1", line.rstrip(b"\r\n"))

    state = folded([maker.begin(), pressed(1, 1, "foot"), pressed(2, 2, "spot"), pressed(3, 3, "spot")])
    assert state.in_hand is Foot.RF
    assert state.site is Site.MEDIAL_QUARTER


def test_one_foot_cures_on_by_prediction_while_another_is_dried(
    maker: Any, folded: Any, dry_foot: VisitState
) -> None:
    at = maker.last_s
    frames = [
        maker.mark(at + 2, "mixed", foot="LF", material_degC=20.0),
        maker.mark(at + 40, "poured", foot="LF", thickness_mm=8.0, material_degC=20.0, cover="film"),
        maker.mark(at + 42, "fitness", foot="RF", signs=[]),
    ]
    frames += maker.scan(at + 45, "RF", WET_PEAKS)
    state = folded(frames, dry_foot)
    assert asked(state, Question.TRIM).status is Status.NOT_YET
    assert asked(state, Question.POUR, Foot.RF).call == "KEEP DRYING"
    cure = state.foot_state(Foot.LF).cure
    assert cure is not None
    late = asked(folded(_air_and_ticks(maker, maker.last_s, 3600.0), state), Question.TRIM)
    assert (late.status, late.call) == (Status.NOT_YET, "CHECK BY TOUCH")


def _air_and_ticks(maker: Any, from_s: float, seconds: float) -> list[Any]:
    frames = []
    for second in range(int(from_s) + 1, int(from_s + seconds), 20):
        frames += maker.air(second, 18.0, 50.0)
        frames.append(maker.tick(second + 0.5))
    return frames


def test_the_foot_goes_down_only_after_touch_trim_and_time(
    maker: Any, folded: Any, dry_foot: VisitState
) -> None:
    at = maker.last_s
    poured = folded(
        [
            maker.mark(at + 2, "mixed", foot="LF", material_degC=20.0),
            maker.mark(at + 40, "poured", foot="LF", thickness_mm=8.0, material_degC=20.0, cover="film"),
            *_air_and_ticks(maker, at + 40, 7200.0),
        ],
        dry_foot,
    )
    end_s = at + 40 + 7200.0
    assert asked(poured, Question.TRIM).status is Status.NOT_YET, "two hours alone are not a touch check"
    soft = folded([maker.mark(end_s, "touch", foot="LF", site="toe", firm=False)], poured)
    assert asked(soft, Question.TRIM).rule == "felt_soft"
    firm = folded([maker.mark(end_s, "touch", foot="LF", site="toe", firm=True)], poured)
    assert asked(firm, Question.TRIM).call == "READY TO TRIM"
    trimmed = folded([maker.mark(end_s + 60, "trimmed", foot="LF")], firm)
    assert asked(trimmed, Question.LOAD).call == "FOOT MAY GO DOWN"
    dents = folded(
        [maker.mark(end_s + 70, "touch", foot="LF", site="toe", firm=False, asked="load")], trimmed
    )
    assert asked(dents, Question.LOAD).call == "CHECK BY TOUCH", "a dent keeps the foot up"
    hard = folded([maker.mark(end_s, "touch", foot="LF", site="toe", firm=True, asked="load")], poured)
    assert asked(hard, Question.TRIM).call == "READY TO TRIM", "what is hard is firm"
    for asked_for, reached in (("load", False), ("work", True)):
        other = folded(
            [maker.mark(end_s, "touch", foot="LF", site="toe", firm=reached, asked=asked_for)], poured
        )
        assert asked(other, Question.TRIM).call == "CHECK BY TOUCH", "it does not say whether it is firm"
        cure, before = other.foot_state(Foot.LF).cure, poured.foot_state(Foot.LF).cure
        assert cure is not None and before is not None and cure.touches == before.touches
    early = folded([maker.mark(end_s, "down", foot="LF")], poured)
    assert asked(early, Question.LOAD).status is Status.CANNOT_TELL
    assert any("before it was trimmed" in text for _, text in early.notices)


def test_stale_air_makes_the_cure_untellable_within_two_minutes(
    maker: Any, folded: Any, dry_foot: VisitState
) -> None:
    at = maker.last_s
    poured = folded(
        [
            maker.mark(at + 1, "mixed", foot="LF", material_degC=20.0),
            maker.mark(at + 20, "poured", foot="LF", thickness_mm=8.0, material_degC=20.0, cover="film"),
            *maker.air(at + 21, 15.0, 50.0),
            maker.tick(at + 140),
        ],
        dry_foot,
    )
    assert asked(poured, Question.TRIM).status is Status.NOT_YET
    silent = folded([maker.tick(at + 142)], poured)
    verdict = asked(silent, Question.TRIM)
    assert (verdict.status, verdict.rule) == (Status.CANNOT_TELL, "air_stale")


def test_a_lost_thermometer_is_never_ready(maker: Any, folded: Any, dry_foot: VisitState) -> None:
    from hoofsense.wire.checked_text import encode_checked

    lost = maker.frame(
        maker.last_s + 2, "thermometer-1", "link", encode_checked('{"up": false, "why": "out of reach"}')
    )
    verdict = asked(folded([lost], dry_foot), Question.POUR)
    assert (verdict.status, verdict.rule) == (Status.CANNOT_TELL, "thermometer_lost")
    assert "out of reach" in verdict.because


def test_a_ready_expires(maker: Any, folded: Any, dry_foot: VisitState) -> None:
    frames = []
    for second in range(200):
        frames.append(maker.surface(maker.last_s + 2 + second, 30.0))
        frames.append(maker.tick(maker.last_s + 2 + second))
    assert asked(folded(frames, dry_foot), Question.POUR).status is not Status.READY


def test_a_mark_taken_back_leaves_the_foot_as_if_it_had_not_been_made(maker: Any, folded: Any) -> None:
    with_heat = [
        maker.begin(),
        maker.mark(1, "fitness", foot="LF", signs=[]),
        maker.mark(2, "hand", foot="LF", site="toe"),
        *[maker.surface(3 + i / 4, 12.0 + i / 10) for i in range(8)],
    ]
    wrong = maker.mark(6, "mixed", foot="LF", material_degC=None)
    later = [maker.surface(7 + i / 4, 14.0) for i in range(8)]
    undo = maker.mark(10, "undo", of="m4")
    restored = folded([*with_heat, wrong, *later, undo]).foot_state(Foot.LF)
    never = folded([*with_heat, *later]).foot_state(Foot.LF)
    assert restored.stage is Stage.DRY
    assert restored.drying == never.drying
    assert restored.surface == never.surface


def test_a_mark_in_the_middle_is_taken_back_and_the_later_ones_stay(maker: Any, folded: Any) -> None:
    state = folded(
        [
            maker.begin(),  # m1
            maker.mark(1, "fitness", foot="LF", signs=[]),  # m2
            maker.mark(2, "heat", foot="LF", on=True),  # m3
            maker.mark(3, "look", foot="LF", dry=True),  # m4
            maker.mark(4, "undo", of="m3"),
        ]
    )
    foot = state.foot_state(Foot.LF)
    assert not foot.heat_on and foot.looked_dry
    assert [made.mark_id for made in foot.made] == ["m2", "m4"]
    again = folded([maker.mark(5, "undo", of="m4")], state).foot_state(Foot.LF)
    assert not again.looked_dry


def test_a_mark_that_does_not_fit_changes_nothing_and_says_why(maker: Any, folded: Any) -> None:
    state = folded([maker.begin(), maker.mark(1, "trimmed", foot="LF")])
    assert state.foot_state(Foot.LF).stage is Stage.PREPARE
    assert state.notices[-1][1] == "Trimmed over belongs to cure, but LF is in prepare."


@pytest.mark.parametrize(
    ("said", "sentence"),
    [
        ({"kind": "poured", "foot": "LF", "thickness_mm": 400.0, "cover": "film"}, "outside 1 to 40 mm"),
        ({"kind": "mixed", "foot": "LF", "material_degC": 95.0}, "outside −20 to 60 °C"),
        ({"kind": "hand", "foot": "XX", "site": None}, "could not be read"),
        ({"kind": "hand", "foot": "RH", "site": None}, "not part of this visit"),
        ({"kind": "undo", "of": "m99"}, "can no longer be taken back"),
    ],
)
def test_nonsense_in_a_mark_gets_one_sentence(
    maker: Any, folded: Any, said: dict[str, Any], sentence: str
) -> None:
    kind = said["kind"]
    rest = {key: value for key, value in said.items() if key != "kind"}
    before = folded([maker.begin(), maker.mark(1, "fitness", foot="LF", signs=[])])
    after = folded([maker.mark(2, kind, **rest)], before)
    assert sentence in after.notices[-1][1]
    assert after.feet == before.feet


def test_a_damaged_mark_is_counted_and_does_nothing(maker: Any, folded: Any) -> None:
    from dataclasses import replace

    from hoofsense.screening import refused_counts

    good = maker.mark(1, "fitness", foot="LF", signs=[])
    flipped = bytearray(good.payload)
    flipped[20] ^= 1
    state = folded([maker.begin(), replace(good, payload=bytes(flipped))])
    assert state.foot_state(Foot.LF).signs is None
    assert refused_counts(state.screening) == (("page", "damaged", 1),)


def test_caliper_values_land_at_the_named_site_that_is_next(maker: Any, folded: Any) -> None:
    from hoofsense.visit_view import measured_rows

    state = folded(
        [
            maker.begin(sheet=["frog apex", "toe", "medial quarter"]),
            maker.mark(1, "hand", foot="LF", site=None),
            maker.typed(2, "14,25 mm"),
            maker.typed(3, "12.5 mm"),
            maker.mark(4, "redo", foot="LF"),
            maker.typed(5, "12.75 mm"),
        ]
    )
    assert measured_rows(state) == [
        {"foot": "LF", "site": "frog apex", "mm": 14.25},
        {"foot": "LF", "site": "toe", "mm": 12.75},
    ]
