"""Runs a recording or a simulation through the one path and sums up what came of it."""

from __future__ import annotations

import json
import sys
import threading
from collections.abc import Callable, Iterable, Sequence
from contextlib import AbstractContextManager, ExitStack
from dataclasses import dataclass
from datetime import datetime
from pathlib import Path
from typing import Any

import click

from hoofsense.collector import Collector
from hoofsense.frames_ahead import Inbox, with_words
from hoofsense.plan_keeping import PlanKeeper
from hoofsense.records import NS_PER_S, RawFrame, Verdict
from hoofsense.screening import refused_counts
from hoofsense.sources.pacing import paced
from hoofsense.sources.recording import (
    ExpectedVerdict,
    expected_verdict_from,
    read_recording,
    write_recording,
)
from hoofsense.visit_state import VisitState
from hoofsense.visit_view import measured_rows

ShownOn = Callable[[Collector], AbstractContextManager[threading.Event]] | None


@dataclass(frozen=True, slots=True)
class Outcome:
    """What a visit came to: its verdicts as they changed, what was measured, and what went wrong."""

    title: str
    state: VisitState
    verdicts: tuple[Verdict, ...]
    differences: tuple[str, ...] = ()
    compared: int | None = None

    def warnings(self) -> list[str]:
        refused = [
            f"{source}: {count} readings refused ({reason})"
            for source, reason, count in refused_counts(self.state.screening)
            if reason != "duplicate"  # adverts repeat by design
        ]
        return [f"{_clock_text(at_ns)} {text}" for at_ns, text in self.state.notices] + refused

    def as_json(self) -> str:
        return json.dumps(
            {
                "title": self.title,
                "horse": self.state.horse,
                "invented": self.state.invented,
                "verdicts": [verdict_fields(v) for v in self.verdicts],
                "measurements": measured_rows(self.state),
                "warnings": self.warnings(),
                "compared": self.compared,
                "differences": list(self.differences),
            },
            ensure_ascii=False,
            indent=1,
        )

    def as_text(self) -> str:
        invented = " (simulated, invented data)" if self.state.invented else ""
        lines = [f"{self.title}{invented}", "", "Verdicts"]
        lines += [verdict_line(v) for v in self.verdicts]
        rows = measured_rows(self.state)
        if rows:
            lines += ["", "Measurements"]
            lines += [f"  {r['foot']} {r['site']}: {r['mm']:.2f} mm" for r in rows]
        warnings = self.warnings()
        lines += ["", "Warnings", *(f"  {w}" for w in warnings)] if warnings else []
        if self.compared is not None:
            lines += [
                "",
                f"Verdicts as recorded: {self.compared - len(self.differences)} of {self.compared}.",
            ]
            lines += [f"  {d}" for d in self.differences]
        return "\n".join(lines)


def verdict_fields(verdict: Verdict) -> dict[str, Any]:
    return {
        "at": datetime.fromtimestamp(verdict.at_ns / NS_PER_S).astimezone().isoformat(),
        "foot": verdict.foot.value,
        "question": verdict.question.value,
        "status": verdict.status.value,
        "call": verdict.call,
        "rule": verdict.rule,
        "because": verdict.because,
        "next_step": verdict.next_step,
        "estimates": [
            {
                "name": e.name,
                "value": e.value,
                "low": e.low,
                "high": e.high,
                "unit": e.unit,
                "model": e.model,
                "within_validity": e.within_validity,
                "reason": e.reason,
            }
            for e in verdict.estimates
        ],
    }


def _clock_text(at_ns: int) -> str:
    return datetime.fromtimestamp(at_ns / NS_PER_S).astimezone().strftime("%H:%M:%S")


def verdict_line(verdict: Verdict) -> str:
    said = f"{verdict.status.value}: {verdict.call}" if verdict.status.value != verdict.call else verdict.call
    return (
        f"  {_clock_text(verdict.at_ns)} {verdict.foot.value}  {verdict.question.value}\n"
        f"      {said}. {verdict.because} {verdict.next_step}"
    )


def differences(expected: Sequence[ExpectedVerdict], found: Sequence[ExpectedVerdict]) -> tuple[str, ...]:
    """Where two lists of verdict changes part, one sentence for each place."""
    told = []
    for index in range(max(len(expected), len(found))):
        want = expected[index] if index < len(expected) else None
        have = found[index] if index < len(found) else None
        if want != have:
            told.append(f"change {index + 1}: recorded {_short(want)}, found {_short(have)}")
    return tuple(told)


def _short(verdict: ExpectedVerdict | None) -> str:
    if verdict is None:
        return "nothing"
    said = f"{verdict.status.value} {verdict.call}: {verdict.because}"
    return f"{_clock_text(verdict.at_ns)} {verdict.foot.value} {said}"


def _run(
    frames: Iterable[RawFrame],
    count: int | None,
    *,
    mode: str,
    speed: float | None,
    as_json: bool,
    shown_on: ShownOn,
    store: Any = None,
    on_frame: Callable[[RawFrame], None] | None = None,
) -> Collector:
    """The one path, with a progress bar, or with the page and each verdict as it comes."""
    inbox, stopping = Inbox(), threading.Event()
    stream = paced(frames, speed, lambda seconds: collector.pause(seconds, stopping))
    with ExitStack() as stack:
        on_verdict: Callable[[Verdict], None] | None = None
        counted = on_frame
        if shown_on is not None and not as_json:
            on_verdict = lambda verdict: click.echo(verdict_line(verdict))  # noqa: E731
        elif not as_json:
            bar = stack.enter_context(click.progressbar(length=count or 0, label="Frames", file=sys.stderr))

            def counted(frame: RawFrame) -> None:
                bar.update(1)
                if on_frame is not None:
                    on_frame(frame)

        collector = Collector(
            with_words(stream, inbox), inbox, mode=mode, store=store, on_verdict=on_verdict, on_frame=counted,
            plans=None if shown_on is None else PlanKeeper(),
        )  # fmt: skip
        if shown_on is None:
            collector.run()
        else:
            stack.enter_context(shown_on(collector))
            try:
                collector.run()
                click.echo("The visit is over; the page stays open until Ctrl-C.", err=True)
                while not stopping.wait(1.0):
                    pass
            except KeyboardInterrupt:
                stopping.set()
    return collector


def replay_recording(name: str, *, speed: float | None, as_json: bool, shown_on: ShownOn = None) -> Outcome:
    """Replay a recording and compare its verdicts with those it was recorded with."""
    recording = read_recording(name)
    return replay_frames(
        list(recording.frames()),
        recording.expected_verdicts,
        recording.title,
        speed=speed,
        as_json=as_json,
        shown_on=shown_on,
    )


def replay_frames(
    frames: Sequence[RawFrame],
    expected: Sequence[ExpectedVerdict],
    title: str,
    *,
    speed: float | None = None,
    as_json: bool = False,
    shown_on: ShownOn = None,
) -> Outcome:
    """Fold frames that are on record already; verdicts are compared when all of them were folded."""
    collector = _run(frames, len(frames), mode="replay", speed=speed, as_json=as_json, shown_on=shown_on)
    found = collector.verdict_log
    complete = collector.frames_taken == len(frames) or collector.state.ended
    return Outcome(
        title,
        collector.state,
        tuple(found),
        differences(expected, [expected_verdict_from(v) for v in found]) if complete else (),
        len(expected) if complete else None,
    )


def run_simulation(
    scenario: str,
    seed: int,
    *,
    speed: float | None,
    as_json: bool,
    save: Path | None = None,
    store_path: Path | None = None,
    shown_on: ShownOn = None,
) -> Outcome:
    """Simulate a visit through the same path; save it as a recording or record it in a store if asked."""
    from hoofsense.sources.simulated import simulate
    from hoofsense.store import open_store

    kept: list[RawFrame] = []
    store = open_store(store_path) if store_path is not None else None
    try:
        collector = _run(
            simulate(scenario, seed=seed), None,
            mode="simulation", speed=speed, as_json=as_json, shown_on=shown_on, store=store,
            on_frame=kept.append if save is not None else None,
        )  # fmt: skip
    finally:
        if store is not None:
            store.close()
    title = f"Simulated visit {scenario}, seed {seed}"
    if save is not None:
        save_recording(save, title, kept, collector.verdict_log, collector.state.invented)
    return Outcome(title, collector.state, tuple(collector.verdict_log))


def save_recording(
    folder: Path,
    title: str,
    frames: Sequence[RawFrame],
    verdicts: Sequence[Verdict],
    invented: bool,
    lengths: str = "",
) -> None:
    """Save frames and their verdicts as a recording; ValueError or RecordingError when that cannot be.

    lengths  the visit's caliper readings as a table (length_table.table_text)
    """
    said = "Invented and simulated: no real horse, person or product." if invented else ""
    write_recording(
        folder,
        title=title,
        frames=frames,
        expected_verdicts=[expected_verdict_from(v) for v in verdicts],
        invented=invented,
        simulated=invented,
        description=said,
        licence="CC0-1.0" if invented else None,
        lengths=lengths,
    )
