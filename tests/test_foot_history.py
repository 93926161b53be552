"""What earlier visits measured, from the store: marks and lengths alone, the old pad dated before a pour."""

from __future__ import annotations

import json
from collections.abc import Callable
from pathlib import Path
from typing import Any

import pytest

from hoofsense.foot_history import begin_history, measured_visit
from hoofsense.records import NS_PER_MS, Foot, RawFrame
from hoofsense.sources.recording import read_recording
from hoofsense.store import Store, open_reader, open_store
from hoofsense.visit_marks import mark_from
from hoofsense.visit_state import VisitState

Folded = Callable[..., VisitState]
START_MS = 1_773_475_200_000  # of the frames the tests make


@pytest.fixture
def store(tmp_path: Path) -> Any:
    with open_store(tmp_path / "visits.sqlite3") as opened:
        yield opened


def keep(store: Store, frames: list[RawFrame], **begin: Any) -> None:
    """A visit of these frames on record, ended; begin changes its begin mark's fields."""
    mark = {**mark_from(frames[0].payload), **begin}
    store.begin_visit(json.dumps(mark), frames[0].at_ns, frames)
    store.end_visit(mark["visit_id"], frames[-1].at_ns)


def a_visit(maker: Any, name: str, at_s: float, *, pour: bool, **begin: Any) -> list[RawFrame]:
    """A visit on which the old pad was read and, if it was poured anew, the new one too."""
    frames = [
        maker.begin(at_s, sheet=["pad at toe", "toe"], sheet_after_trim=["pad at toe"], **begin),
        *maker.air(at_s + 0.5, 15.0, 50.0),
        maker.typed(at_s + 1, f"{name} mm"),
        maker.typed(at_s + 3, "12.5 mm"),
        maker.tick(at_s + 4),
    ]
    if pour:
        frames += [
            maker.mark(at_s + 5, "fitness", foot="LF", signs=[]),
            maker.mark(at_s + 10, "poured", foot="LF", thickness_mm=8, material_degC=20, cover="film"),
            maker.mark(at_s + 900, "trimmed", foot="LF"),
            maker.typed(at_s + 910, "8.0 mm"),
        ]
    return [*frames, maker.mark(at_s + 1000, "end")]


def test_history_is_by_foot_and_site_with_its_days_and_the_last_pour(store: Store, maker: Any) -> None:
    keep(store, a_visit(maker, "6.1", 0.0, pour=True), visit_id="v1", invented=False)
    keep(store, a_visit(maker, "7.2", 1e6, pour=False), visit_id="v2", invented=False)
    told = begin_history(store, "invented horse t", invented=False)
    assert told["history"] == {"LF": {"pad at toe": [0.0061, 0.008, 0.0072], "toe": [0.0125, 0.0125]}}
    first_ms, second_ms = START_MS + 1_000_000, START_MS + 1_001_000_000
    assert told["history_ms"]["LF"]["pad at toe"] == [START_MS + 10_000 - 1, first_ms, second_ms]
    assert told["pad_poured_ms"] == {"LF": START_MS + 10_000}


def test_other_horses_rehearsals_and_open_visits_say_nothing(store: Store, maker: Any) -> None:
    keep(store, a_visit(maker, "6.1", 0.0, pour=False), visit_id="v1", invented=False, horse="Other")
    keep(store, a_visit(maker, "6.2", 1e6, pour=False), visit_id="v2", invented=True)
    begin = a_visit(maker, "6.3", 2e6, pour=False)
    mark = {**mark_from(begin[0].payload), "visit_id": "v3", "invented": False}
    store.begin_visit(json.dumps(mark), begin[0].at_ns, begin)
    assert begin_history(store, "Invented Horse T", invented=False) == {}
    assert set(begin_history(store, "Invented Horse T", invented=True)) == {"history", "history_ms"}


def test_a_begin_mark_takes_the_history_as_it_is(store: Store, maker: Any, folded: Folded) -> None:
    keep(store, a_visit(maker, "6.1", 0.0, pour=True), visit_id="v1", invented=False)
    state = folded([maker.begin(2e6, **begin_history(store, "Invented Horse T", invented=False))])
    past = state.foot_state(Foot.LF).past
    assert [visit.at_ns // NS_PER_MS for visit in past.visits] == [START_MS + 9_999, START_MS + 1_000_000]
    assert past.pad_poured_ns == (START_MS + 10_000) * NS_PER_MS


def test_a_visit_read_from_its_marks_and_lengths_alone_has_the_same_sheets(folded: Folded) -> None:
    frames = list(read_recording("sole-not-dry").frames())
    whole, quick = folded(frames), measured_visit(frames)
    assert [foot.sheet for foot in quick.feet] == [foot.sheet for foot in whole.feet]
    assert any(foot.sheet.measured for foot in whole.feet)


def test_a_reader_will_do(store: Store, maker: Any, tmp_path: Path) -> None:
    keep(store, a_visit(maker, "6.1", 0.0, pour=False), visit_id="v1", invented=False)
    with open_reader(tmp_path / "visits.sqlite3") as reader:
        assert begin_history(reader, "Invented Horse T", invented=False)
