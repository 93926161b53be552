"""Is this computer ready for a visit, and if not, what is to be done about it."""

from __future__ import annotations

import json
import os
import shutil
import socket
import stat
import sys
import time
from collections.abc import Callable, Iterator, Sequence
from dataclasses import asdict, dataclass
from enum import Enum
from pathlib import Path

from hoofsense.records import NS_PER_S
from hoofsense.sources.clock import boot_id, monotonic_ns
from hoofsense.sources.clock_sync import clock_is_synchronised
from hoofsense.sources.instrument_list import OWNER_ONLY, read_instrument_list
from hoofsense.sources.link import LinkError
from hoofsense.store import StoreError, default_store_path, known_instruments_path
from hoofsense.store.examination import Examination, examined

LISTEN_s = 1.0  # to Bluetooth: enough to see whether listening is possible; our choice
SPACE_NEEDED_bytes = 500_000_000  # a long day's record many times over (see the soak study); our choice
CLOCK_STEP_NS = NS_PER_S  # as sources.clock tells a step
FUTURE_NS = 3600 * NS_PER_S  # a record may be so far ahead of a clock that was set since; our choice
MB = 1_000_000
DIALOUT = "dialout"  # the group that may open serial ports on Debian


class State(Enum):
    OK = "OK"
    NOTE = "NOTE"  # worth knowing; a visit can begin
    FIX = "FIX"  # something to do first


@dataclass(frozen=True, slots=True)
class Finding:
    """One thing looked at: what it is, how it stands, and the fact with what to do."""

    subject: str
    state: State
    says: str


def check_computer(store_path: Path | None, bluetooth: bool, page_port: int) -> list[Finding]:
    """Everything a visit needs of this computer, looked at without changing it."""
    path = store_path or default_store_path()
    store, found = store_findings(path)
    return [
        *(bluetooth_findings(_listen) if bluetooth else ()),
        *port_findings(),
        *store,
        *clock_findings(time.time_ns(), monotonic_ns(), clock_is_synchronised(), found),
        space_finding(path),
        *instrument_findings(known_instruments_path(path)),
        page_port_finding(page_port),
    ]


def as_text(findings: Sequence[Finding]) -> str:
    """A line for each, what is to be done last in one sentence."""
    lines = [f"{one.state.value:<5} {one.subject:<20} {one.says}" for one in findings]
    fixes = sum(one.state is State.FIX for one in findings)
    lines.append("Ready for a visit." if not fixes else f"Not ready yet: {fixes} to fix, marked FIX above.")
    return "\n".join(lines)


def as_json(findings: Sequence[Finding]) -> str:
    return json.dumps(
        {
            "ready": is_ready(findings),
            "findings": [{**asdict(one), "state": one.state.value} for one in findings],
        },
        ensure_ascii=False,
        indent=1,
    )


def is_ready(findings: Sequence[Finding]) -> bool:
    return all(one.state is not State.FIX for one in findings)


# -- Bluetooth ------------------------------------------------------------------------------------


def _listen() -> None:
    from hoofsense.sources.bluetooth import discover

    discover(LISTEN_s)


def bluetooth_findings(listen: Callable[[], None]) -> Iterator[Finding]:
    """Bus, service, permission and adapter in the order they depend on one another, up to the first fault.

    listen  listens for a moment; LinkError when that is not possible
    """
    from hoofsense.sources import bluetooth_faults as faults

    steps = ("message bus", "Bluetooth service", "Bluetooth rights", "Bluetooth adapter")
    at_step = {faults.NO_BUS: 0, faults.BUS_LOST: 0, faults.NO_SERVICE: 1, faults.NOT_PERMITTED: 2}
    try:
        listen()
    except LinkError as why:
        broken = at_step.get(str(why), len(steps) - 1)
        yield from (Finding(step, State.OK, "answers") for step in steps[:broken])
        yield Finding(steps[broken], State.FIX, str(why))
        return
    yield from (Finding(step, State.OK, "answers") for step in steps[:-1])
    yield Finding(steps[-1], State.OK, "is on and listens")


# -- ports ----------------------------------------------------------------------------------------


def port_findings() -> Iterator[Finding]:
    """The right to open serial ports, each port, and keyboard cables that cannot be read."""
    from hoofsense.sources.keyboard_wedge import keyboards
    from hoofsense.sources.serial_list import NOT_PERMITTED, serial_ports

    ports = serial_ports()
    if may_open_ports() is False:
        state = State.FIX if ports else State.NOTE  # without a port nobody misses them
        yield Finding("serial rights", state, NOT_PERMITTED.format("serial ports"))
    else:
        yield Finding("serial rights", State.OK, "this user may open serial ports")
    for port in ports:
        yield Finding("serial port", State.FIX if port.note else State.OK, port.note or port.name)
    if not ports:
        yield Finding(
            "serial port", State.NOTE, "none is plugged in: plug in a bridge or gauge if you use one"
        )
    for one in keyboards():
        if one.note:
            yield Finding("keyboard cable", State.NOTE, f"{one.note} (only for a caliper that types)")


def may_open_ports() -> bool | None:
    """Whether this user is in the group that may open serial ports; None where there is no such group."""
    if sys.platform == "win32":
        return None
    import grp

    try:
        group = grp.getgrnam(DIALOUT).gr_gid
    except KeyError:
        return None
    return os.geteuid() == 0 or group in (os.getegid(), *os.getgroups())


# -- store ----------------------------------------------------------------------------------------


def store_findings(path: Path) -> tuple[list[Finding], Examination | None]:
    """Whether the store can be read and is whole, and whether a visit could write it; what was found."""
    if not path.exists():
        where = next(folder for folder in path.parents if folder.exists())
        if not os.access(where, os.W_OK | os.X_OK):
            said = f"{path} cannot be made, {where} is not yours to write to: choose another with --store"
            return [Finding("store", State.FIX, said)], None
        return [Finding("store", State.OK, f"{path} will be made by the first visit")], None
    try:
        found = examined(path, boot_id())
    except StoreError as why:
        return [Finding("store", State.FIX, str(why))], None
    return list(_store_findings(path, found)), found


def _store_findings(path: Path, found: Examination) -> Iterator[Finding]:
    if found.faults:
        said = (
            f"{path} is damaged ({found.faults[0]}): keep the file as it is and go on from the latest backup"
        )
        yield Finding("store", State.FIX, said)
    elif not (os.access(path, os.W_OK) and os.access(path.parent, os.W_OK)):
        said = f"{path} is not yours to write to: allow writing to the file and its folder"
        yield Finding("store", State.FIX, said)
    elif found.version < found.newest:
        said = f"{path} has version {found.version}; the next visit brings it up to {found.newest}"
        yield Finding("store", State.NOTE, said)
    else:
        said = (
            f"{path} is whole: {found.visits} visits, {found.size_bytes / MB:.1f} MB, version {found.version}"
        )
        yield Finding("store", State.OK, said)
    if found.open_visit is not None:
        said = f"visit {found.open_visit} was left open: hoofsense visit takes it up again"
        yield Finding("open visit", State.NOTE, said)
    if found.caution is not None:
        yield Finding("SQLite", State.NOTE, found.caution)


# -- clock ----------------------------------------------------------------------------------------


def clock_findings(
    wall_ns: int, running_ns: int, synchronised: bool | None, found: Examination | None
) -> Iterator[Finding]:
    """Whether times of day can be believed. Durations never depend on this.

    wall_ns, running_ns  wall clock (UTC) and monotonic clock of this boot, read together
    synchronised         as clock_is_synchronised
    """
    latest_ns = None if found is None else found.latest_ns
    if latest_ns is not None and wall_ns < latest_ns - FUTURE_NS:
        behind_h = (latest_ns - wall_ns) / NS_PER_S / 3600
        said = f"it is {behind_h:.1f} h behind the last visit on record: set it, then restart the computer"
        yield Finding("clock", State.FIX, said)
    elif synchronised is False:
        said = (
            "it follows no time server: durations are right, the time of day may not be; compare it with a "
            "watch, or go online once and type: sudo timedatectl set-ntp true"
        )
        yield Finding("clock", State.NOTE, said)
    else:
        yield Finding("clock", State.OK, "set" if synchronised is None else "follows a time server")
    anchor_ns = None if found is None else found.anchor_ns
    if anchor_ns is None:
        yield Finding(
            "steady clock", State.OK, "is anchored by the first visit since the computer was started"
        )
        return
    apart_ns = wall_ns - anchor_ns - running_ns
    if abs(apart_ns) > CLOCK_STEP_NS:
        said = (
            f"the clock was set by {apart_ns / NS_PER_S:+.0f} s since the first visit after it was started, "
            "whose times run on: restart the computer before the next visit to begin anew"
        )
        yield Finding("steady clock", State.NOTE, said)
    else:
        yield Finding("steady clock", State.OK, "agrees with the clock")


# -- space, instruments, page ---------------------------------------------------------------------


def space_finding(path: Path, free: Callable[[Path], int] | None = None) -> Finding:
    """Whether a long day's record fits where the store is."""
    where = next(folder for folder in (path, *path.parents) if folder.exists())
    free_bytes = shutil.disk_usage(where).free if free is None else free(where)
    said = f"{free_bytes / MB:,.0f} MB"
    if free_bytes >= SPACE_NEEDED_bytes:
        return Finding("free space", State.OK, said)
    said += (
        f", {SPACE_NEEDED_bytes / MB:,.0f} MB is the limit: delete something, or choose a disk with --store"
    )
    return Finding("free space", State.FIX, said)


def instrument_findings(known_path: Path) -> Iterator[Finding]:
    """The instruments that are remembered, calipers that were never checked, and who may read the keys."""
    try:
        known = read_instrument_list(known_path).instruments
    except (ValueError, OSError) as why:
        yield Finding("instruments", State.FIX, str(why))
        return
    if not known:
        said = "none is remembered yet: run hoofsense instruments, then hoofsense instruments --role ID=sole"
        yield Finding("instruments", State.NOTE, said)
        return
    named = ", ".join(f"{one.source_id} ({one.role or 'no role'})" for one in known)
    yield Finding("instruments", State.OK, f"remembered: {named}")
    for one in known:
        if one.role == "caliper" and one.checked_on is None:
            said = f"{one.source_id} has not passed its check: run hoofsense caliper-check"
            yield Finding("caliper", State.NOTE, said)
        if one.inch_told is False:
            said = f"{one.source_id} does not say when its unit changes: leave its inch key alone"
            yield Finding("caliper", State.NOTE, said)
    mode = stat.S_IMODE(known_path.stat().st_mode)
    if os.name == "posix" and mode & ~OWNER_ONLY and any(one.key is not None for one in known):
        said = f"others can read the keys in {known_path}: type: chmod 600 {known_path}"
        yield Finding("keys", State.FIX, said)


def page_port_finding(port: int) -> Finding:
    """Whether the page's port is free."""
    try:
        with socket.create_server(("127.0.0.1", port)):
            return Finding("page", State.OK, f"port {port} is free")
    except OSError:
        said = f"port {port} is in use, perhaps by a running visit: end that, or choose another with --port"
        return Finding("page", State.NOTE, said)
