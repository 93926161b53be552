"""Which serial ports there are, and which one is meant: USB adapters change their names when replugged."""

from __future__ import annotations

import os
import re
from collections.abc import Callable, Iterable
from dataclasses import dataclass

from serial.tools import list_ports

from hoofsense.sources.bluetooth_services import identity_from, usable_serial
from hoofsense.sources.link import LinkError

NOT_PERMITTED = "this user may not open {}: type: sudo usermod -aG dialout $USER, then log out and in again"
_MATCH = re.compile(r"usb:([0-9a-fA-F]{4}):([0-9a-fA-F]{4})(?::([^@]+))?(?:@(.+))?")


@dataclass(frozen=True, slots=True)
class PortSeen:
    """One serial port of this computer, as the list of instruments shows it.

    port           what to open
    vid, pid       USB vendor and product number, None for ports that are not USB
    serial_number  of the USB adapter; None when it has none
    location       the USB socket it is plugged into
    note           why it cannot be opened, empty when it can
    """

    port: str
    name: str
    vid: int | None = None
    pid: int | None = None
    serial_number: str | None = None
    location: str | None = None
    kind: str = "serial port"
    measures: tuple[str, ...] = ()
    note: str = ""


@dataclass(frozen=True, slots=True)
class PortMatch:
    """What the wanted port must be; None matches anything."""

    vid: int | None = None
    pid: int | None = None
    serial_number: str | None = None
    location: str | None = None

    def __post_init__(self) -> None:
        if not any((self.vid, self.pid, self.serial_number, self.location)):
            raise ValueError(
                "a match for any port is none: give vendor and product, a serial number or a socket"
            )

    @classmethod
    def from_text(cls, text: str) -> PortMatch:
        """From usb:VVVV:PPPP, usb:VVVV:PPPP:serial, either with @location; ValueError otherwise."""
        match = _MATCH.fullmatch(text)
        if match is None:
            raise ValueError(f"{text!r} is no USB port: write usb:VENDOR:PRODUCT, each of 4 hex digits")
        vid, pid, serial_number, location = match.groups()
        return cls(int(vid, 16), int(pid, 16), serial_number, location)

    def __str__(self) -> str:
        numbers = [f"{n:04x}" for n in (self.vid, self.pid) if n is not None]
        said = ":".join(["usb", *numbers, *([self.serial_number] if self.serial_number else [])])
        return f"{said}@{self.location}" if self.location else said

    def fits(self, port: PortSeen) -> bool:
        """Whether port has everything that is asked for."""
        pairs = (
            (self.vid, port.vid),
            (self.pid, port.pid),
            (self.serial_number, port.serial_number),
            (self.location, port.location),
        )
        return all(wanted in (None, has) for wanted, has in pairs)


def serial_ports(listed: Callable[[], Iterable[object]] = list_ports.comports) -> tuple[PortSeen, ...]:
    """The serial ports of this computer, by name."""
    ports = (_port_from(port) for port in listed())
    return tuple(sorted(ports, key=lambda port: port.port))


def _port_from(listed: object) -> PortSeen:
    device = str(getattr(listed, "device", ""))
    permitted = not os.path.exists(device) or os.access(device, os.R_OK | os.W_OK)
    return PortSeen(
        port=device,
        name=f"{getattr(listed, 'product', None) or os.path.basename(device)} ({device})",
        vid=getattr(listed, "vid", None),
        pid=getattr(listed, "pid", None),
        serial_number=getattr(listed, "serial_number", None),
        location=getattr(listed, "location", None),
        note="" if permitted else NOT_PERMITTED.format(device),
    )


def the_port(match: PortMatch, ports: Iterable[PortSeen]) -> str:
    """What to open: the one port that fits; LinkError with a sentence when there is none or more than one."""
    fitting = [port for port in ports if match.fits(port)]
    if not fitting:
        raise LinkError(f"no port {match} is there: plug it in")
    if len(fitting) > 1:
        names = ", ".join(port.port for port in fitting)
        raise LinkError(
            f"{match} fits {names}: add the serial number or the @socket of the one that is meant"
        )
    return fitting[0].port


def port_identity(port: str | PortMatch, seen: Iterable[PortSeen] = ()) -> str:
    """The identity of what is plugged in: the adapter's serial number if it has one, else the port's name."""
    if isinstance(port, PortMatch):
        return usable_serial(port.serial_number or "") or identity_from(str(port))
    for one in seen:
        if one.port == port and usable_serial(one.serial_number or ""):
            return usable_serial(one.serial_number or "")
    return identity_from(port.rsplit("://", 1)[-1] if "://" in port else os.path.basename(port))
