"""Notices that the Bluetooth service went away or came back while the message bus stayed (Linux).

A service that crashes says nothing of the instruments it drops: the library goes on showing them as
connected, and they fall silent. The bus itself tells when the service's name changes hands.
"""

from __future__ import annotations

import asyncio
import sys
from collections.abc import Callable

from hoofsense.sources.bluetooth_faults import LIBRARY_FAULTS, quietly, within
from hoofsense.sources.link import LinkError

SERVICE = "org.bluez"
DOING = "watching the Bluetooth service"
LOOK_AGAIN_s = 1.0  # after the bus itself went away; our choice
LEAVE_s = 0.5  # for the bus to let go; our choice

if sys.platform == "linux":
    from dbus_fast import BusType, Message, MessageType
    from dbus_fast.aio import MessageBus

    _BUS = "org.freedesktop.DBus"
    _CHANGED = "NameOwnerChanged"
    _MATCH = f"type='signal',sender='{_BUS}',member='{_CHANGED}',arg0='{SERVICE}'"

    async def watch_service(on_change: Callable[[bool], None], limit_s: float) -> None:
        """Call on_change(False) when the service goes, (True) when it comes, until cancelled.

        limit_s  for one call to the bus
        """
        while True:
            try:
                await _watch_once(on_change, limit_s)
            except LinkError:  # the scan says what is wrong with the bus
                pass
            await asyncio.sleep(LOOK_AGAIN_s)

    async def _watch_once(on_change: Callable[[bool], None], limit_s: float) -> None:
        """Watch until the bus goes away (LinkError)."""

        def heard(message: Message) -> None:
            if message.message_type is MessageType.SIGNAL and message.member == _CHANGED:
                name, _, owner = message.body
                if name == SERVICE:
                    on_change(bool(owner))

        try:
            bus = MessageBus(bus_type=BusType.SYSTEM)
        except LIBRARY_FAULTS as fault:
            raise LinkError("there is no message bus") from fault
        try:
            await within(limit_s, bus.connect(), DOING)
            bus.add_message_handler(heard)
            asked = Message(
                destination=_BUS,
                path="/org/freedesktop/DBus",
                interface=_BUS,
                member="AddMatch",
                signature="s",
                body=[_MATCH],
            )
            await within(limit_s, bus.call(asked), DOING)
            await bus.wait_for_disconnect()  # type: ignore[no-untyped-call]
        except LIBRARY_FAULTS as fault:
            raise LinkError("the message bus went away") from fault
        finally:
            if bus.connected:
                bus.disconnect()
                await quietly(LEAVE_s, bus.wait_for_disconnect())  # type: ignore[no-untyped-call]

else:

    async def watch_service(on_change: Callable[[bool], None], limit_s: float) -> None:
        """Other systems tell the library themselves."""
