"""The one owner of the scan: keeps it going, notices when the adapter or the bus went away, says why.

While scanning it looks at the adapter every second. A scan in which nothing at all is heard for a while is
begun anew: after the adapter was switched off and on, or the bus came back, the system says nothing and the
old scan stays deaf.
"""

from __future__ import annotations

import asyncio
import contextlib
from collections.abc import Callable, Sequence

from bleak import BleakAdapter, BleakScanner
from bleak.args.bluez import BlueZAdapterArgs, BlueZScannerArgs
from bleak.backends.device import BLEDevice
from bleak.backends.scanner import AdvertisementData

from hoofsense.sources.bluetooth_faults import quietly, within
from hoofsense.sources.bluetooth_timing import BluetoothTiming
from hoofsense.sources.link import Backoff, LinkError

RSSI_UNKNOWN_dBm = -127  # Bluetooth Core, volume 4, part E, 7.7.65.2: 127 stands for unknown; BlueZ says -127

MOST_DEVICES = 512  # whose state is remembered; our choice, bounds the memory in a street full of phones

OnAdvert = Callable[[BLEDevice, AdvertisementData], None]


class ScanOwner:
    """Scans for ever.

    on_advert     called for every advert, first thing when it arrives
    on_connected  called about every second with the instruments the system is already connected to
    on_state      called with (True, "") when scanning works and (False, why) when it does not
    connecting    whether something is being connected to just now: the radio hears nothing else meanwhile,
                  and beginning the scan anew could break it off
    """

    def __init__(
        self,
        adapter: str | None,
        timing: BluetoothTiming,
        services: Sequence[str],
        on_advert: OnAdvert,
        on_connected: Callable[[BLEDevice], None],
        on_state: Callable[[bool, str], None],
        connecting: Callable[[], bool] = lambda: False,
    ) -> None:
        self._timing = timing
        self._services = list(services)
        self._on_advert = on_advert
        self._on_connected = on_connected
        self._on_state = on_state
        self._connecting = connecting
        self._adapter = adapter
        self._sieve = AdvertSieve()
        self._heard_s = 0.0
        self._anew = asyncio.Event()

    async def run(self) -> None:
        """Scan until cancelled."""
        backoff = Backoff(self._timing.backoff_first_s, self._timing.backoff_cap_s)
        while True:
            self._anew.clear()
            try:
                await self._scan(backoff)
            except LinkError as fault:
                self._on_state(False, str(fault))
                await self._pause(backoff.next_s())

    def begin_anew(self) -> None:
        """The Bluetooth service was started anew, which ended the scan without a word: begin another."""
        self._anew.set()

    async def _pause(self, seconds: float) -> None:
        """Wait, but not past a reason to begin anew."""
        with contextlib.suppress(TimeoutError):
            await asyncio.wait_for(self._anew.wait(), seconds)

    async def once(self, seconds: float) -> None:
        """Scan for so long and stop; raises LinkError when that is not possible."""
        scanner = await self._started()
        try:
            await self._look_at_the_adapter()
            await asyncio.sleep(seconds)
        finally:
            await quietly(self._timing.leave_s, scanner.stop())

    async def _scan(self, backoff: Backoff) -> None:
        """One scan, until nothing was heard for a while (returns) or it fails (LinkError)."""
        loop = asyncio.get_running_loop()
        scanner = await self._started()
        leave_s = self._timing.operation_s
        try:
            self._heard_s = loop.time()
            while not self._anew.is_set() and (
                self._connecting() or loop.time() - self._heard_s < self._timing.scan_silence_s
            ):
                await self._look_at_the_adapter()
                self._on_state(True, "")
                backoff.reset()
                await self._pause(self._timing.probe_s)
        except asyncio.CancelledError:
            leave_s = self._timing.leave_s
            raise
        finally:
            await quietly(leave_s, scanner.stop())

    async def _started(self) -> BleakScanner:
        bluez: BlueZScannerArgs = {"filters": {"DuplicateData": True}}
        if self._adapter is not None:
            bluez["adapter"] = self._adapter
        scanner = BleakScanner(self._heard, bluez=bluez)
        await within(self._timing.operation_s, scanner.start(), "starting the scan")
        return scanner

    async def _look_at_the_adapter(self) -> None:
        """Raises LinkError when adapter, service or bus are away."""
        limit_s = self._timing.operation_s
        which: BlueZAdapterArgs = {} if self._adapter is None else {"adapter": self._adapter}
        adapter = await within(limit_s, BleakAdapter.get(bluez=which), "looking at the adapter")
        connected = adapter.get_connected_devices(self._services)
        for device in await within(limit_s, connected, "looking at the adapter"):
            self._on_connected(device)

    def _heard(self, device: BLEDevice, advertised: AdvertisementData) -> None:
        if self._sieve.is_advert(device.address, advertised):
            self._heard_s = asyncio.get_running_loop().time()
            self._on_advert(device, advertised)


class AdvertSieve:
    """Tells adverts from the other changes of a device that BlueZ calls for too, such as its disconnecting.

    Those show the last advert once more, and so would make an old value new, or have something connected to
    that is out of reach.
    """

    def __init__(self) -> None:
        self._states: dict[str, tuple[object, ...]] = {}

    def is_advert(self, address: str, advertised: AdvertisementData) -> bool:
        """Whether something was heard: False when it was the state of the connection that changed."""
        shown = bluez_properties(advertised)
        state = tuple(shown.get(name) for name in ("Connected", "ServicesResolved", "Paired", "Bonded"))
        before = self._states.pop(address, state)
        self._states[address] = state
        if len(self._states) > MOST_DEVICES:
            del self._states[next(iter(self._states))]
        return before == state


def bluez_properties(advertised: AdvertisementData) -> dict[str, object]:
    """What BlueZ says of a device besides the advert; empty on other systems."""
    for part in advertised.platform_data:
        if isinstance(part, dict):
            return part
    return {}
