"""A serial port, or a socket that stands for one: bridge lines and gauge lines, across unplugging.

One reader thread opens the port, stamps what arrives, splits it into lines and, when the port goes away, says
so and tries again until it is back. Lines that begin with "$" are a bridge's; anything else is a gauge's,
unless a bridge has already spoken on this connection: then it is a damaged bridge line.
"""

from __future__ import annotations

import contextlib
import errno
import logging
import threading
from collections.abc import Callable, Mapping
from dataclasses import dataclass, replace
from typing import Any

import serial

from hoofsense.records import Instant, RawFrame
from hoofsense.sources.clock import SteadyClock
from hoofsense.sources.line_reader import LineReader, bridge_channel
from hoofsense.sources.link import Backoff, InstrumentStatus, LinkError, LinkLog, Sink, StatusBoard
from hoofsense.sources.serial_list import (
    NOT_PERMITTED,
    PortMatch,
    PortSeen,
    port_identity,
    serial_ports,
    the_port,
)
from hoofsense.units import dimension_of
from hoofsense.wire.bridge_line import Kind, decode_bridge_line
from hoofsense.wire.errors import FrameError
from hoofsense.wire.gauge_line import decode_gauge_line

logger = logging.getLogger(__name__)

# What a port raises when it goes away. A SerialException is an OSError; a termios.error is not.
try:
    import termios

    PORT_FAULTS: tuple[type[Exception], ...] = (OSError, termios.error)
except ImportError:  # not a POSIX system
    PORT_FAULTS = (OSError,)

KIND = "serial port"
GAUGE_CHANNEL = "line:gauge"
BAUD = 115200  # what bridges are built with; common practice, no source. Most USB adapters ignore it
MOST_BYTES = 4096  # taken at once, so that the next stamp is never late by much; our choice

_NOT_THERE = (errno.ENOENT, errno.ENODEV, errno.ENXIO)
_NOT_PERMITTED = (errno.EACCES, errno.EPERM)
_IN_USE = (errno.EBUSY, errno.EAGAIN)  # EAGAIN: another program holds the lock on it


@dataclass(frozen=True, slots=True)
class SerialTiming:
    """Times in seconds, our own choice.

    backoff_first_s  wait after the port went away, doubled each time
    backoff_cap_s    and up to this: below the 5 s in which an outage must be over
    look_s           how often a quiet port notices that it should stop
    stop_s           for stopping
    """

    backoff_first_s: float = 0.25
    backoff_cap_s: float = 2.0
    look_s: float = 0.2
    stop_s: float = 2.0


@dataclass(frozen=True, slots=True)
class GaugeSettings:
    """What must be known of a gauge beforehand.

    unit     UCUM unit of a gauge that sends none ("mm", "[in_i]"); None: its lines must say their unit
    pattern  layout of its lines (wire.gauge_line); None for the usual one
    """

    unit: str | None = None
    pattern: str | None = None

    def __post_init__(self) -> None:
        if self.unit is not None and dimension_of(self.unit) != "length":
            raise ValueError(f"unit {self.unit!r} is no length: choose mm or [in_i]")

    @property
    def channel(self) -> str:
        """The channel that tells decoding these settings; the pattern comes last, it may hold anything."""
        settings = [f"unit={self.unit}"] if self.unit is not None else []
        settings += [f"pattern={self.pattern}"] if self.pattern is not None else []
        return GAUGE_CHANNEL + ("?" + "&".join(settings) if settings else "")


def sentence_of(fault: BaseException, port: str) -> str:
    """One sentence for the person: what is wrong with the port and what to do or type."""
    number = getattr(fault, "errno", None)
    if number in _NOT_THERE:
        return f"{port} is not there: plug it in"
    if number in _NOT_PERMITTED:
        return NOT_PERMITTED.format(port)
    if number in _IN_USE:
        return f"{port} is in use: close the other program that reads it"
    if "://" in port:
        return f"{port} does not answer ({fault}): check that the other end is on and reachable"
    return f"{port} was lost ({fault}): plug it in again"


class SerialPort:
    """A live source (link.LiveSource) of what speaks at one port.

    port        "/dev/ttyUSB0", "socket://host:port", "rfc2217://host:port", "usb:VVVV:PPPP" or a PortMatch
    gauge_unit, gauge_pattern  see GaugeSettings
    baud        bits per second
    source_id   its identity; None takes the USB adapter's serial number, else the port's name
    sign_bits   of bridges that pass 24-bit caliper frames on, by identity, as the guided check found them
    listed      gives the serial ports of this computer
    """

    def __init__(
        self,
        port: str | PortMatch,
        gauge_unit: str | None = None,
        gauge_pattern: str | None = None,
        baud: int = BAUD,
        source_id: str | None = None,
        timing: SerialTiming | None = None,
        listed: Callable[[], tuple[PortSeen, ...]] = serial_ports,
        sign_bits: Mapping[str, int] | None = None,
    ) -> None:
        usb = isinstance(port, str) and port.startswith("usb:")
        self._port = PortMatch.from_text(str(port)) if usb else port
        self._gauge = GaugeSettings(gauge_unit, gauge_pattern)
        self._baud = baud
        self._source_id = source_id
        self._timing = timing or SerialTiming()
        self._listed = listed
        self._sign_bits = dict(sign_bits or {})
        self._board = StatusBoard()
        self._stopping = threading.Event()
        self._opened: Any = None  # serial.SerialBase; pyserial has no types
        self._thread: threading.Thread | None = None

    def start(self, sink: Sink, clock: SteadyClock) -> None:
        """Begin to read; returns at once. What goes wrong shows in status() and as link frames."""
        if self._thread is not None:
            raise ValueError("this source was started before: make a new one")
        name = f"serial {self._port}"
        self._thread = threading.Thread(target=self._run, args=(sink, clock), name=name, daemon=True)
        self._thread.start()

    def stop(self) -> None:
        """End the thread, which closes the port; takes no longer than timing.stop_s."""
        if self._thread is None:
            return
        self._stopping.set()
        with contextlib.suppress(*PORT_FAULTS, AttributeError, TypeError):  # closed just now, or a socket
            self._opened.cancel_read()
        self._thread.join(self._timing.stop_s)
        if self._thread.is_alive():
            logger.warning("%s does not answer, leaving it behind: check what it is connected to", self._port)

    def status(self) -> tuple[InstrumentStatus, ...]:
        """How the port is doing."""
        return self._board.all()

    def _run(self, sink: Sink, clock: SteadyClock) -> None:
        source_id = self._source_id or port_identity(self._port, self._listed())
        links = LinkLog(sink, clock)
        backoff = Backoff(self._timing.backoff_first_s, self._timing.backoff_cap_s)
        self._board.put(KIND, InstrumentStatus(source_id, KIND, str(self._port)))
        while not self._stopping.is_set():
            device = str(self._port)
            try:
                if isinstance(self._port, PortMatch):
                    device = the_port(self._port, self._listed())
                self._open(device)
                self._tell(links, source_id, True, "")
                bridge = bridge_channel(self._sign_bits.get(source_id))
                conversation = _Conversation(source_id, device, bridge, self._gauge, sink, self._board)
                self._read(conversation, clock, backoff)
            except LinkError as fault:
                self._tell(links, source_id, False, str(fault))
            except PORT_FAULTS as fault:
                self._tell(links, source_id, False, sentence_of(fault, device))
            finally:
                self._close()
            self._stopping.wait(backoff.next_s())

    def _tell(self, links: LinkLog, source_id: str, up: bool, why: str) -> None:
        self._board.change(KIND, lambda s: replace(s, connected=up, note=why))
        links.tell(source_id, up, why or "connected")

    def _open(self, device: str) -> None:
        try:
            self._opened = serial.serial_for_url(
                device, baudrate=self._baud, timeout=self._timing.look_s, exclusive=True
            )
        except ValueError as fault:  # of pyserial: an unknown protocol, a setting the port cannot do
            raise LinkError(f"{device} cannot be opened ({fault}): correct the port") from fault

    def _close(self) -> None:
        port, self._opened = self._opened, None
        if port is not None:
            with contextlib.suppress(*PORT_FAULTS):  # it is gone anyway
                port.close()

    def _read(self, conversation: _Conversation, clock: SteadyClock, backoff: Backoff) -> None:
        """Until told to stop (returns) or the port goes away (OSError, termios.error)."""
        port = self._opened
        while not self._stopping.is_set():
            data = port.read(min(MOST_BYTES, max(1, port.in_waiting)))
            instant = clock.instant()
            if data:
                backoff.reset()
                conversation.heard(bytes(data), instant)


class _Conversation:
    """One connection: its unfinished line, and whether a bridge or a gauge speaks."""

    def __init__(
        self,
        source_id: str,
        port: str,
        lines_channel: str,
        gauge: GaugeSettings,
        sink: Sink,
        board: StatusBoard,
    ) -> None:
        self._source_id = source_id
        self._port = port
        self._lines_channel = lines_channel
        self._gauge = gauge
        self._sink = sink
        self._board = board
        self._reader = LineReader()
        self._bridge_spoke = False

    def heard(self, data: bytes, instant: Instant) -> None:
        for line in self._reader.lines(data):
            if line.startswith(b"$"):
                self._heed_bridge(line)
            bridge = self._bridge_spoke or line.startswith(b"$")
            channel = self._lines_channel if bridge else self._gauge.channel
            if not bridge:
                self._heed_gauge(line)
            self._sink(RawFrame(instant, self._source_id, channel, line))
            self._board.seen(KIND, instant.steady_ns)

    def _heed_bridge(self, line: bytes) -> None:
        """From a line that is whole, learn that this is a bridge, and from its identity line its name."""
        try:
            said = decode_bridge_line(line)
        except FrameError:  # recorded all the same, decoding counts it
            return
        if not self._bridge_spoke:
            self._bridge_spoke = True
            self._board.change(KIND, lambda s: replace(s, measures=("what the bridge sends",), note=""))
        if said.kind is Kind.IDENTITY:
            self._board.change(KIND, lambda s: replace(s, name=f"{said.channel} ({self._port})"))

    def _heed_gauge(self, line: bytes) -> None:
        """Say when the gauge's unit is missing or wrong, which no later line will mend."""
        note = ""
        try:
            decode_gauge_line(line, self._gauge.unit, self._gauge.pattern)
        except FrameError as damage:
            if damage.reason != "unit":
                return
            note = damage.message
        self._board.change(KIND, lambda s: replace(s, measures=("length",), note=note))
