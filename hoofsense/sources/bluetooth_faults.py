"""The edge to the Bluetooth library: every call has a time limit, every failure becomes one sentence."""

from __future__ import annotations

import asyncio
import sys
from collections.abc import Coroutine
from typing import Any, TypeVar

from bleak.exc import (
    BleakBluetoothNotAvailableError,
    BleakBluetoothNotAvailableReason,
    BleakCharacteristicNotFoundError,
    BleakDBusError,
    BleakError,
    BleakGATTProtocolError,
    BleakGATTProtocolErrorCode,
)

from hoofsense.sources.link import LinkError

if sys.platform == "linux":
    from dbus_fast.errors import AuthError, DBusError

    _DENIED: tuple[type[Exception], ...] = (PermissionError, AuthError)
    _BUS_FAULTS: tuple[type[Exception], ...] = (AuthError, DBusError)
else:
    _DENIED = (PermissionError,)
    _BUS_FAULTS = ()

T = TypeVar("T")

# What the library is known to raise when radio, service or bus go away: its own errors, those of the socket,
# and, when they go in the middle of its work, those of its own look-ups and assertions.
LIBRARY_FAULTS: tuple[type[Exception], ...] = (
    BleakError,
    OSError,
    EOFError,
    TimeoutError,
    LookupError,
    AssertionError,
    AttributeError,
    ValueError,
    *_BUS_FAULTS,
)

GRACE_S = 0.5  # for a call that ran out of time to tidy up; our choice

NO_ADAPTER = "no Bluetooth adapter found: plug one in, then look with: bluetoothctl list"
ADAPTER_OFF = "the Bluetooth adapter is off: type: rfkill unblock bluetooth && bluetoothctl power on"
NO_CENTRAL = "this Bluetooth adapter cannot read low-energy instruments: plug in one that can"
NOT_PERMITTED = (
    "this user may not use Bluetooth: type: sudo usermod -aG bluetooth $USER, then log out and in again"
)
NO_SERVICE = "the Bluetooth service is not running: type: sudo systemctl start bluetooth"
NO_BUS = "the system message bus is not running: type: sudo apt install dbus bluez, then restart the computer"
BUS_LOST = "the system message bus went away: trying again, look with: systemctl status dbus bluetooth"

_NOT_AVAILABLE = {
    BleakBluetoothNotAvailableReason.NO_BLUETOOTH: NO_ADAPTER,
    BleakBluetoothNotAvailableReason.NO_BLE_CENTRAL_ROLE: NO_CENTRAL,
    BleakBluetoothNotAvailableReason.POWERED_OFF: ADAPTER_OFF,
    BleakBluetoothNotAvailableReason.DENIED_BY_USER: NOT_PERMITTED,
    BleakBluetoothNotAvailableReason.DENIED_BY_SYSTEM: NOT_PERMITTED,
    BleakBluetoothNotAvailableReason.DENIED_BY_UNKNOWN: NOT_PERMITTED,
}
_BY_BUS_NAME = {
    "org.freedesktop.DBus.Error.AccessDenied": NOT_PERMITTED,
    "org.freedesktop.DBus.Error.ServiceUnknown": NO_SERVICE,
    "org.freedesktop.DBus.Error.NameHasNoOwner": NO_SERVICE,
    "org.freedesktop.DBus.Error.Spawn.ServiceNotFound": NO_SERVICE,
    "org.bluez.Error.NotReady": ADAPTER_OFF,
}
_WANTS_PAIRING = {
    BleakGATTProtocolErrorCode.INSUFFICIENT_AUTHENTICATION,
    BleakGATTProtocolErrorCode.INSUFFICIENT_AUTHORIZATION,
    BleakGATTProtocolErrorCode.INSUFFICIENT_ENCRYPTION,
    BleakGATTProtocolErrorCode.INSUFFICIENT_ENCRYPTION_KEY_SIZE,
}
_SERVICES_CHANGED = {
    BleakGATTProtocolErrorCode.INVALID_HANDLE,
    BleakGATTProtocolErrorCode.ATTRIBUTE_NOT_FOUND,
    BleakGATTProtocolErrorCode.DATABASE_OUT_OF_SYNC,
}


async def within(seconds: float, work: Coroutine[Any, Any, T], doing: str) -> T:
    """The result of work, given up after that many seconds.

    doing   what is being done, in words for the sentence ("connecting")
    raises  LinkError with the library's own error as its cause

    Cancelling the library can itself hang when the Bluetooth service does, so a call that will not end within
    GRACE_S is left behind.
    """
    task = asyncio.ensure_future(work)
    try:
        done, _ = await asyncio.wait({task}, timeout=seconds)
        if not done:
            raise TimeoutError(f"no answer for {seconds:g} s")
        return task.result()
    except LIBRARY_FAULTS as fault:
        raise LinkError(sentence_of(fault, doing)) from fault
    finally:
        if not task.done():
            task.add_done_callback(_heed)
            task.cancel()
            await asyncio.wait({task}, timeout=GRACE_S)


async def quietly(seconds: float, work: Coroutine[Any, Any, Any]) -> None:
    """Tidy up: do work, and if it fails then the link is gone anyway."""
    try:
        await within(seconds, work, "tidying up")
    except LinkError:
        return


def _heed(task: asyncio.Future[Any]) -> None:
    """Look at the outcome, so that asyncio does not report it as forgotten."""
    if not task.cancelled():
        task.exception()


def sentence_of(fault: BaseException, doing: str) -> str:
    """One sentence for the person: what failed and what to do or type."""
    if isinstance(fault, BleakBluetoothNotAvailableError):
        return _NOT_AVAILABLE.get(fault.reason, NO_ADAPTER)
    if isinstance(fault, BleakDBusError):
        details = _details(fault) or fault.dbus_error.rsplit(".", 1)[-1]
        said = f"{doing} failed ({details}): trying again; bring it nearer or switch it off and on"
        return _BY_BUS_NAME.get(fault.dbus_error, said)
    if isinstance(fault, _DENIED):
        return NOT_PERMITTED
    if isinstance(fault, FileNotFoundError | ConnectionRefusedError):
        return NO_BUS
    if isinstance(fault, TimeoutError):
        return f"{doing}: {str(fault) or 'no answer'}; trying again, bring it nearer or switch it off and on"
    if isinstance(fault, EOFError | OSError):
        return BUS_LOST
    if isinstance(fault, BleakGATTProtocolError):
        return f"{doing} was refused by the instrument ({fault.args[1]}): switch it off and on"
    return f"{doing} failed ({type(fault).__name__}: {fault}): trying again"


def _details(fault: BleakDBusError) -> str:
    """What the bus error says besides its name; the library's own property fails on some texts."""
    return str(fault.args[1]) if len(fault.args) > 1 else ""


def refused_by_instrument(fault: LinkError) -> bool:
    """The link stands and the instrument itself said no."""
    return isinstance(fault.__cause__, BleakGATTProtocolError)


def wants_pairing(fault: LinkError) -> bool:
    """The instrument answers paired computers only."""
    cause = fault.__cause__
    if isinstance(cause, BleakGATTProtocolError):
        return cause.code in _WANTS_PAIRING
    return isinstance(cause, BleakDBusError) and _details(cause).startswith("Not paired")


def services_changed(fault: LinkError) -> bool:
    """What the computer remembers of the instrument's services is out of date."""
    cause = fault.__cause__
    if isinstance(cause, BleakGATTProtocolError):
        return cause.code in _SERVICES_CHANGED
    return isinstance(cause, BleakCharacteristicNotFoundError)
