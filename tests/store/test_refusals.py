"""What cannot be used is refused in one clear sentence, and nothing is lost or changed by it."""

from __future__ import annotations

import os
import sqlite3
import subprocess
import sys
import tempfile
from collections.abc import Callable, Iterator
from contextlib import closing, contextmanager
from pathlib import Path

import pytest

from hoofsense.records import RawFrame
from hoofsense.store import FrameBatch, Store, StoreError, default_store_path, open_reader, open_store
from hoofsense.store.connection import refuse_old_sqlite, wal_caution
from hoofsense.store.schema import APPLICATION_ID, SCHEMA_VERSION

Frames = Callable[..., list[RawFrame]]
Begin = Callable[..., str]

NOBODY = 65534  # the user without rights; source: Linux, overflowuid


@pytest.fixture
def shut_away() -> Iterator[Path]:
    """A folder outside the tests' own, which nobody but its owner could enter."""
    with tempfile.TemporaryDirectory() as name:
        Path(name).chmod(0o755)
        yield Path(name)


@contextmanager
def nothing_may_be_written_in(folder: Path) -> Iterator[None]:
    """Take the right to write away, also from root, who otherwise may write anywhere."""
    as_root = os.geteuid() == 0
    for path in folder.iterdir():
        path.chmod(0o444)
    folder.chmod(0o555)
    if as_root:
        os.seteuid(NOBODY)
    try:
        yield
    finally:
        if as_root:
            os.seteuid(0)
        folder.chmod(0o755)


def test_a_full_disk_is_said_clearly_and_costs_nothing_acknowledged(
    store: Store, begin: Begin, usual_frames: Frames, start_ns: int
) -> None:
    frames = usual_frames(20_000)
    visit_id = store.begin_visit(begin(), start_ns)
    connection = store._connection
    (pages,) = connection.execute("PRAGMA page_count").fetchone()
    connection.execute(f"PRAGMA max_page_count = {pages + 40}")
    batch = FrameBatch()
    stored = 0
    with pytest.raises(StoreError, match="the disk is full: everything acknowledged is kept") as refusal:
        for i in range(0, len(frames), 100):
            for frame in frames[i : i + 100]:
                batch.add_frame(frame, 0)
            batch.write_to(store, visit_id)
            stored = i + 100
    assert refusal.value.passing
    assert 100 < stored < len(frames)
    assert list(store.frames(visit_id)) == frames[:stored]

    connection.execute("PRAGMA max_page_count = 1000000")  # space was freed
    batch.write_to(store, visit_id)
    assert list(store.frames(visit_id)) == frames[: stored + 100]


def test_a_visit_that_finds_the_disk_full_on_its_end_stays_open_and_whole(
    store: Store, begin: Begin, wild_frames: Frames, start_ns: int
) -> None:
    frames = wild_frames(500)
    visit_id = store.begin_visit(begin(), start_ns, frames)
    (pages,) = store._connection.execute("PRAGMA page_count").fetchone()
    store._connection.execute(f"PRAGMA max_page_count = {pages}")
    with pytest.raises(StoreError, match="the disk is full"):
        store.end_visit(visit_id, start_ns)
    assert store.unfinished_visit() == visit_id
    assert list(store.frames(visit_id)) == frames
    store._connection.execute("PRAGMA max_page_count = 1000000")
    store.end_visit(visit_id, start_ns)
    assert list(store.frames(visit_id)) == frames


def test_a_second_collector_is_refused_and_the_first_goes_on(
    store: Store, begin: Begin, usual_frames: Frames, start_ns: int
) -> None:
    visit_id = store.begin_visit(begin(), start_ns)
    with pytest.raises(StoreError, match="already being written by another hoofsense: end that one first"):
        open_store(store.path)
    second = (
        "import sys; from hoofsense.store import StoreError, open_store\n"
        "try: open_store(sys.argv[1])\n"
        "except StoreError as error: print(error); sys.exit(3)"
    )
    refused = subprocess.run(
        [sys.executable, "-c", second, str(store.path)], capture_output=True, text=True, check=False
    )
    assert refused.returncode == 3
    assert "already being written by another hoofsense" in refused.stdout
    store.append(usual_frames(3), [], [], visit_id)
    assert list(store.frames(visit_id)) == usual_frames(3)
    store.close()
    with open_store(store.path) as again:
        assert again.unfinished_visit() == visit_id


def test_one_store_by_two_names_is_still_one_store(store: Store, tmp_path: Path) -> None:
    link = tmp_path / "link.sqlite3"
    link.symlink_to(store.path)
    with pytest.raises(StoreError, match="already being written"):
        open_store(link)


def test_a_lock_of_another_program_passes_and_nothing_is_half_stored(
    store: Store, begin: Begin, usual_frames: Frames, start_ns: int
) -> None:
    visit_id = store.begin_visit(begin(), start_ns)
    store._connection.execute("PRAGMA busy_timeout = 10")
    with closing(sqlite3.connect(store.path, isolation_level=None)) as other:
        other.execute("BEGIN IMMEDIATE")
        with pytest.raises(StoreError, match="locked by another program: close that program") as refusal:
            store.append(usual_frames(3), [], [], visit_id)
    assert refusal.value.passing
    assert list(store.frames(visit_id)) == []
    store.append(usual_frames(3), [], [], visit_id)
    assert list(store.frames(visit_id)) == usual_frames(3)


def test_a_store_from_a_newer_version_is_left_alone(
    store_path: Path, begin: Begin, usual_frames: Frames, start_ns: int
) -> None:
    with open_store(store_path) as store:
        store.begin_visit(begin("a"), start_ns, usual_frames(3))
        store._connection.execute(f"PRAGMA user_version = {SCHEMA_VERSION + 1}")
    before = store_path.read_bytes()
    for opening in (open_store, open_reader):
        with pytest.raises(
            StoreError,
            match=f"has version {SCHEMA_VERSION + 1}, this hoofsense reads up to {SCHEMA_VERSION}: update",
        ):
            opening(store_path)
    assert store_path.read_bytes() == before


def test_a_file_that_is_no_store_is_left_alone(tmp_path: Path) -> None:
    text = tmp_path / "notes.txt"
    text.write_text("not a database " * 500)
    foreign = tmp_path / "foreign.sqlite3"
    with closing(sqlite3.connect(foreign)) as connection, connection:
        connection.execute("CREATE TABLE mine (x)")
    for path, said in (
        (text, "is not a database: give the path"),
        (foreign, "a database of another program"),
    ):
        before = path.read_bytes()
        for opening in (open_store, open_reader):
            with pytest.raises(StoreError, match=said):
                opening(path)
        assert path.read_bytes() == before
    with pytest.raises(StoreError, match="is a folder: give the path of a file"):
        open_store(tmp_path)
    assert not list(tmp_path.glob("*-writer")), "a lock was left beside a file that is not ours"


def test_a_missing_store_is_made_only_by_a_collector_that_may(tmp_path: Path) -> None:
    path = tmp_path / "deep" / "er" / "visits.sqlite3"
    said = r"there is no store at .*: check the path, or run a visit"
    with pytest.raises(StoreError, match=said):
        open_reader(path)
    with pytest.raises(StoreError, match=said):
        open_store(path, create=False)
    assert not path.parent.exists()
    open_store(path).close()
    open_reader(path).close()
    (tmp_path / "empty").touch()
    with pytest.raises(StoreError, match="is an empty file, not a store"):
        open_reader(tmp_path / "empty")
    open_store(tmp_path / "empty").close()
    (tmp_path / "file").write_text("x")
    with pytest.raises(StoreError, match=r"cannot be made .*: choose another path"):
        open_store(tmp_path / "file" / "visits.sqlite3")


@pytest.mark.skipif(not hasattr(os, "geteuid"), reason="this system has no such permissions")
def test_a_read_only_store_can_be_read_and_says_that_it_cannot_be_written(
    shut_away: Path, begin: Begin, usual_frames: Frames, start_ns: int
) -> None:
    path = shut_away / "visits.sqlite3"
    with open_store(path) as store:
        store.begin_visit(begin("a"), start_ns, usual_frames(3))
    with nothing_may_be_written_in(shut_away):
        with open_reader(path) as reader:
            assert list(reader.frames("a")) == usual_frames(3)
        with pytest.raises(StoreError, match=r"is read-only here|cannot be opened"):
            open_store(path)
        with pytest.raises(StoreError, match="cannot be opened: check that its folder"):
            open_store(shut_away / "new.sqlite3")


@pytest.mark.skipif(not hasattr(os, "geteuid"), reason="this system has no such permissions")
def test_a_read_only_folder_with_an_unread_log_is_not_read_without_it(
    shut_away: Path, tmp_path: Path, begin: Begin, usual_frames: Frames, start_ns: int
) -> None:
    live = tmp_path / "live.sqlite3"
    with open_store(live) as store:
        store.begin_visit(begin("a"), start_ns, usual_frames(3))
        for name in (live.name, live.name + "-wal"):
            (shut_away / name).write_bytes((tmp_path / name).read_bytes())
    with nothing_may_be_written_in(shut_away):
        with pytest.raises(StoreError, match=r"is read-only here|cannot be opened"):
            open_reader(shut_away / live.name)


def test_a_write_refused_by_the_system_is_said_as_read_only(store_path: Path) -> None:
    from hoofsense.store.connection import connect_to_read
    from hoofsense.store.errors import clear_sentences

    open_store(store_path).close()
    with closing(connect_to_read(store_path)) as connection:
        with pytest.raises(StoreError, match="read-only here: allow writing to the file") as refusal:
            with clear_sentences(store_path):
                connection.execute("DELETE FROM visit")
    assert not refusal.value.passing


@pytest.mark.parametrize(
    ("version", "cautioned"),
    [
        ((3, 6, 23), False),
        ((3, 7, 0), True),
        ((3, 40, 1), True),
        ((3, 44, 5), True),
        ((3, 44, 6), False),  # backport
        ((3, 50, 6), True),
        ((3, 50, 7), False),  # backport
        ((3, 51, 2), True),
        ((3, 51, 3), False),
        ((4, 0, 0), False),
    ],
)
def test_a_caution_names_the_sqlite_that_can_damage_a_store_with_two_writers(
    version: tuple[int, int, int], cautioned: bool
) -> None:
    # source: "The WAL-Reset Bug", SQLite's page on write-ahead logging: 3.7.0 to 3.51.2
    caution = wal_caution(version)
    assert (caution is not None) == cautioned
    if caution is not None:
        assert caution.startswith(f"SQLite {version[0]}.{version[1]}.{version[2]} can damage a store")


def test_the_store_passes_on_the_caution_about_its_own_sqlite(store: Store) -> None:
    assert store.caution() == wal_caution(sqlite3.sqlite_version_info)


def test_an_sqlite_without_strict_tables_is_refused() -> None:
    refuse_old_sqlite((3, 37, 0))
    with pytest.raises(StoreError, match=r"SQLite 3\.36\.0 is too old, a store needs 3\.37"):
        refuse_old_sqlite((3, 36, 0))


def test_the_usual_place_is_the_persons_own_data_folder(
    monkeypatch: pytest.MonkeyPatch, tmp_path: Path
) -> None:
    monkeypatch.setenv("XDG_DATA_HOME", str(tmp_path))
    path = default_store_path()
    assert path.name == "visits.sqlite3"
    assert path.parent.name == "hoofsense"
    if sys.platform == "linux":
        assert path == tmp_path / "hoofsense" / "visits.sqlite3"
    assert not path.parent.exists()


def test_a_store_is_told_by_its_application_id(store: Store) -> None:
    assert store._connection.execute("PRAGMA application_id").fetchone() == (APPLICATION_ID,)
