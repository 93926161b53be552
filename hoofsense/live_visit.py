"""A visit beside the horse: instruments, store, the terminal's words and the page, in one process."""

from __future__ import annotations

import dataclasses
import os
import signal
import sys
import threading
import time
import uuid
from collections.abc import Callable, Sequence
from contextlib import AbstractContextManager, ExitStack, closing
from datetime import datetime
from pathlib import Path
from typing import Any

import click

from hoofsense.collector import Collector
from hoofsense.foot_history import begin_history
from hoofsense.frames_ahead import Inbox, Said, live
from hoofsense.length_table import TableRow, read_table, remarks
from hoofsense.materials import load_profile
from hoofsense.plan_keeping import PlanKeeper
from hoofsense.planning import plan_text
from hoofsense.practice_file import practice_named, practices_path
from hoofsense.practice_settings import settings_fields
from hoofsense.records import NS_PER_S, Foot, RawFrame
from hoofsense.replaying import verdict_line
from hoofsense.sources.clock import SteadyClock, boot_id
from hoofsense.sources.instrument_list import KnownInstrument, read_instrument_list, write_instrument_list
from hoofsense.sources.link import LiveSource
from hoofsense.store import Store, StoreError, default_store_path, known_instruments_path, open_store
from hoofsense.terminal_words import HELP, instrument_lines, words_to_mark
from hoofsense.visit_marks import mark_payload

RESUME_WITHIN_NS = (
    12 * 3600 * NS_PER_S
)  # a visit is one horse on one day (our choice of how long a day lasts)


BEGIN_LOOK_S = 0.05  # how often it is looked whether the visit has begun
REHEARSAL_FILE_NAME = "rehearsal.sqlite3"  # rehearsals stay out of the record that retention is learned from


def new_visit_id() -> str:
    """A UUID of version 7 (RFC 9562): 48 bits of Unix milliseconds, then random bits."""
    milliseconds = time.time_ns() // 1_000_000
    random = int.from_bytes(os.urandom(10))
    value = (
        milliseconds << 80 | 0x7 << 76 | (random >> 68 & 0xFFF) << 64 | 0b10 << 62 | (random & (1 << 62) - 1)
    )
    text = f"{value:032x}"
    return "-".join((text[:8], text[8:12], text[12:16], text[16:20], text[20:]))


def live_sources(
    ports: Sequence[str],
    gauge_unit: str | None,
    bluetooth: bool,
    known_path: Path,
    keyboards: Sequence[str] = (),
) -> list[LiveSource]:
    """The instruments to listen to: every named port and cable, and Bluetooth unless it was declined.

    known_path  the file in which this computer keeps the instruments it knows, their roles and keys
    raises      ValueError for a keyboard cable without a unit: it sends none, and none is guessed
    """
    sources: list[LiveSource] = []
    unit = {"mm": "mm", "in": "[in_i]", None: None}[gauge_unit]
    if ports:
        from hoofsense.sources.serial_port import SerialPort

        sign_bits = read_instrument_list(known_path).sign_bits()
        sources += [SerialPort(port, gauge_unit=unit, sign_bits=sign_bits) for port in ports]
    if keyboards:
        from hoofsense.sources.keyboard_wedge import KeyboardWedge

        if unit is None:
            raise ValueError("a keyboard cable sends no unit: add --gauge-unit mm or --gauge-unit in")
        sources += [KeyboardWedge(device, unit) for device in keyboards]
    if bluetooth:
        from hoofsense.sources.bluetooth import BluetoothSource

        def remember(instrument: KnownInstrument) -> None:
            write_instrument_list(known_path, read_instrument_list(known_path).with_seen(instrument))

        sources.append(BluetoothSource(known=read_instrument_list(known_path), remember=remember))
    return sources


def roles_kept(known_path: Path) -> dict[str, str]:
    """The roles a person gave to instruments, by our own identity of each; bridges name their own sensors."""
    known = read_instrument_list(known_path).instruments
    return {one.source_id: one.role for one in known if one.role is not None and one.role != "bridge"}


def calipers_checked(known_path: Path) -> list[str]:
    """Our own identity of every instrument whose caliper passed the guided check."""
    return [
        one.source_id for one in read_instrument_list(known_path).instruments if one.checked_on is not None
    ]


def run_live_visit(
    *,
    horse: str | None,
    practice: str,
    feet: str,
    material: str,
    ports: Sequence[str],
    keyboards: Sequence[str] = (),
    gauge_unit: str | None,
    bluetooth: bool,
    rehearsal: bool = False,
    close_open: bool,
    table: Path | None = None,
    store_path: Path | None,
    shown_on: Callable[[Collector], AbstractContextManager[threading.Event]] | None,
) -> None:
    """Run until the visit is ended or Ctrl-C; a visit left open is taken up where it was.

    table  a typed table of lengths that is read in at once
    """
    rows = () if table is None else read_table(table)
    profile = load_profile(material)
    names = [name.strip().upper() for name in feet.split(",") if name.strip()]
    strange = [name for name in names if name not in Foot.__members__]
    if strange or not names:
        raise ValueError(f"feet {feet!r} are not among LF, RF, LH, RH: name them like LF,RF")
    path = store_path or default_store_path()
    if rehearsal and store_path is None:
        path = path.with_name(REHEARSAL_FILE_NAME)
    with ExitStack() as stack:
        store = stack.enter_context(open_store(path))
        caution = store.caution()
        if caution:
            click.echo(f"Caution: {caution}", err=True)
        known_path = known_instruments_path(path)
        past = _frames_to_take_up(store, horse, close_open)
        clock = _clock(store, past[-1].at_ns if past else None)
        inbox, stopping = Inbox(), threading.Event()
        sources = live_sources(ports, gauge_unit, bluetooth, known_path, keyboards)
        decided = {"roles": roles_kept(known_path), "checked": calipers_checked(known_path)}
        if past:
            again = {"mark": "instruments", "id": f"instruments-{uuid.uuid4()}", **decided}
            inbox.put(Said("terminal", "mark", mark_payload(again)))
        else:
            if not horse:
                raise ValueError("a new visit needs a horse: add --horse NAME")
            begin = {
                "mark": "begin",
                "id": "begin",
                "visit_id": new_visit_id(),
                "horse": horse,
                "practice": practice,
                "feet": names,
                "horn_mm": {},
                **decided,
                "material": dataclasses.asdict(profile),
                "invented": rehearsal,
                **_practice_way(path, practice),
                **begin_history(store, horse, rehearsal),
            }
            inbox.put(Said("terminal", "mark", mark_payload(begin)))
        notices = _Notices(past[-1].at_ns if past else 0)
        frames = stack.enter_context(closing(live(sources, clock, inbox, stopping)))
        collector = Collector(
            frames, inbox, mode="live", store=store, past=past,
            on_verdict=lambda verdict: click.echo(verdict_line(verdict)),
            on_frame=lambda _: notices.tell(collector.state.notices),
            plans=PlanKeeper(),
        )  # fmt: skip
        if shown_on is not None:
            stack.enter_context(shown_on(collector))
        threading.Thread(target=_listen_to_words, args=(collector, stopping, rows), daemon=True).start()
        for ending in (signal.SIGINT, signal.SIGTERM):
            signal.signal(ending, lambda *_: stopping.set())
        collector.run()
        said = "ended" if collector.state.ended else "left open; run hoofsense visit again to take it up"
        click.echo(f"Visit {collector.state.visit_id} of {collector.state.horse} {said}.")


def _practice_way(store_path: Path, practice: str) -> dict[str, Any]:
    """What a begin mark says of the practice: its order of sites and how it pours."""
    settings, _ = practice_named(practices_path(store_path), practice)
    fields = settings_fields(settings)
    return {
        "sheet": fields["before_pour"],
        "sheet_after_trim": fields["after_trim"],
        "settings": {"pouring": fields["pouring"], "balance": fields["balance"]},
    }


def _frames_to_take_up(store: Store, horse: str | None, close_open: bool) -> list[RawFrame]:
    """Frames of the visit that was left open; ends it instead when told to."""
    open_id = store.unfinished_visit()
    if open_id is None:
        return []
    summary = next(v for v in store.visits() if v.visit_id == open_id)
    frames = list(store.frames(open_id))
    if close_open:
        store.end_visit(open_id, frames[-1].at_ns if frames else summary.started_ns)
        click.echo(f"Ended the visit of {summary.horse} that was left open.")
        return []
    too_old = bool(frames) and time.time_ns() - frames[-1].received_at.wall_ns > RESUME_WITHIN_NS
    if too_old or (horse is not None and horse != summary.horse):
        why = "from another day" if too_old else f"of {summary.horse}"
        raise StoreError(
            f"a visit {why} is still open in {store.path}: run again without --horse to take it up, "
            "or with --close-open to end it"
            if not too_old
            else f"a visit {why} ({summary.horse}) is still open in {store.path}: add --close-open to end it"
        )
    click.echo(f"Taking up the visit of {summary.horse} where it was: {len(frames)} frames on record.")
    return frames


def _clock(store: Store, floor_ns: int | None) -> SteadyClock:
    """The steady clock of this boot, going on from where an earlier run of the same boot left it."""
    boot = boot_id()
    anchor = store.boot_anchor(boot)
    if anchor is not None:
        return SteadyClock(anchor, boot=boot)
    clock = SteadyClock.anchored_now(floor_ns, boot=boot)
    store.set_boot_anchor(boot, clock.anchor_ns)
    return clock


class _Notices:
    """Tells each notice once, on the terminal; those from before after_ns were told by an earlier run."""

    def __init__(self, after_ns: int) -> None:
        self._after_ns = after_ns
        self._told: tuple[tuple[int, str], ...] = ()

    def tell(self, notices: tuple[tuple[int, str], ...]) -> None:
        if notices is self._told:
            return
        for at_ns, text in notices:
            if at_ns > self._after_ns and (at_ns, text) not in self._told:
                click.echo(f"  {datetime.fromtimestamp(at_ns / NS_PER_S):%H:%M:%S} ! {text}")
        self._told = notices


def _listen_to_words(collector: Collector, stopping: threading.Event, rows: Sequence[TableRow] = ()) -> None:
    """Read words from standard input until it closes; each becomes a mark, a value, or one sentence back."""
    last_mark: list[str] = []
    if rows:
        while not collector.view()["visit_id"]:
            if stopping.wait(BEGIN_LOOK_S):
                return
        _read_in(collector, rows, last_mark)
    for line in sys.stdin:
        if stopping.is_set():
            return
        words = line.strip()
        if not words:
            continue
        if words == "help":
            click.echo(HELP)
            continue
        if words == "instruments":
            click.echo(instrument_lines(collector.view()))
            continue
        if words == "plan":
            click.echo(_plan_said(collector.view()))
            continue
        try:
            if words.startswith("table "):
                _read_in(collector, read_table(Path(words.removeprefix("table ").strip())), last_mark)
                continue
            foot = (collector.view().get("in_hand") or {}).get("foot")
            said = words_to_mark(words, foot, last_mark[-1] if last_mark else None)
            _say(collector, said, last_mark)
        except ValueError as why:
            click.echo(str(why), err=True)


def _read_in(collector: Collector, rows: Sequence[TableRow], last_mark: list[str]) -> None:
    """Send a table's readings, one mark for each foot."""
    for remark in remarks(rows):
        click.echo(remark, err=True)
    for foot in dict.fromkeys(row.foot for row in rows if not row.when):
        said = [
            {"site": row.site.value, "value": row.text} for row in rows if row.foot is foot and not row.when
        ]
        try:
            last_mark.append(
                collector.mark({"mark": "table", "foot": foot.value, "rows": said}, source_id="terminal")
            )
        except ValueError as why:
            click.echo(str(why), err=True)
            continue
        click.echo(f"{len(said)} readings of {foot.value} were read in from the table.")


def _plan_said(view: dict[str, Any]) -> str:
    foot = (view.get("in_hand") or {}).get("foot")
    plan = view.get(f"plan/{foot}")
    return "No foot is in hand: type LF, RF, LH or RH first." if plan is None else plan_text(plan)


def _say(collector: Collector, said: dict[str, Any] | str, last_mark: list[str]) -> None:
    if isinstance(said, str):
        collector.typed(said, source_id="terminal")
        return
    mark_id = collector.mark(said, source_id="terminal")
    if said["mark"] == "undo":
        last_mark.pop()
    elif said["mark"] not in ("hand", "note", "end"):
        last_mark.append(mark_id)
