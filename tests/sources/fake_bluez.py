"""A fake org.bluez: bleak's real Linux backend talks to it over a real bus, only the radio is made up.

FakeBlueZ owns the name org.bluez; its peripherals are in fake_peripheral, the bus they live on in fake_radio.
"""

from __future__ import annotations

import asyncio
import contextlib
import select
from collections.abc import Coroutine
from typing import Any

from dbus_fast import Message, MessageType, Variant
from dbus_fast.aio import MessageBus
from fake_peripheral import ADAPTER, CHARACTERISTIC, DEVICE, BluezError, Char, Peripheral, Uuid

OBJECT_MANAGER, PROPERTIES = "org.freedesktop.DBus.ObjectManager", "org.freedesktop.DBus.Properties"
MONITORS = "org.bluez.AdvertisementMonitorManager1"

Reply = tuple[str, list[Any], list[int]]
NOTHING: Reply = ("", [], [])


class FakeBlueZ:
    """Owns org.bluez: one dict holds the object tree, one method answers calls.

    unanswered  calls ("Device1.Connect") that never get a reply, as from a hung daemon
    calls       every call received, in order
    """

    def __init__(self, bus_address: str, mtu: int = 247) -> None:
        self.bus_address = bus_address
        self.adapter, self.mtu = "/org/bluez/hci0", mtu
        self.objects: dict[str, dict[str, dict[str, Variant]]] = {}
        self.peripherals: list[Peripheral] = []
        self.calls: list[str] = []
        self.unanswered: set[str] = set()
        self.discovery: dict[str, dict[str, Variant]] = {}  # sender -> filter, while scanning
        self.filters: dict[str, dict[str, Variant]] = {}
        self._tasks: set[asyncio.Future[Any]] = set()
        self.bus: MessageBus | None = None

    async def arrive(self, has_adapter: bool = True) -> None:
        """Connect to the bus and take the name, with nothing but the adapter in the tree."""
        self.bus = MessageBus(bus_address=self.bus_address, negotiate_unix_fd=True)
        await self.bus.connect()
        self._out: asyncio.Queue[Message] = asyncio.Queue()
        self._run(self._pump(self.bus))
        self.bus.add_message_handler(self._on_message)
        match = "type='signal',sender='org.freedesktop.DBus',member='NameOwnerChanged'"
        dbus = "org.freedesktop.DBus"
        await self.bus.call(  # to notice clients that vanish
            Message(dbus, "/org/freedesktop/DBus", dbus, "AddMatch", signature="s", body=[match])
        )
        self.objects = {"/org/bluez": {}}
        self.discovery.clear()
        self.filters.clear()
        for c in (c for p in self.peripherals for c in p.chars()):
            c.subscribers.clear()
        if has_adapter:
            self.plug_adapter()
        await self.bus.request_name("org.bluez")

    async def leave(self) -> None:
        for task in self._tasks:
            task.cancel()
        await asyncio.gather(*self._tasks, return_exceptions=True)
        if self.bus is not None:
            self.bus.disconnect()
            with contextlib.suppress(Exception):
                await self.bus.wait_for_disconnect()  # type: ignore[no-untyped-call]
            self.bus = None

    def plug_adapter(self) -> None:
        props = {
            "Address": Variant("s", "00:00:5E:00:53:01"),
            "Name": Variant("s", "test"),
            "Alias": Variant("s", "test"),
            "Powered": Variant("b", True),
            "Discovering": Variant("b", False),
            "UUIDs": Variant("as", []),
            "Roles": Variant("as", ["central", "peripheral"]),
        }
        self.add(self.adapter, {ADAPTER: props, MONITORS: {}})

    def unplug_adapter(self) -> None:
        self.power(False)
        for p in self.peripherals:
            p.forget()
        self.remove(self.adapter)

    def power(self, on: bool) -> None:
        """Adapter switched off or on (a radio kill switch, a USB reset, the desktop's own switch)."""
        if not on:
            for p in self.peripherals:
                p.drop()
            self.discovery.clear()
            self.change(self.adapter, ADAPTER, {"Discovering": Variant("b", False)})
        self.change(self.adapter, ADAPTER, {"Powered": Variant("b", on)})

    @property
    def scanning(self) -> bool:
        return bool(self.discovery)

    @property
    def duplicates(self) -> bool:
        return any(f.get("DuplicateData", Variant("b", True)).value for f in self.discovery.values())

    def peripheral(
        self,
        address: str,
        name: str | None = None,
        services: dict[Uuid, list[Char]] | None = None,
        address_type: str = "public",
    ) -> Peripheral:
        p = Peripheral(self, address, name, services or {}, address_type)
        p.path = f"{self.adapter}/dev_{address.replace(':', '_')}"
        self.peripherals.append(p)
        return p

    # -- object tree and its signals -------------------------------------------------
    def _signal(self, path: str, interface: str, member: str, signature: str, body: list[Any]) -> None:
        self._out.put_nowait(Message.new_signal(path, interface, member, signature, body))

    async def _pump(self, bus: MessageBus) -> None:
        """The only sender, so that signals and replies keep their order.

        dbus-fast closes a bus whose socket would block, so a burst waits for room here.
        """
        descriptor = bus._fd
        assert descriptor is not None
        while True:
            message = await self._out.get()
            while not select.select([], [descriptor], [], 0)[1]:
                await asyncio.sleep(0.001)
            await bus.send(message)

    def _run(self, work: Coroutine[Any, Any, Any]) -> None:
        task = asyncio.ensure_future(work)
        self._tasks.add(task)
        task.add_done_callback(self._tasks.discard)

    def add(self, path: str, interfaces: dict[str, dict[str, Variant]]) -> None:
        self.objects[path] = interfaces
        self._signal("/", OBJECT_MANAGER, "InterfacesAdded", "oa{sa{sv}}", [path, interfaces])

    def remove(self, path: str) -> None:
        gone = list(self.objects.pop(path))
        self._signal("/", OBJECT_MANAGER, "InterfacesRemoved", "oas", [path, gone])

    def change(self, path: str, interface: str, changed: dict[str, Variant]) -> None:
        self.objects[path][interface].update(changed)
        self._signal(path, PROPERTIES, "PropertiesChanged", "sa{sv}as", [interface, changed, []])

    # -- calls -----------------------------------------------------------------------
    def _on_message(self, message: Message) -> bool | None:
        if message.message_type is MessageType.SIGNAL:
            if message.member == "NameOwnerChanged" and not message.body[2]:
                self._vanished(message.body[0])
            return None
        if message.message_type is not MessageType.METHOD_CALL:
            return None
        self._run(self._answer(message))
        return True

    def _vanished(self, sender: str) -> None:
        self.discovery.pop(sender, None)
        for c in (c for p in self.peripherals for c in p.chars()):
            c.subscribers.discard(sender)

    async def _answer(self, message: Message) -> None:
        what = f"{(message.interface or '').rsplit('.', 1)[-1]}.{message.member}"
        self.calls.append(what)
        if what in self.unanswered:
            return
        try:
            signature, body, fds = await self._call(what, message)
            reply = Message.new_method_return(message, signature, body, fds)
        except BluezError as error:
            reply = Message.new_error(message, error.name, str(error))
        self._out.put_nowait(reply)

    async def _call(self, what: str, message: Message) -> Reply:
        path = message.path or ""
        if what == "ObjectManager.GetManagedObjects":
            return "a{oa{sa{sv}}}", [self.objects], []
        if path not in self.objects:
            unknown = "org.freedesktop.DBus.Error.UnknownObject"
            raise BluezError(unknown, f'Method "{message.member}" on object "{path}" doesn\'t exist')
        if what == "Properties.Set":
            interface, name, value = message.body
            self.change(path, interface, {name: value})
            return NOTHING
        if path == self.adapter:
            self._adapter_call(what, message)
            return NOTHING
        device = next(p for p in self.peripherals if (path + "/").startswith(p.path + "/"))
        if what == "Device1.Connect":
            if not device.connected:
                await device.connect()
        elif what == "Device1.Disconnect":
            device.drop()
        elif what == "Device1.Pair":
            device.pairs += 1
            self.change(path, DEVICE, {"Paired": Variant("b", True), "Bonded": Variant("b", True)})
        elif what.startswith("GattCharacteristic1."):
            return self._char_call(device, message)
        else:
            raise BluezError("org.freedesktop.DBus.Error.UnknownMethod", what)
        return NOTHING

    def _adapter_call(self, what: str, message: Message) -> None:
        sender = message.sender or ""
        if not self.objects[self.adapter][ADAPTER]["Powered"].value and "Filter" not in what:
            raise BluezError("NotReady", "Resource Not Ready")
        if what == "Adapter1.SetDiscoveryFilter":
            self.filters[sender] = message.body[0]
        elif what == "Adapter1.StartDiscovery":
            if sender in self.discovery:
                raise BluezError("InProgress", "Operation already in progress")
            self.discovery[sender] = self.filters.get(sender, {})
            self.change(self.adapter, ADAPTER, {"Discovering": Variant("b", True)})
        elif what == "Adapter1.StopDiscovery":
            if self.discovery.pop(sender, None) is None:
                raise BluezError("Failed", "No discovery started")
            self.change(self.adapter, ADAPTER, {"Discovering": Variant("b", self.scanning)})
        elif what == "Adapter1.RemoveDevice":
            device = next((p for p in self.peripherals if p.path == message.body[0] and p.known), None)
            if device is None:
                raise BluezError("DoesNotExist", "Does Not Exist")
            device.removals += 1
            device.stale = None
            device.forget()
        else:
            raise BluezError("org.freedesktop.DBus.Error.UnknownMethod", what)

    def _char_call(self, device: Peripheral, message: Message) -> Reply:
        c = next(c for c in device.chars() if c.path == message.path)
        sender = message.sender or ""
        if c.errors:
            raise BluezError.told_as(c.errors.pop(0))
        if message.member == "ReadValue":
            c.reads += 1
            value = c.value() if callable(c.value) else c.value
            # BlueZ publishes a read value as a property change too
            self.change(c.path, CHARACTERISTIC, {"Value": Variant("ay", value)})
            return "ay", [value], []
        if message.member == "StartNotify":
            c.subscribers.add(sender)
            c.subscriptions += 1
        elif message.member == "StopNotify":
            c.subscribers.discard(sender)
        else:
            raise BluezError("org.freedesktop.DBus.Error.UnknownMethod", str(message.member))
        self.change(c.path, CHARACTERISTIC, {"Notifying": Variant("b", bool(c.subscribers))})
        return NOTHING
