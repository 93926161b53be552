"""Walks a person through the check of a caliper, over the very link that visits will read it by."""

from __future__ import annotations

import queue
import sys
import time
from collections.abc import Callable
from dataclasses import dataclass, replace
from datetime import date
from pathlib import Path

import click

from hoofsense.decoding import measurements_from
from hoofsense.estimators.caliper_check import (
    STEPS,
    CaliperCheck,
    Candidate,
    CheckStep,
    candidates_from_frame,
    candidates_from_value,
    check_begun,
    instruction,
    with_sample,
    without_inch_key,
)
from hoofsense.records import RawFrame
from hoofsense.sources.clock import SteadyClock
from hoofsense.sources.instrument_list import (
    KnownInstrument,
    read_instrument_list,
    write_instrument_list,
)
from hoofsense.sources.link import LinkError, LiveSource
from hoofsense.units import si_from
from hoofsense.wire.bridge_line import RAW_CALIPER_UNITS, Kind, decode_bridge_line
from hoofsense.wire.errors import FrameError

WAIT_s = 10.0  # for a value after Enter; our choice
NOTHING_CAME = 3  # times in a row, then the check is given up; our choice
LOOK_s = 0.05  # between looks at a link that is coming up; our choice
ADAPTER_KIND = "Bluetooth adapter"  # as the Bluetooth source calls it: its being on is no link yet
NO_KEY = "none"
STOP = "stop"


@dataclass(frozen=True, slots=True)
class CaliperLink:
    """The one link to read the caliper by: exactly one of the first three.

    port         a serial port or socket://host:port
    keyboard     a keyboard cable under /dev/input
    bluetooth    identity, name or address of a Bluetooth bridge
    gauge_unit   UCUM unit of what sends none
    """

    port: str | None = None
    keyboard: str | None = None
    bluetooth: str | None = None
    gauge_unit: str | None = None

    def __post_init__(self) -> None:
        if sum(one is not None for one in (self.port, self.keyboard, self.bluetooth)) != 1:
            raise ValueError("one caliper is checked at a time: give --serial, --keyboard or --bluetooth")
        if self.keyboard is not None and self.gauge_unit is None:
            raise ValueError("a keyboard cable sends no unit: add --gauge-unit mm or --gauge-unit in")

    def source(self, known_path: Path) -> LiveSource:
        """What reads it."""
        if self.port is not None:
            from hoofsense.sources.serial_port import SerialPort

            return SerialPort(self.port, gauge_unit=self.gauge_unit)
        if self.keyboard is not None and self.gauge_unit is not None:
            from hoofsense.sources.keyboard_wedge import KeyboardWedge

            return KeyboardWedge(self.keyboard, self.gauge_unit)
        from hoofsense.sources.bluetooth import BluetoothSource

        return BluetoothSource(only=(str(self.bluetooth),), known=read_instrument_list(known_path))


@dataclass(frozen=True, slots=True)
class _Length:
    """A length that arrived, in every way it can be read, and from whom."""

    source_id: str
    candidates: tuple[Candidate, ...]


def check_caliper(
    link: CaliperLink,
    block_mm: float,
    known_path: Path,
    heard: Callable[[], str] | None = None,
    wait_s: float = WAIT_s,
    today: Callable[[], date] = date.today,
) -> bool:
    """Run the check and keep its result in known_path; whether it passed.

    heard   waits for the person and gives what they typed, "" at the end of input; None: standard input
    raises  ValueError for a block that tells nothing; LinkError when nothing answers or the person stops:
            what was known of the caliper then stays as it was
    """
    check = check_begun(si_from(block_mm, "mm"))
    frames: queue.SimpleQueue[RawFrame] = queue.SimpleQueue()
    source = link.source(known_path)
    source.start(frames.put, SteadyClock.anchored_now())
    values = _Values(frames, source, wait_s)
    try:
        values.wait_for_link()
        check = _walked_through(check, values, sys.stdin.readline if heard is None else heard)
    finally:
        source.stop()
    _remember(known_path, values.source_id, source, check, today())
    if check.passed:
        click.echo(f"The caliper at {values.source_id} passed; its lengths can be trusted.")
    else:
        click.echo(f"The caliper at {values.source_id} did not pass: visits will warn of its lengths.")
    return check.passed


def _walked_through(check: CaliperCheck, values: _Values, heard: Callable[[], str]) -> CaliperCheck:
    while check.step is not None:
        place = STEPS.index(check.step) + 1
        no_key = f" If it has no such key, type {NO_KEY}." if check.step is CheckStep.INCH else ""
        values.forget()
        click.echo(f"{place} of {len(STEPS)}  {instruction(check)} Then press Enter.{no_key}")
        typed = heard()
        said = typed.strip().lower()
        if not typed or said == STOP:
            raise LinkError("the check was stopped: what was known of this caliper stays as it was")
        if said == NO_KEY and check.step is CheckStep.INCH:
            check = without_inch_key(check)
            continue
        check, sentence = with_sample(check, values.next())
        click.echo(f"        {sentence}")
    return check


class _Values:
    """The lengths that arrive; source_id is who sent the latest."""

    def __init__(self, frames: queue.SimpleQueue[RawFrame], source: LiveSource, wait_s: float) -> None:
        self._frames = frames
        self._source = source
        self._wait_s = wait_s
        self.source_id = ""

    def wait_for_link(self) -> None:
        """Until the caliper's link stands; LinkError with the reason when it does not."""
        give_up_s = time.monotonic() + self._wait_s
        while not any(one.connected for one in self._source.status() if one.kind != ADAPTER_KIND):
            if time.monotonic() > give_up_s:
                raise LinkError(f"the caliper does not answer{self._why()}: connect it, then begin again")
            time.sleep(LOOK_s)

    def forget(self) -> None:
        """What arrived before the person was asked does not count."""
        while self._arrived(0.0) is not None:
            pass

    def next(self) -> tuple[Candidate, ...]:
        """The last length since then, else the first that comes now; LinkError when none does."""
        found = None
        while (frame := self._arrived(0.0)) is not None:
            found = _length_in(frame) or found
        for _ in range(NOTHING_CAME):
            if found is None:
                found = self._first()
            if found is not None:
                self.source_id = found.source_id
                return found.candidates
            click.echo(f"        Nothing came for {self._wait_s:g} s{self._why()}: send the value again.")
        raise LinkError(f"no length came{self._why()}: check cable, battery and port, then begin again")

    def _first(self) -> _Length | None:
        give_up_s = time.monotonic() + self._wait_s
        while (frame := self._arrived(give_up_s - time.monotonic())) is not None:
            found = _length_in(frame)
            if found is not None:
                return found
        return None

    def _arrived(self, timeout_s: float) -> RawFrame | None:
        try:
            return self._frames.get(timeout=timeout_s) if timeout_s > 0.0 else self._frames.get_nowait()
        except queue.Empty:
            return None

    def _why(self) -> str:
        notes = [status.note for status in self._source.status() if status.note]
        return f" ({'; '.join(notes)})" if notes else ""


def _length_in(frame: RawFrame) -> _Length | None:
    """The length in a frame; None for anything else, and for a frame that is damaged."""
    try:
        if frame.channel.startswith("line:hs1"):
            line = decode_bridge_line(frame.payload)
            if line.kind is Kind.MEASUREMENT and line.unit in RAW_CALIPER_UNITS and line.text:
                return _Length(frame.source_id, candidates_from_frame(line.text.encode("ascii"), line.unit))
        for one in measurements_from(frame):
            if one.value is not None and (candidates := candidates_from_value(one.value, one.unit)):
                return _Length(frame.source_id, candidates)
    except (FrameError, ValueError):
        return None
    return None


def _remember(known_path: Path, source_id: str, source: LiveSource, check: CaliperCheck, today: date) -> None:
    known = read_instrument_list(known_path)
    status = next((one for one in source.status() if one.source_id == source_id), None)
    kind, name = ("caliper", source_id) if status is None else (status.kind, status.name)
    one = known.called(source_id) or KnownInstrument(source_id, kind, name)
    one = replace(
        one,
        checked_on=today.isoformat() if check.passed else None,
        sign_bit=check.sign_bit if check.passed else None,
        inch_told=check.inch_told if check.passed else None,
    )
    write_instrument_list(known_path, known.with_instrument(one))
