"""A damaged or missing chunk is named with the time it costs, and skipped only on request."""

from __future__ import annotations

import sqlite3
from collections.abc import Callable
from contextlib import closing
from pathlib import Path

import pytest

from hoofsense.records import RawFrame
from hoofsense.store import DamagedChunk, StoreError, open_reader, open_store
from hoofsense.store.frame_chunks import FRAMES_PER_CHUNK


@pytest.fixture
def three_chunks(
    store_path: Path,
    begin: Callable[..., str],
    usual_frames: Callable[..., list[RawFrame]],
    start_ns: int,
) -> list[RawFrame]:
    frames = usual_frames(2 * FRAMES_PER_CHUNK + 500)
    with open_store(store_path) as store:
        store.begin_visit(begin("a"), start_ns, frames)
        store.end_visit("a", frames[-1].at_ns + 1)
    return frames


def change(path: Path, statement: str, *values: object) -> None:
    with closing(sqlite3.connect(path)) as connection, connection:
        connection.execute(statement, values)


def flip_a_bit_of_the_body(path: Path, chunk_no: int) -> None:
    with closing(sqlite3.connect(path)) as connection:
        (body,) = connection.execute("SELECT body FROM chunk WHERE chunk_no = ?", (chunk_no,)).fetchone()
    flipped = bytearray(body)
    flipped[len(flipped) // 2] ^= 4
    change(path, "UPDATE chunk SET body = ? WHERE chunk_no = ?", bytes(flipped), chunk_no)


def test_a_flipped_bit_passes_the_databases_own_check_and_is_found_by_the_crc(
    store_path: Path, three_chunks: list[RawFrame]
) -> None:
    flip_a_bit_of_the_body(store_path, 1)
    with open_reader(store_path) as store:
        assert store._connection.execute("PRAGMA integrity_check").fetchone() == ("ok",)
        reading = store.frames("a")
        assert [next(reading) for _ in range(FRAMES_PER_CHUNK)] == three_chunks[:FRAMES_PER_CHUNK]
        with pytest.raises(StoreError) as refusal:
            next(reading)
    said = str(refusal.value)
    assert said.startswith("chunk 1 of visit a is damaged (its CRC is ")
    # frames come every 0.125 s: chunk 1 spans 512 s to 1024 s after 2025-10-09T08:53:20Z
    assert "about 4096 frames from 2025-10-09T09:01:52Z to 2025-10-09T09:10:23Z are lost" in said
    assert "go on from a backup" in said


def test_damage_is_skipped_only_on_request_and_then_reported(
    store_path: Path, three_chunks: list[RawFrame]
) -> None:
    flip_a_bit_of_the_body(store_path, 1)
    reports: list[DamagedChunk] = []
    with open_reader(store_path) as store:
        found = list(store.frames("a", on_damage=reports.append))
    lost = three_chunks[FRAMES_PER_CHUNK : 2 * FRAMES_PER_CHUNK]
    assert found == three_chunks[:FRAMES_PER_CHUNK] + three_chunks[2 * FRAMES_PER_CHUNK :]
    (report,) = reports
    assert (report.visit_id, report.number, report.n) == ("a", 1, FRAMES_PER_CHUNK)
    assert report.t0_ns == min(frame.at_ns for frame in lost)
    assert report.t1_ns == max(frame.at_ns for frame in lost)


@pytest.mark.parametrize("column", ["n", "t0_ns", "t1_ns", "codec", "crc"])
def test_a_changed_number_beside_the_body_is_found_even_where_the_chunk_would_be_passed_over(
    store_path: Path, three_chunks: list[RawFrame], column: str
) -> None:
    change(store_path, f"UPDATE chunk SET {column} = 5 WHERE chunk_no = 0")
    with open_reader(store_path) as store:
        with pytest.raises(StoreError, match="chunk 0 of visit a is damaged"):
            list(store.frames("a", after_ns=three_chunks[-1].at_ns))


@pytest.mark.parametrize("chunk_no", [0, 1, 2])
def test_a_chunk_that_is_gone_is_noticed(
    store_path: Path, three_chunks: list[RawFrame], chunk_no: int
) -> None:
    change(store_path, "DELETE FROM chunk WHERE chunk_no = ?", chunk_no)
    reports: list[DamagedChunk] = []
    with open_reader(store_path) as store:
        with pytest.raises(StoreError, match=rf"chunk {chunk_no} of visit a is damaged \(it is missing\)"):
            list(store.frames("a"))
        found = list(store.frames("a", on_damage=reports.append))
    start, end = chunk_no * FRAMES_PER_CHUNK, (chunk_no + 1) * FRAMES_PER_CHUNK
    assert found == three_chunks[:start] + three_chunks[end:]
    (report,) = reports
    lost = three_chunks[start:end]
    assert report.t0_ns <= lost[0].at_ns
    assert report.t1_ns >= lost[-1].at_ns


def test_a_verdict_that_cannot_be_read_is_said(
    store_path: Path,
    begin: Callable[..., str],
    some_verdicts: tuple[object, ...],
    start_ns: int,
) -> None:
    with open_store(store_path) as store:
        store.begin_visit(begin("a"), start_ns)
        store.append([], [], some_verdicts, "a")  # type: ignore[arg-type]
    for column, word in (("question", "LUNCH"), ("foot", "XX"), ("estimates", "[{}]"), ("estimates", "{")):
        with closing(sqlite3.connect(store_path)) as connection:
            (held,) = connection.execute(f"SELECT {column} FROM verdict LIMIT 1").fetchone()
        change(store_path, f"UPDATE verdict SET {column} = ? WHERE verdict_no = 1", word)
        with open_reader(store_path) as store:
            with pytest.raises(StoreError, match=r"a verdict of visit a in .* cannot be read"):
                store.verdicts("a")
        change(store_path, f"UPDATE verdict SET {column} = ? WHERE verdict_no = 1", held)
    with open_reader(store_path) as store:
        assert store.verdicts("a") == list(some_verdicts)


def test_a_damaged_database_page_is_a_clear_sentence(store_path: Path, three_chunks: list[RawFrame]) -> None:
    content = bytearray(store_path.read_bytes())
    page_size = 4096
    content[page_size:] = b"\xa5" * (len(content) - page_size)
    store_path.write_bytes(content)
    with pytest.raises(StoreError, match=r"is damaged .*: keep the file as it is and go on from the latest"):
        with open_store(store_path) as store:
            store.visits()
