"""A store of every older version is brought up to this one, and what it holds is kept."""

from __future__ import annotations

import sqlite3
from collections.abc import Callable
from contextlib import closing
from pathlib import Path

import pytest

from hoofsense.records import Estimate, Foot, Instant, Question, RawFrame, Status, Verdict
from hoofsense.store import StoreError, TraceBin, open_reader, open_store, schema
from hoofsense.store.schema import MIGRATIONS, SCHEMA_VERSION

ENDED_NS = 1_760_000_000_000_000_000
OPEN_NS = 1_760_001_000_000_000_000

FRAMES_OF_THE_ENDED_VISIT = [
    RawFrame(
        Instant(ENDED_NS + i * 10**9, ENDED_NS + i * 10**9 + 7, (5 + i) * 10**9, "boot-a"),
        ("ir", "air")[i % 2],
        ("gatt:2a1c", "line:hs1")[i % 2],
        b"p%d" % i,
    )
    for i in range(5)
]
FRAMES_OF_THE_OPEN_VISIT = [
    RawFrame(Instant(OPEN_NS, OPEN_NS + 9, 77, "boot-a"), "ir", "gatt:2a1c", b"\x00\xff"),
    RawFrame(Instant(OPEN_NS - 10**9, OPEN_NS + 8, 76, "boot-a"), "air", "line:hs1", b""),
]


def old_stores() -> list[Path]:
    return sorted(Path(__file__).parent.glob("store_version_*.sql"))


@pytest.fixture(params=old_stores(), ids=lambda path: path.stem)
def old_path(request: pytest.FixtureRequest, tmp_path: Path) -> Path:
    path = tmp_path / "old.sqlite3"
    with closing(sqlite3.connect(path)) as connection:
        connection.executescript(request.param.read_text(encoding="utf-8"))
    return path


def tables(path: Path) -> dict[str, list[tuple[object, ...]]]:
    with closing(sqlite3.connect(path)) as connection:
        names = [row[0] for row in connection.execute("SELECT name FROM sqlite_schema WHERE type = 'table'")]
        return {name: connection.execute(f"PRAGMA table_info({name})").fetchall() for name in names}


def test_every_older_version_has_a_fixture() -> None:
    assert [path.stem for path in old_stores()] == [f"store_version_{v}" for v in range(1, SCHEMA_VERSION)]


def test_an_old_store_keeps_everything_and_goes_on(old_path: Path) -> None:
    with open_store(old_path) as store:
        assert [(v.visit_id, v.frames, v.invented) for v in store.visits()] == [
            ("old-open", 2, False),
            ("old-ended", 5, True),
        ]
        assert list(store.frames("old-ended")) == FRAMES_OF_THE_ENDED_VISIT
        assert list(store.frames("old-open")) == FRAMES_OF_THE_OPEN_VISIT
        assert store.trace("old-ended", "air_K", ENDED_NS, ENDED_NS + 1) == [
            TraceBin(ENDED_NS, 279.5, 280.5, 280.0, 3)
        ]
        assert store.verdicts("old-ended") == [
            Verdict(
                ENDED_NS + 3 * 10**9,
                Foot.LF,
                Question.POUR,
                Status.READY,
                "POUR NOW",
                "dry",
                "No film seen.",
                "Pour.",
                (Estimate("p", 0.9, 0.8, None, "1", "m", True, "r"),),
            )
        ]
        assert store.unfinished_visit() == "old-open"
        store.append(FRAMES_OF_THE_ENDED_VISIT, [], [], "old-open")
        store.end_visit("old-open", OPEN_NS + 1)
        assert list(store.frames("old-open")) == FRAMES_OF_THE_OPEN_VISIT + FRAMES_OF_THE_ENDED_VISIT
        store.set_boot_anchor("boot-a", 3)
    with open_reader(old_path) as reader:
        assert reader._connection.execute("PRAGMA user_version").fetchone() == (SCHEMA_VERSION,)


def test_a_chunk_missing_from_a_migrated_visit_is_noticed(old_path: Path) -> None:
    open_store(old_path).close()
    with closing(sqlite3.connect(old_path)) as connection, connection:
        connection.execute("DELETE FROM chunk")
    with open_reader(old_path) as store, pytest.raises(StoreError, match="it is missing"):
        list(store.frames("old-ended"))


def test_a_migrated_store_has_the_very_tables_of_a_new_one(old_path: Path, tmp_path: Path) -> None:
    open_store(old_path).close()
    open_store(tmp_path / "new.sqlite3").close()
    assert tables(old_path) == tables(tmp_path / "new.sqlite3")


def test_an_old_store_is_brought_up_for_a_reader_too(old_path: Path) -> None:
    with open_reader(old_path) as reader:
        assert reader.read_only
        assert list(reader.frames("old-ended")) == FRAMES_OF_THE_ENDED_VISIT


def test_a_migration_that_fails_leaves_the_old_store_as_it_was(
    old_path: Path, monkeypatch: pytest.MonkeyPatch
) -> None:
    before = tables(old_path)
    broken = (*MIGRATIONS[:-1], (*MIGRATIONS[-1], "CREATE TABLE visit (already there)"))
    with monkeypatch.context() as patched:
        patched.setattr(schema, "MIGRATIONS", broken)
        with pytest.raises(StoreError):
            open_store(old_path)
    assert tables(old_path) == before
    with open_store(old_path) as store:
        assert list(store.frames("old-ended")) == FRAMES_OF_THE_ENDED_VISIT


def test_a_new_store_that_was_killed_before_its_first_table_is_made_again(
    store_path: Path, begin: Callable[..., str], start_ns: int
) -> None:
    store_path.parent.mkdir()
    with closing(sqlite3.connect(store_path)) as connection:
        connection.execute("PRAGMA journal_mode = WAL")
    with open_store(store_path) as store:
        assert store.begin_visit(begin("a"), start_ns) == "a"
