"""What becomes of every advert: frames of a beacon, or a supervisor that keeps an instrument connected."""

from __future__ import annotations

import asyncio
import logging
from dataclasses import dataclass, replace

from bleak.backends.device import BLEDevice
from bleak.backends.scanner import AdvertisementData

from hoofsense.records import NS_PER_S, Instant
from hoofsense.sources.bluetooth_beacons import Beacons, measured_in
from hoofsense.sources.bluetooth_scanner import RSSI_UNKNOWN_dBm, ScanOwner, bluez_properties
from hoofsense.sources.bluetooth_service_watch import watch_service
from hoofsense.sources.bluetooth_services import (
    BTHOME,
    READ_SERVICES,
    BridgeUuids,
    address_stays,
    measured_by,
)
from hoofsense.sources.bluetooth_supervisor import KIND, Shared, Supervisor
from hoofsense.sources.link import InstrumentStatus

logger = logging.getLogger(__name__)

BEACON_KIND = "Bluetooth beacon"
ADAPTER_KIND = "Bluetooth adapter"
ADAPTER_ID = "bluetooth"
MOST_INSTRUMENTS = 32  # supervised, and beacons followed, at once; our choice, bounds the memory


@dataclass(frozen=True, slots=True)
class OnAir:
    """One advert, taken apart.

    stays     whether its address stays the same (address_stays)
    measures  what its services measure; empty when it need not be connected to
    bthome    the service data of a beacon, None for others
    """

    device: BLEDevice
    name: str | None
    stays: bool
    rssi_dBm: int | None
    measures: tuple[str, ...]
    bthome: bytes | None


def on_air_from(device: BLEDevice, advertised: AdvertisementData, bridge: BridgeUuids) -> OnAir:
    """The parts of an advert this program looks at."""
    address_type = bluez_properties(advertised).get("AddressType")
    return OnAir(
        device=device,
        name=advertised.local_name or device.name,
        stays=address_stays(device.address, str(address_type)),
        rssi_dBm=None if advertised.rssi == RSSI_UNKNOWN_dBm else advertised.rssi,
        measures=measured_by(advertised.service_uuids, bridge),
        bthome=advertised.service_data.get(BTHOME),
    )


class Listening:
    """Runs inside the event loop of one source.

    only     identities, names and addresses to listen to; empty listens to all
    adapter  the adapter's name, None for the first that is on
    """

    def __init__(self, shared: Shared, beacons: Beacons, only: tuple[str, ...], adapter: str | None) -> None:
        self._shared = shared
        self._beacons = beacons
        self._only = {word.casefold() for word in only}
        self._supervisors: dict[str, tuple[Supervisor, asyncio.Task[None]]] = {}
        self._beacon_heard: dict[str, tuple[str, int]] = {}  # address -> identity and when, steady_ns
        self._scan = ScanOwner(
            adapter,
            shared.timing,
            (*READ_SERVICES, shared.bridge.service),
            self._on_advert,
            self._on_connected,
            self._on_state,
            shared.connect_lock.locked,
        )
        shared.board.put(ADAPTER_ID, InstrumentStatus(ADAPTER_ID, ADAPTER_KIND, adapter or "Bluetooth"))

    async def run(self) -> None:
        """Listen until cancelled, then let go of the scan and of every instrument at once."""
        loop, limit_s = asyncio.get_running_loop(), self._shared.timing.operation_s
        scan = loop.create_task(self._scan.run())
        watch = loop.create_task(watch_service(self._on_service, limit_s))
        try:
            await asyncio.shield(scan)
        finally:
            tasks = [scan, watch, *(task for _, task in self._supervisors.values())]
            for task in tasks:
                task.cancel()
            await asyncio.gather(*tasks, return_exceptions=True)

    def _on_state(self, up: bool, why: str) -> None:
        self._shared.board.change(ADAPTER_ID, lambda s: replace(s, connected=up, note=why))
        self._shared.links.tell(ADAPTER_ID, up, why or "listening")
        self._miss_silent_beacons()

    def _on_service(self, there: bool) -> None:
        """The Bluetooth service went away or came back: nothing is connected any more, nothing is scanned."""
        for supervisor, _ in self._supervisors.values():
            supervisor.lost()
        if there:
            self._scan.begin_anew()

    def _on_advert(self, device: BLEDevice, advertised: AdvertisementData) -> None:
        instant = self._shared.clock.instant()
        on_air = on_air_from(device, advertised, self._shared.bridge)
        if not self._wanted(device.address, on_air.name):
            return
        connect = bool(on_air.measures) or (on_air.bthome is None and self._expected(device.address))
        if connect or on_air.bthome is not None:
            self._shared.identities.heard(device.address, on_air.name, on_air.stays)
        if on_air.bthome is not None:
            self._on_beacon(instant, on_air, on_air.bthome)
        if connect:
            supervisor = self._supervisor_of(device, on_air.name, on_air.stays)
            supervisor.heard(device, on_air.name, on_air.rssi_dBm, on_air.measures)

    def _on_connected(self, device: BLEDevice) -> None:
        """The system holds a connection, perhaps since a run of this program that was cut off."""
        if not self._wanted(device.address, device.name):
            return
        supervisor = self._supervisor_of(device, device.name, stays=True)
        if not supervisor.connected:
            supervisor.heard(device, device.name, None, ())

    def _wanted(self, address: str, name: str | None) -> bool:
        """Whether it was asked for, or everything was."""
        known = self._shared.identities.known(address)
        words = (address, name, None if known is None else known.source_id)
        return not self._only or bool(self._only & {word.casefold() for word in words if word})

    def _expected(self, address: str) -> bool:
        """Whether it is connected to even when its adverts name no service, as those of bridges often do."""
        known = self._shared.identities.known(address)
        return bool(self._only) or (known is not None and known.kind == KIND)

    def _supervisor_of(self, device: BLEDevice, name: str | None, stays: bool) -> Supervisor:
        kept = self._supervisors.get(device.address)
        if kept is not None:
            return kept[0]
        if len(self._supervisors) >= MOST_INSTRUMENTS:
            self._let_one_go()
        supervisor = Supervisor(self._shared, device, name, stays)
        task = asyncio.get_running_loop().create_task(supervisor.run())
        self._supervisors[device.address] = (supervisor, task)
        task.add_done_callback(lambda ended: self._ended(device.address, ended))
        return supervisor

    def _let_one_go(self) -> None:
        """Make room: the instrument that is connected to no more and was found first."""
        for address, (supervisor, task) in self._supervisors.items():
            if not supervisor.connected:
                task.cancel()
                del self._supervisors[address]
                return

    def _ended(self, address: str, task: asyncio.Task[None]) -> None:
        """A supervisor never ends by itself: say what is wrong with it; the next advert makes a new one."""
        if task.cancelled():
            return
        logger.error("the supervisor of %s failed", address, exc_info=task.exception())
        if self._supervisors.get(address, (None, None))[1] is task:
            del self._supervisors[address]

    # -- beacons ----------------------------------------------------------------------------------
    def _on_beacon(self, instant: Instant, on_air: OnAir, payload: bytes) -> None:
        address = on_air.device.address
        source_id = self._shared.identities.of(address, on_air.name, stays=on_air.stays)
        if address not in self._supervisors and not on_air.measures:
            self._follow_beacon(source_id, on_air, instant.steady_ns)
        if self._beacons.is_repeat(address, payload, instant.steady_ns):
            return
        advert = self._beacons.advert(instant, source_id, address, payload)
        for frame in advert.frames:
            self._shared.sink(frame)
        measures = measured_in(advert.frames[-1].payload)
        self._shared.board.seen(_key(address), instant.steady_ns)
        self._shared.board.change(
            _key(address), lambda s: replace(s, measures=measures or s.measures, note=advert.note)
        )

    def _follow_beacon(self, source_id: str, on_air: OnAir, at_ns: int) -> None:
        """A beacon that is not connected to has a link of its own: it is up while it is heard."""
        address = on_air.device.address
        if address not in self._beacon_heard:
            if len(self._beacon_heard) >= MOST_INSTRUMENTS:
                del self._beacon_heard[min(self._beacon_heard, key=lambda a: self._beacon_heard[a][1])]
            name = on_air.name or address
            self._shared.board.put(
                _key(address), InstrumentStatus(source_id, BEACON_KIND, name, connected=True)
            )
            self._shared.links.tell(source_id, True, "heard")
        self._beacon_heard[address] = (source_id, at_ns)
        self._shared.board.change(_key(address), lambda s: replace(s, rssi_dBm=on_air.rssi_dBm))

    def _miss_silent_beacons(self) -> None:
        """A beacon says nothing when it goes: it is missed after a while."""
        limit_s = self._shared.timing.heard_s
        now_ns = self._shared.clock.instant().steady_ns
        why = f"not heard for {limit_s:g} s: bring it nearer or change its battery"
        for address, (source_id, heard_ns) in list(self._beacon_heard.items()):
            if now_ns - heard_ns > limit_s * NS_PER_S:
                del self._beacon_heard[address]
                self._shared.board.change(_key(address), lambda s: replace(s, connected=False, note=why))
                self._shared.links.tell(source_id, False, why)


def _key(address: str) -> str:
    """Under which a beacon stands on the status board, beside an instrument at the same address."""
    return f"beacon {address}"
