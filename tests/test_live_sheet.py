"""A live visit reads a table in, knows the practice's way, and the next one knows what this one measured."""

from __future__ import annotations

import io
import json
import signal
from collections.abc import Iterator
from pathlib import Path

import pytest

from hoofsense.live_visit import run_live_visit
from hoofsense.past_visits import one_visit
from hoofsense.practice_file import changed_settings, practices_path, write_practice
from hoofsense.practice_settings import PracticeSettings
from hoofsense.store import StoreError, open_reader

TABLE = "foot,site,value,unit\nLF,foot length,135,mm\nLF,frog apex,17.2,mm\nLF,toe,0.496,in\n"


@pytest.fixture(autouse=True)
def signals_put_back() -> Iterator[None]:
    kept = {one: signal.getsignal(one) for one in (signal.SIGINT, signal.SIGTERM)}
    yield
    for one, handler in kept.items():
        signal.signal(one, handler)


def run(tmp_path: Path, monkeypatch: pytest.MonkeyPatch, words: str) -> None:
    """One visit that reads the table in, hears these words and ends."""
    monkeypatch.setattr("sys.stdin", io.StringIO(words + "end\n"))
    run_live_visit(
        horse="Invented Horse S", practice="Hill Farm", feet="LF,RF", material="standard", ports=(),
        gauge_unit=None, bluetooth=False, close_open=False, table=tmp_path / "table.csv",
        store_path=tmp_path / "visits.sqlite3", shown_on=None,
    )  # fmt: skip


def test_a_visit_begins_with_the_practice_s_way_and_with_the_last_visit_s_lengths(
    tmp_path: Path, monkeypatch: pytest.MonkeyPatch, capsys: pytest.CaptureFixture[str]
) -> None:
    (tmp_path / "table.csv").write_text(TABLE, encoding="utf-8")
    store = tmp_path / "visits.sqlite3"
    own = changed_settings(PracticeSettings(), "toe, frog apex", None, ["share_percent=60"], [])
    write_practice(practices_path(store), "Hill Farm", own)
    run(tmp_path, monkeypatch, "plan\ntable none.csv\n")
    told = capsys.readouterr()
    assert "3 readings of LF were read in from the table." in told.out
    assert "Pour plan of LF" in told.out
    assert "mixes units (1 in in, 2 in mm)" in told.err and "none.csv cannot be read" in told.err
    run(tmp_path, monkeypatch, "")
    with open_reader(store) as reader:
        second, first = (json.loads(visit.begin_json) for visit in reader.visits())
        ids = [visit.visit_id for visit in reader.visits()]
    assert first["sheet"] == ["toe", "frog apex"] and "history" not in first
    assert first["settings"]["pouring"]["share_percent"] == 60
    assert second["history"] == {"LF": {"foot length": [0.135], "frog apex": [0.0172], "toe": [0.0125984]}}
    assert len(second["history_ms"]["LF"]["toe"]) == 1
    one_visit(store, ids[0], tmp_path / "saved", tmp_path / "out.csv")
    assert (tmp_path / "saved" / "lengths.csv").read_text() == (tmp_path / "out.csv").read_text()
    assert "LF,toe,12.5984,mm," in (tmp_path / "out.csv").read_text().splitlines()
    with pytest.raises(StoreError, match="exists already"):
        one_visit(store, ids[0], None, tmp_path / "out.csv")
