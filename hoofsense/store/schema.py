"""The tables of the store, as forward-only migrations from an empty file.

MIGRATIONS[v] are the statements that turn version v into version v + 1; a shipped step is never edited.
Frames of an open visit are narrow integer rows; on its end they become chunks (frame_chunks.py).
"""

from __future__ import annotations

import sqlite3

APPLICATION_ID = 0x484F4F46  # "HOOF" in ASCII; tells this store from any other SQLite file
STRICT_SINCE = (3, 37, 0)  # STRICT tables; source: SQLite release history

_VERSION_1 = (
    """CREATE TABLE visit (
        visit_no INTEGER PRIMARY KEY,
        visit_id TEXT NOT NULL UNIQUE,
        horse TEXT NOT NULL,
        practice TEXT NOT NULL,
        started_ns INTEGER NOT NULL,
        ended_ns INTEGER,
        invented INTEGER NOT NULL CHECK (invented IN (0, 1)),
        begin_json TEXT NOT NULL
    ) STRICT""",
    """CREATE TABLE stream (
        stream_no INTEGER PRIMARY KEY,
        boot TEXT NOT NULL,
        source_id TEXT NOT NULL,
        channel TEXT NOT NULL,
        UNIQUE (boot, source_id, channel)
    ) STRICT""",
    """CREATE TABLE frame (
        frame_no INTEGER PRIMARY KEY,
        visit_no INTEGER NOT NULL REFERENCES visit,
        stream_no INTEGER NOT NULL REFERENCES stream,
        steady_ns INTEGER NOT NULL,
        wall_ns INTEGER NOT NULL,
        monotonic_ns INTEGER NOT NULL,
        payload BLOB NOT NULL
    ) STRICT""",
    """CREATE TABLE chunk (
        visit_no INTEGER NOT NULL REFERENCES visit,
        chunk_no INTEGER NOT NULL,
        n INTEGER NOT NULL,
        t0_ns INTEGER NOT NULL,
        t1_ns INTEGER NOT NULL,
        codec INTEGER NOT NULL,
        crc INTEGER NOT NULL,
        body BLOB NOT NULL,
        PRIMARY KEY (visit_no, chunk_no)
    ) STRICT""",
    """CREATE TABLE series (
        series_no INTEGER PRIMARY KEY,
        name TEXT NOT NULL UNIQUE
    ) STRICT""",
    """CREATE TABLE bin (
        visit_no INTEGER NOT NULL REFERENCES visit,
        series_no INTEGER NOT NULL REFERENCES series,
        t0_ns INTEGER NOT NULL,
        lo REAL NOT NULL,
        hi REAL NOT NULL,
        sum REAL NOT NULL,
        n INTEGER NOT NULL,
        PRIMARY KEY (visit_no, series_no, t0_ns)
    ) STRICT, WITHOUT ROWID""",
    """CREATE TABLE verdict (
        verdict_no INTEGER PRIMARY KEY,
        visit_no INTEGER NOT NULL REFERENCES visit,
        at_ns INTEGER NOT NULL,
        foot TEXT NOT NULL,
        question TEXT NOT NULL,
        status TEXT NOT NULL,
        call TEXT NOT NULL,
        rule TEXT NOT NULL,
        because TEXT NOT NULL,
        next_step TEXT NOT NULL,
        estimates TEXT NOT NULL
    ) STRICT""",
    "CREATE INDEX verdict_of_visit ON verdict (visit_no)",
)

# A finished visit knows how many frames it holds, so that a missing chunk is noticed as well as a damaged
# one; the steady clock of a boot goes on after the program was restarted; a verdict says until when it holds.
_VERSION_2 = (
    "ALTER TABLE visit ADD COLUMN frame_count INTEGER",
    """UPDATE visit SET frame_count =
        (SELECT coalesce(sum(n), 0) FROM chunk WHERE chunk.visit_no = visit.visit_no)
        WHERE ended_ns IS NOT NULL""",
    """CREATE TABLE boot (
        boot TEXT PRIMARY KEY,
        anchor_ns INTEGER NOT NULL
    ) STRICT, WITHOUT ROWID""",
    "ALTER TABLE verdict ADD COLUMN until_ns INTEGER",
)

MIGRATIONS = (_VERSION_1, _VERSION_2)
SCHEMA_VERSION = len(MIGRATIONS)


def migrate(connection: sqlite3.Connection, from_version: int) -> None:
    """Bring a store of from_version up to SCHEMA_VERSION, all in one transaction or not at all."""
    connection.execute("BEGIN IMMEDIATE")
    try:
        for statements in MIGRATIONS[from_version:]:
            for statement in statements:
                connection.execute(statement)
        connection.execute(f"PRAGMA application_id = {APPLICATION_ID}")
        connection.execute(f"PRAGMA user_version = {SCHEMA_VERSION}")
        connection.execute("COMMIT")
    except BaseException:
        connection.execute("ROLLBACK")
        raise
