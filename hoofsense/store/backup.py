"""A verified copy of the store, made while it is in use."""

from __future__ import annotations

import os
import sqlite3
from contextlib import closing
from dataclasses import dataclass
from pathlib import Path

from hoofsense.store.connection import connect_to_read
from hoofsense.store.errors import StoreError, clear_sentences
from hoofsense.store.frame_rows import DamagedChunk, damaged_chunks

_COUNTS = (
    "SELECT (SELECT count(*) FROM visit), "
    "(SELECT count(*) FROM frame) + (SELECT coalesce(sum(n), 0) FROM chunk), "
    "(SELECT count(*) FROM bin), (SELECT count(*) FROM verdict)"
)


@dataclass(frozen=True, slots=True)
class BackupReport:
    """What a backup holds. damaged lists chunks that were damaged in the store already and so are here."""

    path: Path
    visits: int
    frames: int
    verdicts: int
    damaged: tuple[DamagedChunk, ...]


def write_backup(store: Path, target: Path) -> BackupReport:
    """Copy store to target, which must not exist; it appears under its name only once it is verified.

    Verified by SQLite's integrity check, row counts between those of the store before and after, and the
    CRC of every chunk.
    raises  StoreError when the copy cannot be written or does not hold what the store holds
    """
    if target.exists():
        raise StoreError(f"backup {target} exists already: choose another name; nothing was changed")
    part = target.with_name(target.name + ".part")
    try:
        with clear_sentences(store), closing(connect_to_read(store)) as source:
            part.unlink(missing_ok=True)
            before = _counts(source)
            with clear_sentences(target):
                source.execute("VACUUM INTO ?", (str(part),))
            report = _verified(part, target, source, before)
        os.replace(part, target)
        _sync_folder(target.parent)
    except OSError as error:
        raise StoreError(
            f"backup {target} cannot be written ({error.strerror}): choose a folder that exists and can be "
            "written"
        ) from error
    finally:
        part.unlink(missing_ok=True)
    return report


def _counts(connection: sqlite3.Connection) -> tuple[int, ...]:
    counts: tuple[int, ...] = connection.execute(_COUNTS).fetchone()
    return counts


def _verified(part: Path, target: Path, source: sqlite3.Connection, before: tuple[int, ...]) -> BackupReport:
    with part.open("rb+") as written:
        os.fsync(written.fileno())
    with clear_sentences(target), closing(connect_to_read(part)) as copy:
        (said,) = copy.execute("PRAGMA integrity_check").fetchone()
        counts = _counts(copy)
        damaged = damaged_chunks(copy)
    after = _counts(source)
    in_source = {(damage.visit_id, damage.number) for damage in damaged_chunks(source)} if damaged else set()
    if said != "ok":
        raise StoreError(f"backup {target} fails its integrity check ({said}): check that disk and try again")
    if not all(b <= c <= a for b, c, a in zip(before, counts, after, strict=True)):
        raise StoreError(
            f"backup {target} holds {counts} visits, frames, bins, verdicts instead of {before}: check that "
            "disk and try again"
        )
    for damage in damaged:
        if (damage.visit_id, damage.number) not in in_source:
            raise StoreError(f"backup {target}: {damage} in the copy only: check that disk and try again")
    visits, frames, _, verdicts = counts
    return BackupReport(target, visits, frames, verdicts, damaged)


def _sync_folder(folder: Path) -> None:
    """Make the new name itself durable, where the system lets a folder be synced."""
    if not hasattr(os, "O_DIRECTORY"):
        return
    descriptor = os.open(folder, os.O_RDONLY | os.O_DIRECTORY)
    try:
        os.fsync(descriptor)
    finally:
        os.close(descriptor)
