"""The store in the van: every frame as it arrived, bins to draw from, verdicts as they changed.

Order is the order of arrival, so that a replay folds exactly what the live run folded.
"""

from __future__ import annotations

import sqlite3
import threading
from collections.abc import Callable, Iterator, Sequence
from contextlib import closing, contextmanager
from pathlib import Path
from types import TracebackType

from hoofsense.records import RawFrame, Verdict
from hoofsense.store.backup import BackupReport, write_backup
from hoofsense.store.connection import (
    WriterLock,
    connect_to_read,
    connect_to_write,
    refuse_old_sqlite,
    version_on_disk,
    wal_caution,
)
from hoofsense.store.errors import StoreError, clear_sentences
from hoofsense.store.frame_rows import (
    DamagedChunk,
    StreamNumbers,
    frames_in_chunks,
    frames_in_rows,
    insert_frames,
    pack_rows,
)
from hoofsense.store.points import BIN_NS, Point, TraceBin, bin_sums
from hoofsense.store.schema import SCHEMA_VERSION
from hoofsense.store.verdict_rows import VERDICT_COLUMNS, verdict_from_row, verdict_row
from hoofsense.store.visit_rows import (
    VisitRow,
    VisitSummary,
    begin_fields,
    find_visit,
    insert_visit,
    unfinished_visit_id,
    visit_summaries,
)


def open_store(path: Path | str, *, create: bool = True) -> Store:
    """The store at path, for the one program that writes to it; made when missing unless create is False.

    An older store is brought up to this version.
    raises  StoreError when it is missing, not a store, newer than this program, written by another program,
            read-only, damaged, or the disk is full; nothing is changed then
    """
    refuse_old_sqlite(sqlite3.sqlite_version_info)
    path = Path(path).expanduser().resolve()
    _refuse_folder(path)
    if path.exists():
        version_on_disk(path)
    elif not create:
        raise StoreError(f"there is no store at {path}: check the path, or run a visit to make one")
    else:
        try:
            path.parent.mkdir(parents=True, exist_ok=True)
        except OSError as error:
            raise StoreError(
                f"folder {path.parent} cannot be made ({error.strerror}): choose another path for the store"
            ) from error
    lock = WriterLock(path)
    try:
        return Store(path, connect_to_write(path), lock)
    except BaseException:
        lock.release()
        raise


def open_reader(path: Path | str) -> Store:
    """The store at path for reading only, also while a collector writes to it.

    An older store that nobody writes to is brought up to this version first.
    raises  StoreError as open_store; a missing store is never made
    """
    refuse_old_sqlite(sqlite3.sqlite_version_info)
    path = Path(path).expanduser().resolve()
    _refuse_folder(path)
    if not path.exists():
        raise StoreError(f"there is no store at {path}: check the path, or run a visit to make one")
    version = version_on_disk(path)
    if version == 0:
        raise StoreError(f"{path} is an empty file, not a store: check the path, or run a visit to make one")
    if version < SCHEMA_VERSION:
        open_store(path, create=False).close()
    return Store(path, connect_to_read(path), None)


def _refuse_folder(path: Path) -> None:
    if path.is_dir():
        raise StoreError(f"{path} is a folder: give the path of a file for the store")


class Store:
    """Visits on disk; made by open_store or open_reader, closed by close() or a with statement.

    Every writing call is one transaction that is on the disk (synchronous FULL) when the call returns, or
    not there at all. Calls may come from any thread, one at a time.
    """

    def __init__(self, path: Path, connection: sqlite3.Connection, lock: WriterLock | None) -> None:
        self.path = path
        self._connection = connection
        self._lock = lock
        self._guard = threading.RLock()
        self._closed = False
        self._streams: StreamNumbers = {}
        self._series: dict[str, int] = {}
        self._open_visit: tuple[str, int] | None = None

    def __enter__(self) -> Store:
        return self

    def __exit__(
        self, kind: type[BaseException] | None, error: BaseException | None, trace: TracebackType | None
    ) -> None:
        self.close()

    def close(self) -> None:
        """Close the connection and let another program write; closing twice does nothing."""
        with self._guard:
            if self._closed:
                return
            self._closed = True
            self._connection.close()
            if self._lock is not None:
                self._lock.release()

    @property
    def read_only(self) -> bool:
        return self._lock is None

    def caution(self) -> str | None:
        """A sentence for the person when this SQLite has a known danger, else None."""
        return wal_caution(sqlite3.sqlite_version_info)

    @contextmanager
    def _reading(self) -> Iterator[sqlite3.Connection]:
        with self._guard, clear_sentences(self.path):
            if self._closed:
                raise ValueError(f"store {self.path} is closed: open it again")
            yield self._connection

    @contextmanager
    def _writing(self) -> Iterator[sqlite3.Connection]:
        with self._reading() as connection:
            if self.read_only:
                raise ValueError(f"store {self.path} was opened for reading only: use open_store to write")
            connection.execute("BEGIN IMMEDIATE")
            try:
                yield connection
                connection.execute("COMMIT")
            except BaseException:
                self._streams.clear()
                self._series.clear()
                self._open_visit = None
                if connection.in_transaction:
                    connection.execute("ROLLBACK")
                raise

    # visits

    def begin_visit(self, begin_json: str, started_ns: int, frames: Sequence[RawFrame] = ()) -> str:
        """Open a visit and append its first frames (the begin mark's own among them) in one transaction.

        begin_json  the begin mark's JSON object with visit_id, horse, practice (text) and invented (bool)
        returns     its visit_id
        raises      ValueError for a begin mark that lacks them; StoreError while another visit is open and
                    for a visit_id that is here already
        """
        begin = begin_fields(begin_json)
        with self._writing() as connection:
            open_id = unfinished_visit_id(connection)
            if open_id is not None:
                raise StoreError(f"visit {open_id} is still open in {self.path}: resume it or end it first")
            if find_visit(connection, begin.visit_id) is not None:
                raise StoreError(
                    f"visit {begin.visit_id} is in {self.path} already: give the new visit an id of its own"
                )
            visit_no = insert_visit(connection, begin, started_ns, begin_json)
            insert_frames(connection, visit_no, frames, self._streams)
        return begin.visit_id

    def end_visit(self, visit_id: str, ended_ns: int) -> None:
        """Close a visit and pack its rows into chunks, in one transaction: it is ended and packed, or open.

        raises  StoreError when it is not here or the disk is full (it stays open and whole);
                ValueError when it has ended
        """
        with self._writing() as connection:
            visit_no = self._open_visit_no(connection, visit_id)
            count = pack_rows(connection, visit_no, visit_id)
            connection.execute(
                "UPDATE visit SET ended_ns = ?, frame_count = ? WHERE visit_no = ?",
                (ended_ns, count, visit_no),
            )
            self._open_visit = None

    def unfinished_visit(self) -> str | None:
        """The visit that was begun and not ended, for instance because the program was killed; else None."""
        with self._reading() as connection:
            return unfinished_visit_id(connection)

    def visits(self) -> list[VisitSummary]:
        """Every visit, the newest first."""
        with self._reading() as connection:
            return visit_summaries(connection)

    # readings

    def append(
        self,
        frames: Sequence[RawFrame],
        points: Sequence[Point],
        verdicts: Sequence[Verdict],
        visit_id: str,
    ) -> None:
        """Add to an open visit: raw frames first, then bins and verdict changes, in one transaction.

        raises  StoreError when the visit is not here, the store is locked or the disk is full: then nothing
                of this call is stored, so keep it and call again; ValueError when the visit has ended
        """
        if not (frames or points or verdicts):
            return
        with self._writing() as connection:
            visit_no = self._open_visit_no(connection, visit_id)
            insert_frames(connection, visit_no, frames, self._streams)
            connection.executemany(
                "INSERT INTO bin (visit_no, series_no, t0_ns, lo, hi, sum, n) VALUES (?, ?, ?, ?, ?, ?, ?) "
                "ON CONFLICT DO UPDATE SET lo = min(lo, excluded.lo), hi = max(hi, excluded.hi), "
                "sum = sum + excluded.sum, n = n + excluded.n",
                [
                    (visit_no, self._series_no(connection, series), t0_ns, held.lo, held.hi, held.sum, held.n)
                    for (series, t0_ns), held in bin_sums(points).items()
                ],
            )
            connection.executemany(
                f"INSERT INTO verdict (visit_no, {VERDICT_COLUMNS}) VALUES (?, ?, ?, ?, ?, ?, ?, ?, ?, ?, ?)",
                [(visit_no, *verdict_row(verdict)) for verdict in verdicts],
            )

    def frames(
        self,
        visit_id: str,
        after_ns: int | None = None,
        *,
        on_damage: Callable[[DamagedChunk], None] | None = None,
    ) -> Iterator[RawFrame]:
        """The visit's frames in the order they arrived, of one moment, whatever is appended meanwhile.

        after_ns   only frames whose steady_ns is later than this
        on_damage  told of each chunk that cannot be read, which is then skipped; without it a damaged or
                   missing chunk is a StoreError naming it and the span of time lost
        raises     StoreError when the visit is not here
        """
        with self._reading() as connection:
            self._visit(connection, visit_id)
        return self._frames(visit_id, after_ns, on_damage)

    def _frames(
        self, visit_id: str, after_ns: int | None, on_damage: Callable[[DamagedChunk], None] | None
    ) -> Iterator[RawFrame]:
        # A connection of its own: a snapshot that neither sees nor delays what is written meanwhile.
        with clear_sentences(self.path), closing(connect_to_read(self.path)) as connection:
            connection.execute("BEGIN")
            visit = self._visit(connection, visit_id)
            if visit.ended_ns is None:
                frames = frames_in_rows(connection, visit.visit_no)
            else:
                span_ns = (visit.started_ns, visit.ended_ns)
                count = visit.frame_count or 0
                frames = frames_in_chunks(connection, visit.visit_no, visit_id, span_ns, count, on_damage)
            if after_ns is None:
                yield from frames
            else:
                yield from (frame for frame in frames if frame.received_at.steady_ns > after_ns)

    def trace(self, visit_id: str, series: str, since_ns: int, until_ns: int) -> list[TraceBin]:
        """10 s bins of a series that overlap since_ns (inclusive) to until_ns (exclusive), in time order."""
        with self._reading() as connection:
            rows = connection.execute(
                "SELECT t0_ns, lo, hi, sum / n, n FROM bin WHERE visit_no = ? AND series_no = "
                "(SELECT series_no FROM series WHERE name = ?) AND t0_ns > ? AND t0_ns < ? ORDER BY t0_ns",
                (self._visit(connection, visit_id).visit_no, series, since_ns - BIN_NS, until_ns),
            ).fetchall()
        return [TraceBin(*row) for row in rows]

    def series(self, visit_id: str) -> tuple[str, ...]:
        """Names of the series that have bins in this visit, in alphabetical order."""
        with self._reading() as connection:
            rows = connection.execute(
                "SELECT DISTINCT name FROM bin JOIN series USING (series_no) "
                "WHERE visit_no = ? ORDER BY name",
                (self._visit(connection, visit_id).visit_no,),
            ).fetchall()
        return tuple(name for (name,) in rows)

    def verdicts(self, visit_id: str) -> list[Verdict]:
        """The visit's verdict changes in the order they were stored."""
        with self._reading() as connection:
            rows = connection.execute(
                f"SELECT {VERDICT_COLUMNS} FROM verdict WHERE visit_no = ? ORDER BY verdict_no",
                (self._visit(connection, visit_id).visit_no,),
            ).fetchall()
        try:
            return [verdict_from_row(row) for row in rows]
        except (ValueError, KeyError, TypeError) as error:
            raise StoreError(
                f"a verdict of visit {visit_id} in {self.path} cannot be read ({error}): "
                "replay the visit from its frames"
            ) from error

    # clock and safety

    def boot_anchor(self, boot: str) -> int | None:
        """UTC ns that the steady clock of this boot adds to its monotonic clock; None for an unknown boot."""
        with self._reading() as connection:
            row = connection.execute("SELECT anchor_ns FROM boot WHERE boot = ?", (boot,)).fetchone()
        return None if row is None else int(row[0])

    def set_boot_anchor(self, boot: str, anchor_ns: int) -> None:
        """Remember the anchor of a boot; once set it stays, ValueError for another value."""
        with self._writing() as connection:
            (held,) = connection.execute(
                "INSERT INTO boot (boot, anchor_ns) VALUES (?, ?) "
                "ON CONFLICT DO UPDATE SET anchor_ns = anchor_ns RETURNING anchor_ns",
                (boot, anchor_ns),
            ).fetchone()
            if held != anchor_ns:
                raise ValueError(f"boot {boot} is anchored at {held} ns already: read it with boot_anchor")

    def backup(self, path: Path | str) -> BackupReport:
        """Write a verified copy of the whole store to path, which must not exist; see write_backup."""
        return write_backup(self.path, Path(path).expanduser().absolute())

    # rows

    def _visit(self, connection: sqlite3.Connection, visit_id: str) -> VisitRow:
        visit = find_visit(connection, visit_id)
        if visit is None:
            raise StoreError(f"there is no visit {visit_id} in {self.path}: choose one that visits() lists")
        return visit

    def _open_visit_no(self, connection: sqlite3.Connection, visit_id: str) -> int:
        if self._open_visit is not None and self._open_visit[0] == visit_id:
            return self._open_visit[1]
        visit = self._visit(connection, visit_id)
        if visit.ended_ns is not None:
            raise ValueError(f"visit {visit_id} has ended: begin a new one")
        self._open_visit = (visit_id, visit.visit_no)
        return visit.visit_no

    def _series_no(self, connection: sqlite3.Connection, name: str) -> int:
        number = self._series.get(name)
        if number is None:
            connection.execute("INSERT INTO series (name) VALUES (?) ON CONFLICT DO NOTHING", (name,))
            (number,) = connection.execute("SELECT series_no FROM series WHERE name = ?", (name,)).fetchone()
            self._series[name] = int(number)
        return int(number)
