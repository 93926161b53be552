"""A backup is a whole, verified store of its own, or there is none."""

from __future__ import annotations

import sqlite3
from collections.abc import Callable
from contextlib import closing
from pathlib import Path

import pytest

from hoofsense.records import RawFrame, Verdict
from hoofsense.store import Point, Store, StoreError, backup, open_reader, open_store

Frames = Callable[..., list[RawFrame]]
Begin = Callable[..., str]


@pytest.fixture
def filled(
    store: Store, begin: Begin, usual_frames: Frames, some_verdicts: tuple[Verdict, ...], start_ns: int
) -> Store:
    store.begin_visit(begin("a"), start_ns, usual_frames(5000))
    store.append([], [Point("air_K", start_ns, 280.0)], some_verdicts, "a")
    store.end_visit("a", start_ns)
    store.begin_visit(begin("b"), start_ns, usual_frames(70, seed=2))
    return store


def test_a_backup_made_while_collecting_holds_the_same_as_the_store(
    filled: Store, tmp_path: Path, start_ns: int
) -> None:
    target = tmp_path / "backup.sqlite3"
    report = filled.backup(target)
    assert (report.path, report.visits, report.frames, report.verdicts) == (target, 2, 5070, 2)
    assert report.damaged == ()
    with open_store(target) as copy:
        assert copy.visits() == filled.visits()
        for visit_id in ("a", "b"):
            assert list(copy.frames(visit_id)) == list(filled.frames(visit_id))
            assert copy.verdicts(visit_id) == filled.verdicts(visit_id)
        span = (start_ns, start_ns + 1)
        assert copy.trace("a", "air_K", *span) == filled.trace("a", "air_K", *span) != []
        assert copy.unfinished_visit() == "b"  # a restored store goes on where it was


def test_a_reader_can_make_the_backup_beside_a_running_collector(filled: Store, tmp_path: Path) -> None:
    with open_reader(filled.path) as reader:
        assert reader.backup(tmp_path / "backup.sqlite3").frames == 5070


def test_an_existing_file_is_never_overwritten(filled: Store, tmp_path: Path) -> None:
    target = tmp_path / "backup.sqlite3"
    target.write_text("mine")
    with pytest.raises(StoreError, match="exists already: choose another name; nothing was changed"):
        filled.backup(target)
    assert target.read_text() == "mine"


def test_a_backup_into_a_folder_that_does_not_exist_is_a_clear_sentence(
    filled: Store, tmp_path: Path
) -> None:
    with pytest.raises(StoreError, match=r"cannot be (opened|written)"):
        filled.backup(tmp_path / "nowhere" / "backup.sqlite3")


def test_what_an_interrupted_backup_left_is_replaced(filled: Store, tmp_path: Path) -> None:
    target = tmp_path / "backup.sqlite3"
    target.with_name("backup.sqlite3.part").write_text("half")
    filled.backup(target)
    assert sorted(path.name for path in tmp_path.iterdir() if path.is_file()) == ["backup.sqlite3"]


@pytest.mark.parametrize(
    ("spoil", "said"),
    [
        (
            "UPDATE chunk SET body = zeroblob(9) WHERE chunk_no = 1",
            "chunk 1 of visit a is damaged .*copy only",
        ),
        ("DELETE FROM frame WHERE frame_no = 5", "instead of"),
    ],
)
def test_a_copy_that_differs_is_no_backup(
    filled: Store, tmp_path: Path, monkeypatch: pytest.MonkeyPatch, spoil: str, said: str
) -> None:
    target = tmp_path / "backup.sqlite3"
    verify = backup._verified

    def spoil_then_verify(
        part: Path, target: Path, source: sqlite3.Connection, before: tuple[int, ...]
    ) -> backup.BackupReport:
        with closing(sqlite3.connect(part)) as connection, connection:
            assert connection.execute(spoil).rowcount == 1
        return verify(part, target, source, before)

    monkeypatch.setattr(backup, "_verified", spoil_then_verify)
    with pytest.raises(StoreError, match=said):
        filled.backup(target)
    assert not target.exists()
    assert not list(tmp_path.glob("*.part"))


def test_damage_the_store_has_already_is_reported_with_the_backup(filled: Store, tmp_path: Path) -> None:
    filled._connection.execute("UPDATE chunk SET body = zeroblob(9) WHERE chunk_no = 1")
    report = filled.backup(tmp_path / "backup.sqlite3")
    (damage,) = report.damaged
    assert (damage.visit_id, damage.number) == ("a", 1)
    with open_reader(report.path) as copy:
        assert list(copy.frames("b")) == list(filled.frames("b"))
