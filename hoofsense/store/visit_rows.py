"""Visits as rows, and what a begin mark must say for one."""

from __future__ import annotations

import json
import sqlite3
from dataclasses import dataclass


@dataclass(frozen=True, slots=True)
class VisitSummary:
    """One visit in a list. ended_ns is None while it is open; begin_json is the begin mark's JSON."""

    visit_id: str
    horse: str
    practice: str
    started_ns: int
    ended_ns: int | None
    invented: bool
    frames: int
    verdicts: int
    begin_json: str


@dataclass(frozen=True, slots=True)
class VisitRow:
    """What is needed to read or write a visit; frame_count is None while it is open."""

    visit_no: int
    started_ns: int
    ended_ns: int | None
    frame_count: int | None


@dataclass(frozen=True, slots=True)
class BeginFields:
    """The fields of a begin mark that the store itself needs."""

    visit_id: str
    horse: str
    practice: str
    invented: bool


def begin_fields(begin_json: str) -> BeginFields:
    """Fields of a begin mark's JSON object; ValueError when one is missing or of the wrong type."""
    try:
        begin = json.loads(begin_json)
    except json.JSONDecodeError as error:
        raise ValueError(f"the begin mark is not JSON ({error}): send the mark's object") from error
    if not isinstance(begin, dict):
        raise ValueError("the begin mark is not a JSON object: send the mark's object")
    texts = []
    for name in ("visit_id", "horse", "practice"):
        text = begin.get(name)
        if not isinstance(text, str) or (name == "visit_id" and not text):
            raise ValueError(f"the begin mark gives {text!r} as {name}: give it as text")
        texts.append(text)
    invented = begin.get("invented")
    if not isinstance(invented, bool):
        raise ValueError(f"the begin mark gives {invented!r} as invented: give true or false")
    visit_id, horse, practice = texts
    return BeginFields(visit_id, horse, practice, invented)


def insert_visit(connection: sqlite3.Connection, begin: BeginFields, started_ns: int, begin_json: str) -> int:
    """Number of the new visit row."""
    (visit_no,) = connection.execute(
        "INSERT INTO visit (visit_id, horse, practice, started_ns, invented, begin_json) "
        "VALUES (?, ?, ?, ?, ?, ?) RETURNING visit_no",
        (begin.visit_id, begin.horse, begin.practice, started_ns, int(begin.invented), begin_json),
    ).fetchone()
    return int(visit_no)


def find_visit(connection: sqlite3.Connection, visit_id: str) -> VisitRow | None:
    row = connection.execute(
        "SELECT visit_no, started_ns, ended_ns, frame_count FROM visit WHERE visit_id = ?", (visit_id,)
    ).fetchone()
    return None if row is None else VisitRow(*row)


def unfinished_visit_id(connection: sqlite3.Connection) -> str | None:
    row = connection.execute(
        "SELECT visit_id FROM visit WHERE ended_ns IS NULL ORDER BY visit_no DESC LIMIT 1"
    ).fetchone()
    return None if row is None else str(row[0])


def visit_summaries(connection: sqlite3.Connection) -> list[VisitSummary]:
    """Every visit, the newest first."""
    rows = connection.execute(
        "SELECT visit_id, horse, practice, started_ns, ended_ns, invented, coalesce(frame_count, "
        "(SELECT count(*) FROM frame WHERE frame.visit_no = visit.visit_no)), "
        "(SELECT count(*) FROM verdict WHERE verdict.visit_no = visit.visit_no), begin_json "
        "FROM visit ORDER BY started_ns DESC, visit_no DESC"
    ).fetchall()
    return [
        VisitSummary(visit_id, horse, practice, started_ns, ended_ns, bool(invented), frames, verdicts, begin)
        for visit_id, horse, practice, started_ns, ended_ns, invented, frames, verdicts, begin in rows
    ]
