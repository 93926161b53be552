"""What is read over Bluetooth, and under which identity.

Services and characteristics by their 16-bit numbers (Bluetooth SIG, Assigned Numbers):
    1809 Health Thermometer     2A1C temperature measurement, 2A1E intermediate temperature
    181A Environmental Sensing  2A6E temperature, 2A6F humidity, 2A6D pressure, 2A7B dew point,
                                2A70 true and 2A72 apparent wind speed
    180F Battery                2A19 battery level
    180A Device Information     2A25 serial number
UART over GATT has no standard number; BridgeUuids holds the common convention and can be changed.
"""

from __future__ import annotations

import hashlib
import re
from collections.abc import Iterable
from dataclasses import dataclass

from hoofsense.sources.instrument_list import InstrumentList, KnownInstrument


def uuid_of(number: int) -> str:
    """The full UUID of a 16-bit number (Bluetooth Core specification, Bluetooth Base UUID)."""
    return f"0000{number:04x}-0000-1000-8000-00805f9b34fb"


@dataclass(frozen=True, slots=True)
class BridgeUuids:
    """The UART service of a bridge and the characteristic it sends on."""

    service: str = "6e400001-b5a3-f393-e0a9-e50e24dcca9e"
    sends: str = "6e400003-b5a3-f393-e0a9-e50e24dcca9e"


BTHOME = uuid_of(0xFCD2)
SERIAL_NUMBER = uuid_of(0x2A25)
BATTERY_LEVEL = uuid_of(0x2A19)
_MEASURES = {
    0x2A1C: "temperature",
    0x2A1E: "temperature",
    0x2A6E: "temperature",
    0x2A6F: "humidity",
    0x2A6D: "pressure",
    0x2A7B: "dew point",
    0x2A70: "wind",
    0x2A72: "wind",
    0x2A19: "battery",
}
CHARACTERISTICS = {uuid_of(n): (f"gatt:{n:04x}", measures) for n, measures in _MEASURES.items()}
READ_SERVICES = {uuid_of(0x1809): ("temperature",), uuid_of(0x181A): ("air",)}
BRIDGE_MEASURES = ("what the bridge sends",)

_NAME_LENGTH = 40  # characters of an identity; our choice, one column of a table
_HASH_DIGITS = 6  # of an address in an identity: 1 in 16 million that two are the same
_NOT_IN_AN_IDENTITY = re.compile(r"[^\w.\-]+")  # "/", "#" and "?" have a meaning in sources and channels
_RANDOM_STATIC = 0b11  # top two bits (Bluetooth Core, volume 6, part B, 1.3.2.1)


def measured_by(service_uuids: Iterable[str], bridge: BridgeUuids) -> tuple[str, ...]:
    """In words, what an instrument with these services measures; empty when nothing of it can be read."""
    found: list[str] = []
    for service in service_uuids:
        found.extend(READ_SERVICES.get(service.lower(), ()))
        if service.lower() == bridge.service:
            found.extend(BRIDGE_MEASURES)
    return tuple(dict.fromkeys(found))


def identity_from(text: str) -> str:
    """Text an instrument sent, made fit for an identity; empty when nothing of it is."""
    return _NOT_IN_AN_IDENTITY.sub("-", text.replace("\0", " ").strip())[:_NAME_LENGTH].strip("-")


def usable_serial(text: str) -> str:
    """The serial number as an identity; empty for fillers such as "0000" or "Serial Number"."""
    serial = identity_from(text)
    tells = any(c.isdigit() for c in serial) and len({c for c in serial if c.isalnum()}) > 1
    return serial if tells else ""


def address_hash(address: str) -> str:
    """A short name for an address, the same on every computer."""
    return hashlib.sha256(address.upper().encode()).hexdigest()[:_HASH_DIGITS]


def address_stays(address: str, address_type: str | None) -> bool:
    """Whether an instrument keeps this address; private addresses change every quarter of an hour or so."""
    if address_type != "random":
        return True
    return int(address[:2], 16) >> 6 == _RANDOM_STATIC


class Identities:
    """Gives every instrument one identity, and never one identity to two instruments.

    The identity is the serial number, else the name, else a hash of the address. Where two instruments would
    share it, the hash of the address is added: to both while neither has it, else to the newcomer. An
    instrument in the list keeps the identity it has there.
    """

    def __init__(self, known: InstrumentList) -> None:
        self._known = known
        self._holders: dict[str, str] = {}
        self._named: dict[str, set[str]] = {}

    def known(self, address: str) -> KnownInstrument | None:
        """The instrument at address if it is in the list."""
        return self._known.at_address(address)

    def heard(self, address: str, name: str | None, stays: bool) -> None:
        """Note who calls itself what; only addresses that stay can tell two instruments apart."""
        if name and stays:
            self._named.setdefault(identity_from(name), set()).add(address)

    def of(self, address: str, name: str | None, serial: str = "", stays: bool = True) -> str:
        """The identity of the instrument at address, held for it from now on.

        serial  its serial number as sent, empty while it was not read
        stays   whether the address stays (address_stays): one that changes inherits the identity
        """
        known = self.known(address)
        if known is not None:
            return known.source_id
        label = identity_from(name or "")
        wished = usable_serial(serial) or label or f"bt-{address_hash(address)}"
        holder = self._holders.get(wished)
        taken = stays and holder not in (None, address)
        if taken or (wished == label and len(self._named.get(label, ())) > 1 and holder != address):
            wished = f"{wished}-{address_hash(address)}"
        self._holders[wished] = address
        return wished
