"""What can go wrong with a store, said in one sentence: the fact, its limit, the next step."""

from __future__ import annotations

import sqlite3
from collections.abc import Iterator
from contextlib import contextmanager
from pathlib import Path

_PRIMARY_CODE_MASK = 0xFF  # extended result codes keep the primary code in the low byte; source: SQLite C API
_PASSING_CODES = (sqlite3.SQLITE_BUSY, sqlite3.SQLITE_LOCKED, sqlite3.SQLITE_FULL)


class StoreError(Exception):
    """The store cannot do what was asked; nothing that was acknowledged is lost by it.

    passing  True when the very same call may succeed later (a lock, a full disk): keep what was to be
             written and try again
    """

    def __init__(self, sentence: str, *, passing: bool = False) -> None:
        super().__init__(sentence)
        self.passing = passing


def store_error_from(error: sqlite3.Error, path: Path) -> StoreError:
    """The sentence for what SQLite reported about the store at path."""
    code = getattr(error, "sqlite_errorcode", sqlite3.SQLITE_ERROR) & _PRIMARY_CODE_MASK
    return StoreError(_sentence(code, str(error), path), passing=code in _PASSING_CODES)


def _sentence(code: int, said: str, path: Path) -> str:
    store = f"store {path}"
    if code == sqlite3.SQLITE_FULL:
        return (
            f"{store} cannot grow, the disk is full: everything acknowledged is kept, free some space and "
            "write again"
        )
    if code in (sqlite3.SQLITE_BUSY, sqlite3.SQLITE_LOCKED):
        return f"{store} is locked by another program: close that program and try again"
    if code == sqlite3.SQLITE_NOTADB:
        return (
            f"{path} is not a database: give the path of a hoofsense store, or of a file that does not exist"
        )
    if code == sqlite3.SQLITE_CORRUPT:
        return f"{store} is damaged ({said}): keep the file as it is and go on from the latest backup"
    if code in (sqlite3.SQLITE_READONLY, sqlite3.SQLITE_PERM, sqlite3.SQLITE_AUTH):
        return f"{store} is read-only here: allow writing to the file and its folder, or choose another path"
    if code == sqlite3.SQLITE_CANTOPEN:
        return f"{store} cannot be opened: check that its folder exists and may be read and written"
    if code == sqlite3.SQLITE_IOERR:
        return (
            f"{store}: the disk reports an error ({said}): check the disk, then go on from the latest backup"
        )
    return f"{store}: the database reports {said!r}: keep the file as it is and report this sentence"


@contextmanager
def clear_sentences(path: Path) -> Iterator[None]:
    """Turn whatever SQLite raises inside into a StoreError about the store at path."""
    try:
        yield
    except sqlite3.Error as error:
        raise store_error_from(error, path) from error
