"""Frames as rows while their visit is open, as chunks once it has ended, and the way between."""

from __future__ import annotations

import sqlite3
from collections.abc import Callable, Iterator, Sequence
from dataclasses import dataclass
from itertools import islice

from hoofsense.records import Instant, RawFrame
from hoofsense.store.errors import StoreError
from hoofsense.store.frame_chunks import (
    FRAMES_PER_CHUNK,
    ChunkDamageError,
    FrameChunk,
    check_chunk,
    pack_frames,
    unpack_frames,
)
from hoofsense.store.times import utc_text

StreamNumbers = dict[tuple[str, str, str], int]
CHUNK_COLUMNS = "visit_id, chunk_no, n, t0_ns, t1_ns, codec, crc, body"


@dataclass(frozen=True, slots=True)
class DamagedChunk:
    """A chunk that cannot be given back, and the span of time whose frames are lost with it."""

    visit_id: str
    number: int
    n: int
    t0_ns: int
    t1_ns: int
    why: str

    def __str__(self) -> str:
        return (
            f"chunk {self.number} of visit {self.visit_id} is damaged ({self.why}): about {self.n} frames "
            f"from {utc_text(self.t0_ns)} to {utc_text(self.t1_ns)} are lost"
        )


def insert_frames(
    connection: sqlite3.Connection, visit_no: int, frames: Sequence[RawFrame], streams: StreamNumbers
) -> None:
    """Append frames to an open visit; streams is the cache of stream numbers and is filled here."""
    rows = []
    for frame in frames:
        instant = frame.received_at
        stream = (instant.boot, frame.source_id, frame.channel)
        number = streams.get(stream)
        if number is None:
            number = streams[stream] = _stream_number(connection, stream)
        rows.append(
            (visit_no, number, instant.steady_ns, instant.wall_ns, instant.monotonic_ns, frame.payload)
        )
    connection.executemany(
        "INSERT INTO frame (visit_no, stream_no, steady_ns, wall_ns, monotonic_ns, payload) "
        "VALUES (?, ?, ?, ?, ?, ?)",
        rows,
    )


def _stream_number(connection: sqlite3.Connection, stream: tuple[str, str, str]) -> int:
    connection.execute(
        "INSERT INTO stream (boot, source_id, channel) VALUES (?, ?, ?) ON CONFLICT DO NOTHING", stream
    )
    (number,) = connection.execute(
        "SELECT stream_no FROM stream WHERE boot = ? AND source_id = ? AND channel = ?", stream
    ).fetchone()
    return int(number)


def frames_in_rows(connection: sqlite3.Connection, visit_no: int) -> Iterator[RawFrame]:
    """Frames of an open visit in the order of arrival."""
    streams = {
        number: (boot, source_id, channel)
        for number, boot, source_id, channel in connection.execute(
            "SELECT stream_no, boot, source_id, channel FROM stream"
        )
    }
    for number, steady_ns, wall_ns, monotonic_ns, payload in connection.execute(
        "SELECT stream_no, steady_ns, wall_ns, monotonic_ns, payload FROM frame WHERE visit_no = ? "
        "ORDER BY frame_no",
        (visit_no,),
    ):
        boot, source_id, channel = streams[number]
        yield RawFrame(Instant(steady_ns, wall_ns, monotonic_ns, boot), source_id, channel, payload)


def pack_rows(connection: sqlite3.Connection, visit_no: int, visit_id: str) -> int:
    """Turn the visit's rows into chunks inside the caller's transaction; returns how many frames.

    Each chunk is read back from the database, decoded and compared before the rows are deleted.
    """
    frames = frames_in_rows(connection, visit_no)
    number = count = 0
    while group := list(islice(frames, FRAMES_PER_CHUNK)):
        chunk = pack_frames(visit_id, number, group)
        connection.execute(
            "INSERT INTO chunk (visit_no, chunk_no, n, t0_ns, t1_ns, codec, crc, body) "
            "VALUES (?, ?, ?, ?, ?, ?, ?, ?)",
            (visit_no, number, chunk.n, chunk.t0_ns, chunk.t1_ns, chunk.codec, chunk.crc, chunk.body),
        )
        written = connection.execute(
            f"SELECT {CHUNK_COLUMNS} FROM chunk JOIN visit USING (visit_no) "
            "WHERE visit_no = ? AND chunk_no = ?",
            (visit_no, number),
        ).fetchone()
        if unpack_frames(FrameChunk(*written)) != group:
            raise StoreError(
                f"chunk {number} of visit {visit_id} does not give back its frames: the visit stays open and "
                "whole, report this sentence"
            )
        count += len(group)
        number += 1
    connection.execute("DELETE FROM frame WHERE visit_no = ?", (visit_no,))
    return count


def chunks_of(connection: sqlite3.Connection, visit_no: int) -> Iterator[FrameChunk]:
    """The visit's chunks in order, not yet checked."""
    for row in connection.execute(
        f"SELECT {CHUNK_COLUMNS} FROM chunk JOIN visit USING (visit_no) WHERE visit_no = ? ORDER BY chunk_no",
        (visit_no,),
    ):
        yield FrameChunk(*row)


def damaged_chunks(connection: sqlite3.Connection) -> tuple[DamagedChunk, ...]:
    """Every chunk in the store whose CRC does not fit."""
    found = []
    for (visit_no,) in connection.execute("SELECT visit_no FROM visit ORDER BY visit_no").fetchall():
        for chunk in chunks_of(connection, visit_no):
            try:
                check_chunk(chunk)
            except ChunkDamageError as error:
                found.append(_damaged(chunk, error))
    return tuple(found)


def frames_in_chunks(
    connection: sqlite3.Connection,
    visit_no: int,
    visit_id: str,
    span_ns: tuple[int, int],
    frame_count: int,
    on_damage: Callable[[DamagedChunk], None] | None,
) -> Iterator[RawFrame]:
    """Frames of an ended visit in the order of arrival.

    span_ns, frame_count  when the visit began and ended, and how many frames it held then
    on_damage             told of every chunk that is lost, which is then skipped; None: StoreError instead
    """

    def lost(damage: DamagedChunk) -> None:
        if on_damage is None:
            raise StoreError(
                f"{damage}: go on from a backup, or read the visit without that span by skipping damage"
            )
        on_damage(damage)

    expected = met = 0
    last_ns, end_ns = span_ns
    harmed = False
    for chunk in chunks_of(connection, visit_no):
        if chunk.number != expected:
            harmed = True
            for number in range(expected, chunk.number):
                lost(DamagedChunk(visit_id, number, FRAMES_PER_CHUNK, last_ns, chunk.t0_ns, "it is missing"))
        expected = chunk.number + 1
        try:
            frames = unpack_frames(chunk)
        except ChunkDamageError as error:
            harmed = True
            lost(_damaged(chunk, error))
            continue
        met += len(frames)
        last_ns = chunk.t1_ns
        yield from frames
    if met != frame_count and not harmed:
        lost(DamagedChunk(visit_id, expected, frame_count - met, last_ns, end_ns, "it is missing"))


def _damaged(chunk: FrameChunk, error: ChunkDamageError) -> DamagedChunk:
    return DamagedChunk(chunk.visit_id, chunk.number, chunk.n, chunk.t0_ns, chunk.t1_ns, str(error))
