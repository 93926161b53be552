"""What is on record: the list of visits, one visit again from its raw frames, and the page on either."""

from __future__ import annotations

import json
from collections.abc import Callable
from contextlib import AbstractContextManager
from datetime import datetime
from pathlib import Path
from threading import Event

from hoofsense.collector import Collector
from hoofsense.length_table import rows_of, table_text
from hoofsense.records import NS_PER_S
from hoofsense.replaying import Outcome, replay_frames, replay_recording, save_recording
from hoofsense.sources.recording import expected_verdict_from, recording_names
from hoofsense.store import StoreError, default_store_path, open_reader


def visits_listed(store_path: Path | None, as_json: bool) -> str:
    """Every visit on record, the newest first."""
    with open_reader(_path(store_path)) as store:
        summaries = store.visits()
    if as_json:
        return json.dumps(
            [
                {
                    "visit_id": v.visit_id,
                    "horse": v.horse,
                    "practice": v.practice,
                    "started": _local(v.started_ns).isoformat(),
                    "ended": None if v.ended_ns is None else _local(v.ended_ns).isoformat(),
                    "invented": v.invented,
                    "frames": v.frames,
                    "verdicts": v.verdicts,
                }
                for v in summaries
            ],
            ensure_ascii=False,
            indent=1,
        )
    if not summaries:
        return "No visit is on record yet: run hoofsense visit --horse NAME."
    lines = []
    for v in summaries:
        state = "open" if v.ended_ns is None else f"{(v.ended_ns - v.started_ns) / NS_PER_S / 60:.0f} min"
        invented = "  invented" if v.invented else ""
        lines.append(
            f"{_local(v.started_ns):%Y-%m-%d %H:%M}  {v.horse:<24} {state:>8}  {v.visit_id}{invented}"
        )
    return "\n".join(lines)


def one_visit(
    store_path: Path | None, visit_id: str, save: Path | None, table: Path | None = None
) -> Outcome:
    """One visit from its raw frames beside the verdicts it gave then.

    save   a new folder for it as a recording, its caliper readings beside its frames
    table  a new file for its caliper readings alone (CSV with units)
    """
    with open_reader(_path(store_path)) as store:
        frames, recorded = list(store.frames(visit_id)), store.verdicts(visit_id)
        summary = next(v for v in store.visits() if v.visit_id == visit_id)
    title = f"{summary.horse}, {_local(summary.started_ns):%Y-%m-%d %H:%M}"
    outcome = replay_frames(frames, [expected_verdict_from(v) for v in recorded], title)
    readings = rows_of(outcome.state)
    if save is not None:
        lengths = table_text(readings) if readings else ""
        save_recording(save, f"Visit of {title}", frames, recorded, summary.invented, lengths)
    if table is not None:
        _write_new(table, table_text(readings))
    return outcome


def _write_new(path: Path, text: str) -> None:
    try:
        with path.open("x", encoding="utf-8", newline="") as file:
            file.write(text)
    except FileExistsError:
        raise StoreError(f"{path} exists already: choose another name; nothing was changed") from None
    except OSError as error:
        raise StoreError(
            f"{path} cannot be written ({error.strerror}): choose a folder that can be"
        ) from None


def show_on_page(
    what: str,
    store_path: Path | None,
    shown_on: Callable[[Collector], AbstractContextManager[Event]] | None,
) -> None:
    """The page on a recording or on a past visit, as it stood at its end."""
    if what in recording_names() or Path(what).exists():
        replay_recording(what, speed=None, as_json=False, shown_on=shown_on)
        return
    path = _path(store_path)
    if not path.exists():
        known = ", ".join(recording_names())
        raise StoreError(f"{what!r} is neither a recording nor a visit: choose one of {known}")
    with open_reader(path) as store:
        frames, recorded = list(store.frames(what)), store.verdicts(what)
    replay_frames(frames, [expected_verdict_from(v) for v in recorded], what, shown_on=shown_on)


def _path(store_path: Path | None) -> Path:
    return default_store_path() if store_path is None else store_path


def _local(at_ns: int) -> datetime:
    return datetime.fromtimestamp(at_ns / NS_PER_S).astimezone()
