"""A caliper's keyboard cable, read for itself alone: what it types reaches no other window.

One reader thread opens the cable under /dev/input, asks for it exclusively, and records each line it types
as a typed value in the unit that was set for it. A line that is no length in that unit is recorded all the
same, so that decoding counts it, and the person is told. Linux only.
"""

from __future__ import annotations

import contextlib
import errno
import logging
import os
import select
import sys
import threading
from collections.abc import Callable, Iterator
from dataclasses import dataclass, replace
from pathlib import Path

from hoofsense.records import Instant, RawFrame
from hoofsense.sources.bluetooth_services import identity_from
from hoofsense.sources.clock import SteadyClock
from hoofsense.sources.link import Backoff, InstrumentStatus, LinkLog, Sink, StatusBoard
from hoofsense.sources.typed import TYPED_CHANNEL
from hoofsense.units import dimension_of
from hoofsense.wire.checked_text import encode_checked
from hoofsense.wire.key_events import EVENT, STRANGE, KeyLine, decode_key_event, with_event
from hoofsense.wire.typed import encode_typed

logger = logging.getLogger(__name__)

KIND = "keyboard cable"
BY_NAME = Path("/dev/input/by-id")
_ENDING = "-event-kbd"
EVIOCGRAB = 0x40044590  # Linux input.h: _IOW('E', 0x90, int)
LOOK_s = 0.2  # how often a quiet cable notices that it should stop; our choice
STOP_s = 2.0  # for stopping; our choice
BACKOFF_FIRST_s, BACKOFF_CAP_s = 0.25, 2.0  # below the 5 s in which an outage must be over; our choice
MOST_EVENTS = 64  # taken at once; our choice

NOT_PERMITTED = "this user may not read {}: type: sudo usermod -aG input $USER, then log out and in again"
SHARED = "{} could not be taken for this program alone: what it types goes to the window in front too"
GIVEN_BACK = (
    "Ctrl-C was typed on {}: it is a keyboard and was given back; name the caliper's own cable instead"
)


@dataclass(frozen=True, slots=True)
class KeyboardSeen:
    """One keyboard of this computer, as the list of instruments shows it; note says why it cannot be read."""

    source_id: str
    port: str
    name: str
    kind: str = "keyboard"
    measures: tuple[str, ...] = ()
    note: str = ""


def keyboards(folder: Path = BY_NAME) -> tuple[KeyboardSeen, ...]:
    """The keyboards, and cables that pretend to be one, by name; empty where the system lists none."""
    if not folder.is_dir():
        return ()
    found = sorted(path for path in folder.iterdir() if path.name.endswith(_ENDING))
    return tuple(
        KeyboardSeen(
            keyboard_identity(str(path)),
            str(path),
            path.name.removesuffix(_ENDING).replace("_", " "),
            note="" if os.access(path, os.R_OK) else NOT_PERMITTED.format(path),
        )
        for path in found
    )


def keyboard_identity(device: str) -> str:
    """The identity of a cable: its name under by-id without the ending, else that of its device."""
    return identity_from(os.path.basename(device).removesuffix(_ENDING))


def grabbed(descriptor: int) -> None:
    """Ask for a device exclusively; OSError when that is not possible."""
    if sys.platform != "linux":
        raise OSError(errno.ENOSYS, "only Linux gives a keyboard to one program alone")
    import fcntl

    fcntl.ioctl(descriptor, EVIOCGRAB, 1)


def sentence_of(fault: OSError, device: str) -> str:
    """One sentence for the person: what is wrong with the cable and what to do or type."""
    if fault.errno in (errno.ENOENT, errno.ENODEV, errno.ENXIO):
        return f"{device} is not there: plug it in"
    if fault.errno in (errno.EACCES, errno.EPERM):
        return NOT_PERMITTED.format(device)
    if fault.errno == errno.EBUSY:
        return f"{device} is in use: close the other program that reads it"
    return f"{device} was lost ({fault}): plug it in again"


class KeyboardWedge:
    """A live source (link.LiveSource) of what one keyboard cable types.

    device  its path, best one under /dev/input/by-id, which stays the same when it is plugged in again
    unit    the UCUM unit the caliper shows (mm, [in_i]): the cable says none, and it is never guessed
    grab    asks for the device exclusively
    raises  ValueError for a unit that is no length
    """

    def __init__(self, device: str, unit: str, grab: Callable[[int], None] = grabbed) -> None:
        if dimension_of(unit) != "length":
            raise ValueError(f"unit {unit!r} is no length: choose mm or [in_i]")
        self._device = device
        self._unit = unit
        self._grab = grab
        self._source_id = keyboard_identity(device)
        self._given_back = False
        self._board = StatusBoard()
        self._stopping = threading.Event()
        self._thread: threading.Thread | None = None

    def start(self, sink: Sink, clock: SteadyClock) -> None:
        """Begin to read; returns at once. What goes wrong shows in status() and as link frames."""
        if self._thread is not None:
            raise ValueError("this source was started before: make a new one")
        name = f"keyboard {self._device}"
        self._thread = threading.Thread(target=self._run, args=(sink, clock), name=name, daemon=True)
        self._thread.start()

    def stop(self) -> None:
        """End the thread, which gives the cable back."""
        if self._thread is not None:
            self._stopping.set()
            self._thread.join(STOP_s)

    def status(self) -> tuple[InstrumentStatus, ...]:
        """How the cable is doing."""
        return self._board.all()

    def _run(self, sink: Sink, clock: SteadyClock) -> None:
        links = LinkLog(sink, clock)
        backoff = Backoff(BACKOFF_FIRST_s, BACKOFF_CAP_s)
        self._board.put(KIND, InstrumentStatus(self._source_id, KIND, self._device, ("length",)))
        while not self._stopping.is_set() and not self._given_back:
            try:
                with self._opened() as descriptor:
                    self._tell(links, True, self._exclusively(descriptor))
                    backoff.reset()
                    self._read(descriptor, sink, clock)
            except OSError as fault:
                self._tell(links, False, sentence_of(fault, self._device))
            if self._given_back:
                self._tell(links, False, GIVEN_BACK.format(self._device))
            self._stopping.wait(backoff.next_s())

    @contextlib.contextmanager
    def _opened(self) -> Iterator[int]:
        descriptor = os.open(self._device, os.O_RDONLY | os.O_NONBLOCK)
        try:
            yield descriptor
        finally:
            os.close(descriptor)

    def _exclusively(self, descriptor: int) -> str:
        """Ask for the cable alone; what to know when the system does not give it ("" when it does)."""
        try:
            self._grab(descriptor)
        except OSError as fault:
            if fault.errno == errno.EBUSY:
                raise
            logger.warning(SHARED.format(self._device))
            return SHARED.format(self._device)
        return ""

    def _tell(self, links: LinkLog, up: bool, note: str) -> None:
        self._board.change(KIND, lambda s: replace(s, connected=up, note=note))
        links.tell(self._source_id, up, note or "connected")

    def _read(self, descriptor: int, sink: Sink, clock: SteadyClock) -> None:
        """Until told to stop or to give the cable back (returns) or it goes away (OSError)."""
        line = KeyLine()
        while not self._stopping.is_set():
            if not select.select([descriptor], [], [], LOOK_s)[0]:
                continue
            data = os.read(descriptor, MOST_EVENTS * EVENT.size)
            instant = clock.instant()
            if not data:
                raise OSError(errno.ENODEV, "it says nothing more")
            for at in range(0, len(data) - EVENT.size + 1, EVENT.size):
                line, text = with_event(line, decode_key_event(data[at : at + EVENT.size]))
                if line.released:
                    self._given_back = True
                    return
                if text is not None:
                    self._take(text, instant, sink)

    def _take(self, text: str, instant: Instant, sink: Sink) -> None:
        note = ""
        try:
            payload = encode_typed(text, self._unit)
        except ValueError as why:
            payload, note = encode_checked(text + STRANGE), str(why)
            logger.warning("%s: %s", self._source_id, note)
        self._board.change(KIND, lambda s: replace(s, note=note))
        self._board.seen(KIND, instant.steady_ns)
        sink(RawFrame(instant, self._source_id, TYPED_CHANNEL, payload))
