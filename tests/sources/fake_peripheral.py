"""The instruments of the fake BlueZ: what they offer, and what can happen to them.

Addresses are from the documentation range 00-00-5E-00-53-xx (RFC 7042, section 2.1.2).
"""

from __future__ import annotations

from collections.abc import Callable, Sequence
from dataclasses import dataclass, field
from typing import TYPE_CHECKING

from dbus_fast import Variant

if TYPE_CHECKING:
    from fake_bluez import FakeBlueZ

ADAPTER, DEVICE = "org.bluez.Adapter1", "org.bluez.Device1"
SERVICE, CHARACTERISTIC = "org.bluez.GattService1", "org.bluez.GattCharacteristic1"
DESCRIPTOR = "org.bluez.GattDescriptor1"
SIG_BASE = "0000{:04x}-0000-1000-8000-00805f9b34fb"  # Bluetooth Core, Bluetooth Base UUID
RSSI_STEP_dB = 8  # BlueZ reports a changed signal only from this step on, unless duplicates are wanted

Uuid = int | str


def uuid(short_or_long: Uuid) -> str:
    return SIG_BASE.format(short_or_long) if isinstance(short_or_long, int) else short_or_long.lower()


class BluezError(Exception):
    def __init__(self, name: str, text: str = "") -> None:
        super().__init__(text)
        self.name = name if "." in name else f"org.bluez.Error.{name}"

    @classmethod
    def told_as(cls, told: str) -> BluezError:
        """From "Failed:Software caused connection abort"."""
        name, _, text = told.partition(":")
        return cls(name, text)


@dataclass(eq=False)
class Char:
    """One GATT characteristic.

    value   what a read gives
    errors  ATT or BlueZ errors ("Failed:text") for the next reads, writes or subscriptions, one used up each
    """

    uuid: Uuid
    flags: list[str]
    value: bytes | Callable[[], bytes] = b""
    errors: list[str] = field(default_factory=list)
    path: str = ""
    subscribers: set[str] = field(default_factory=set)
    subscriptions: int = 0
    reads: int = 0


@dataclass(eq=False)
class Peripheral:
    """One instrument.

    connect_errors  "Failed:text", one used up per Connect
    mute            connected, but notifications are lost
    stale           services as an outdated cache would show them, until the device is removed
    """

    bluez: FakeBlueZ
    address: str
    name: str | None
    services: dict[Uuid, list[Char]]
    address_type: str = "public"
    path: str = ""
    connect_errors: list[str] = field(default_factory=list)
    resolves: bool = True
    mute: bool = False
    stale: dict[Uuid, list[Char]] | None = None
    connects: int = 0
    pairs: int = 0
    removals: int = 0

    @property
    def known(self) -> bool:
        return self.path in self.bluez.objects

    @property
    def connected(self) -> bool:
        return self.known and bool(self.bluez.objects[self.path][DEVICE]["Connected"].value)

    def char(self, short_or_long: Uuid) -> Char:
        wanted = uuid(short_or_long)
        return next(c for chars in self.services.values() for c in chars if uuid(c.uuid) == wanted)

    def chars(self) -> list[Char]:
        shown = [self.services] if self.stale is None else [self.services, self.stale]
        return [c for services in shown for chars in services.values() for c in chars]

    def advertise(
        self,
        *,
        rssi: int = -60,
        service_data: dict[Uuid, bytes] | None = None,
        uuids: Sequence[Uuid] | None = None,
    ) -> None:
        """One advertisement, as BlueZ reports it while a client is scanning."""
        bluez = self.bluez
        if not bluez.scanning:
            return
        new: dict[str, Variant] = {"RSSI": Variant("n", rssi)}
        if service_data is not None:
            new["ServiceData"] = Variant(
                "a{sv}", {uuid(k): Variant("ay", v) for k, v in service_data.items()}
            )
        shown = self.services if uuids is None else uuids
        if shown:
            new["UUIDs"] = Variant("as", [uuid(u) for u in shown])
        if not self.known:
            bluez.add(self.path, {DEVICE: {**self._first_seen(), **new}})
            return
        have = bluez.objects[self.path][DEVICE]
        if not bluez.duplicates:
            new = {k: v for k, v in new.items() if have.get(k) != v and not self._small_step(k, have, v)}
        if new:
            bluez.change(self.path, DEVICE, new)

    @staticmethod
    def _small_step(name: str, have: dict[str, Variant], new: Variant) -> bool:
        return name == "RSSI" and name in have and abs(have[name].value - new.value) < RSSI_STEP_dB

    def _first_seen(self) -> dict[str, Variant]:
        no = ("Paired", "Bonded", "Trusted", "Blocked", "Connected", "ServicesResolved")
        props = {
            "Address": Variant("s", self.address),
            "AddressType": Variant("s", self.address_type),
            "Alias": Variant("s", self.name or self.address.replace(":", "-")),
            "Adapter": Variant("o", self.bluez.adapter),
            "UUIDs": Variant("as", []),
            **{name: Variant("b", False) for name in no},
        }
        return props if self.name is None else {**props, "Name": Variant("s", self.name)}

    def notify(self, which: Uuid | Char, data: bytes) -> bool:
        """Send a notification or indication; False when nobody is subscribed or the instrument is mute."""
        c = which if isinstance(which, Char) else self.char(which)
        if self.mute or not c.subscribers:
            return False
        self.bluez.change(c.path, CHARACTERISTIC, {"Value": Variant("ay", data)})
        return True

    def drop(self) -> None:
        """The link is lost: what a dead battery or walking out of range looks like."""
        bluez = self.bluez
        if not self.connected:
            return
        for c in self.chars():
            c.subscribers.clear()
        bluez.change(self.path, DEVICE, {"ServicesResolved": Variant("b", False)})
        bluez.change(self.path, DEVICE, {"Connected": Variant("b", False)})
        for path in sorted((p for p in bluez.objects if p.startswith(self.path + "/")), reverse=True):
            bluez.remove(path)

    def forget(self) -> None:
        """BlueZ drops the device, as it does some time after hearing it last."""
        self.drop()
        if self.known:
            self.bluez.remove(self.path)

    async def connect(self) -> None:
        self.connects += 1
        if self.connect_errors:
            raise BluezError.told_as(self.connect_errors.pop(0))
        bluez = self.bluez
        bluez.change(self.path, DEVICE, {"Connected": Variant("b", True)})
        handle = 1
        services = self.services if self.stale is None else self.stale
        for service_uuid, chars in services.items():
            service_path = f"{self.path}/service{handle:04x}"
            shown = {"UUID": Variant("s", uuid(service_uuid)), "Device": Variant("o", self.path)}
            bluez.add(
                service_path,
                {SERVICE: {**shown, "Primary": Variant("b", True), "Includes": Variant("ao", [])}},
            )
            handle += 1
            for c in chars:
                c.path = f"{service_path}/char{handle:04x}"
                self._add_char(c, service_path, handle)
                handle += 3
        if self.resolves:
            uuids = Variant("as", [uuid(s) for s in services])
            bluez.change(self.path, DEVICE, {"UUIDs": uuids, "ServicesResolved": Variant("b", True)})

    def _add_char(self, c: Char, service_path: str, handle: int) -> None:
        props = {
            "UUID": Variant("s", uuid(c.uuid)),
            "Service": Variant("o", service_path),
            "Value": Variant("ay", b""),
            "Flags": Variant("as", c.flags),
            "MTU": Variant("q", self.bluez.mtu),
        }
        if not {"notify", "indicate"} & set(c.flags):
            self.bluez.add(c.path, {CHARACTERISTIC: props})
            return
        self.bluez.add(c.path, {CHARACTERISTIC: {**props, "Notifying": Variant("b", False)}})
        descriptor = {
            "UUID": Variant("s", uuid(0x2902)),
            "Characteristic": Variant("o", c.path),
            "Value": Variant("ay", b""),
            "Flags": Variant("as", []),
        }
        self.bluez.add(f"{c.path}/desc{handle + 2:04x}", {DESCRIPTOR: descriptor})
