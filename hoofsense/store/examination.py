"""A look at a store that changes nothing: can it be read, is it whole, what is in it."""

from __future__ import annotations

import sqlite3
from contextlib import closing
from dataclasses import dataclass
from pathlib import Path

from hoofsense.store.connection import connect_to_read, recognised_version, wal_caution
from hoofsense.store.errors import clear_sentences
from hoofsense.store.schema import SCHEMA_VERSION
from hoofsense.store.visit_rows import unfinished_visit_id, visit_summaries

_FAULTS_SHOWN = 1  # one is enough to know


@dataclass(frozen=True, slots=True)
class Examination:
    """What was found.

    version      schema version; one below newest is brought up to date by the next visit
    faults       what SQLite's quick check found, empty when the file is whole
    visits       how many, None in an older store
    open_visit   id of the visit that was begun and not ended
    latest_ns    when the latest visit began or ended, UTC; None without one
    anchor_ns    the anchor of the boot asked about, None when no visit was run in it
    caution      about this computer's SQLite, None when it has no known danger
    """

    version: int
    newest: int
    size_bytes: int
    faults: tuple[str, ...]
    visits: int | None
    open_visit: str | None
    latest_ns: int | None
    anchor_ns: int | None
    caution: str | None


def examined(path: Path, boot: str) -> Examination:
    """Look at the store at path; its content is checked page by page, not the CRC of each chunk.

    boot    identity of the boot whose anchor is wanted
    raises  StoreError when it is not there, not a store, newer than this program or cannot be read
    """
    with clear_sentences(path), closing(connect_to_read(path)) as connection:
        version = recognised_version(connection, path)
        rows = connection.execute(f"PRAGMA quick_check({_FAULTS_SHOWN})").fetchall()
        faults = tuple(str(said) for (said,) in rows if said != "ok")
        visits: int | None = None
        open_visit: str | None = None
        latest_ns: int | None = None
        anchor_ns: int | None = None
        if version == SCHEMA_VERSION and not faults:
            summaries = visit_summaries(connection)
            visits = len(summaries)
            latest_ns = max((v.ended_ns or v.started_ns for v in summaries), default=None)
            open_visit = unfinished_visit_id(connection)
            row = connection.execute("SELECT anchor_ns FROM boot WHERE boot = ?", (boot,)).fetchone()
            anchor_ns = None if row is None else int(row[0])
    caution = wal_caution(sqlite3.sqlite_version_info)
    size = path.stat().st_size
    return Examination(
        version, SCHEMA_VERSION, size, faults, visits, open_visit, latest_ns, anchor_ns, caution
    )
