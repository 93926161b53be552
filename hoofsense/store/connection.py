"""Connections to the store: one that writes, behind an exclusive lock, and any number that only read.

Only the writing connection ever writes or checkpoints. Readers are opened read-only, so they can do
neither, whatever they ask for.
"""

from __future__ import annotations

import sqlite3
from contextlib import closing
from pathlib import Path

from hoofsense.store.errors import StoreError, clear_sentences, store_error_from
from hoofsense.store.schema import APPLICATION_ID, SCHEMA_VERSION, STRICT_SINCE, migrate

LOCK_SUFFIX = "-writer"
_BUSY_TIMEOUT_S = 1.0  # our choice: longer than any commit, short enough for a clear answer
_WAL_RESET_SINCE = (3, 7, 0)  # source: "The WAL-Reset Bug", SQLite's page on write-ahead logging
_WAL_RESET_FIXED = (3, 51, 3)
_WAL_RESET_BACKPORTS = {(3, 44): 6, (3, 50): 7}  # patch releases of older lines that carry the fix


def wal_caution(version: tuple[int, int, int]) -> str | None:
    """A sentence when this SQLite has the WAL-reset bug, else None; informational only."""
    if not _WAL_RESET_SINCE <= version < _WAL_RESET_FIXED:
        return None
    backport = _WAL_RESET_BACKPORTS.get(version[:2])
    if backport is not None and version[2] >= backport:
        return None
    return (
        f"SQLite {'.'.join(map(str, version))} can damage a store that two programs write at the same "
        "instant (fixed in 3.51.3): hoofsense writes through one connection only, so let no other program "
        "write to it"
    )


class WriterLock:
    """Held by the one program that writes to a store; the system frees it when that program dies.

    It is an exclusive transaction on an empty database beside the store, so it works wherever the store does.
    """

    def __init__(self, store: Path) -> None:
        path = store.with_name(store.name + LOCK_SUFFIX)
        with clear_sentences(store):
            self._connection = sqlite3.connect(
                path, timeout=0.0, isolation_level=None, check_same_thread=False
            )
        try:
            self._connection.execute("PRAGMA journal_mode = MEMORY")
            self._connection.execute("BEGIN EXCLUSIVE")
        except sqlite3.Error as error:
            self._connection.close()
            refusal = store_error_from(error, store)
            if refusal.passing:
                raise StoreError(
                    f"store {store} is already being written by another hoofsense: end that one first, or "
                    "choose another store",
                    passing=True,
                ) from error
            raise refusal from error

    def release(self) -> None:
        self._connection.close()


def connect_to_write(path: Path) -> sqlite3.Connection:
    """The writing connection, WAL and FULL, at the newest schema; hold the WriterLock while it is open."""
    with clear_sentences(path):
        connection = sqlite3.connect(
            path, timeout=_BUSY_TIMEOUT_S, isolation_level=None, check_same_thread=False
        )
        try:
            version = recognised_version(connection, path)
            (journal,) = connection.execute("PRAGMA journal_mode = WAL").fetchone()
            if journal != "wal":
                raise StoreError(
                    f"store {path} cannot keep a write-ahead log here (journal mode stays {journal}): "
                    "move it to a local disk"
                )
            connection.execute("PRAGMA synchronous = FULL")
            connection.execute(
                "PRAGMA fullfsync = ON"
            )  # where the system's plain sync stops at the drive's cache
            connection.execute("PRAGMA foreign_keys = ON")
            if version < SCHEMA_VERSION:
                migrate(connection, version)
            else:
                connection.execute("BEGIN IMMEDIATE")  # a read-only file is found now, not at the first frame
                connection.execute("ROLLBACK")
        except BaseException:
            connection.close()
            raise
        return connection


def connect_to_read(path: Path) -> sqlite3.Connection:
    """A connection that can only read, also while a collector writes and from a read-only folder."""
    wal = path.with_name(path.name + "-wal")
    with clear_sentences(path):
        connection = _read_only(path, immutable=False)
        try:
            connection.execute("SELECT count(*) FROM sqlite_schema").fetchone()
        except sqlite3.OperationalError:
            connection.close()
            # Without a folder to put its index into, a log can only be ignored: safe when there is none.
            if not path.is_file() or (wal.exists() and wal.stat().st_size > 0):
                raise
            connection = _read_only(path, immutable=True)
        except BaseException:
            connection.close()
            raise
        return connection


def _read_only(path: Path, *, immutable: bool) -> sqlite3.Connection:
    address = f"{path.absolute().as_uri()}?mode=ro" + ("&immutable=1" if immutable else "")
    return sqlite3.connect(
        address, uri=True, timeout=_BUSY_TIMEOUT_S, isolation_level=None, check_same_thread=False
    )


def recognised_version(connection: sqlite3.Connection, path: Path) -> int:
    """Schema version of the store, 0 for an empty file; StoreError when it is not ours or newer than this."""
    (application,) = connection.execute("PRAGMA application_id").fetchone()
    (version,) = connection.execute("PRAGMA user_version").fetchone()
    (tables,) = connection.execute("SELECT count(*) FROM sqlite_schema").fetchone()
    if application == 0 and version == 0 and tables == 0:
        return 0
    if application != APPLICATION_ID:
        raise StoreError(
            f"{path} is a database of another program, not a hoofsense store: choose another path"
        )
    if version > SCHEMA_VERSION:
        raise StoreError(
            f"store {path} has version {version}, this hoofsense reads up to {SCHEMA_VERSION}: update "
            "hoofsense; nothing was changed"
        )
    return int(version)


def version_on_disk(path: Path) -> int:
    """Schema version of an existing file without changing it; StoreError as recognised_version."""
    with clear_sentences(path), closing(connect_to_read(path)) as connection:
        return recognised_version(connection, path)


def refuse_old_sqlite(version: tuple[int, int, int]) -> None:
    """StoreError when this Python's SQLite has no STRICT tables."""
    if version < STRICT_SINCE:
        raise StoreError(
            f"SQLite {'.'.join(map(str, version))} is too old, a store needs 3.37: use a Python with a "
            "newer SQLite"
        )
