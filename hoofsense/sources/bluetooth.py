"""Bluetooth instruments: thermometers, air sensors, bridges and beacons, several at once and for hours.

BluetoothSource has one thread with its own event loop; in it one scan and, for every instrument that is
connected to, one supervisor. discover lists what is on the air.
"""

from __future__ import annotations

import asyncio
import contextlib
import logging
import threading
from collections.abc import Callable, Mapping
from dataclasses import dataclass
from functools import partial

from bleak.backends.device import BLEDevice
from bleak.backends.scanner import AdvertisementData

from hoofsense.sources.bluetooth_beacons import Beacons, battery_in, measured_in, values_in
from hoofsense.sources.bluetooth_listening import BEACON_KIND, Listening, on_air_from
from hoofsense.sources.bluetooth_scanner import ScanOwner
from hoofsense.sources.bluetooth_services import READ_SERVICES, BridgeUuids, Identities
from hoofsense.sources.bluetooth_supervisor import KIND, Shared
from hoofsense.sources.bluetooth_timing import BluetoothTiming
from hoofsense.sources.clock import SteadyClock
from hoofsense.sources.instrument_list import InstrumentList, KnownInstrument
from hoofsense.sources.link import InstrumentStatus, LinkLog, Sink, StatusBoard

logger = logging.getLogger(__name__)


class BluetoothSource:
    """A live source (link.LiveSource) of every readable instrument on the air, or of some.

    only      identities, names or addresses of the instruments to read; empty reads all
    known     the instruments this computer knows, with their identities and keys
    keys      further 16-byte keys of encrypted beacons, by address
    adapter   which adapter ("hci1"); None takes the first that is on
    bridge    the UART service bridges use
    remember  called, from the source's thread, with each instrument whose identity was settled anew
    """

    def __init__(
        self,
        only: tuple[str, ...] = (),
        known: InstrumentList | None = None,
        keys: Mapping[str, bytes] | None = None,
        adapter: str | None = None,
        bridge: BridgeUuids | None = None,
        remember: Callable[[KnownInstrument], None] | None = None,
        timing: BluetoothTiming | None = None,
    ) -> None:
        self._only = only
        self._known = known or InstrumentList()
        self._keys = _all_keys(self._known, keys)
        self._adapter = adapter
        self._bridge = bridge or BridgeUuids()
        self._remember = remember or _remember_nothing
        self._timing = timing or BluetoothTiming()
        self._board = StatusBoard()
        self._thread: threading.Thread | None = None
        self._cancel: Callable[[], object] | None = None
        self._running = threading.Event()

    def start(self, sink: Sink, clock: SteadyClock) -> None:
        """Begin to scan; returns at once. What goes wrong shows in status() and as link frames."""
        if self._thread is not None:
            raise ValueError("this source was started before: make a new one")
        self._thread = threading.Thread(target=self._run, args=(sink, clock), name="bluetooth", daemon=True)
        self._thread.start()

    def stop(self) -> None:
        """Disconnect everything and end the thread; takes no longer than timing.stop_s."""
        if self._thread is None:
            return
        self._running.wait(self._timing.stop_s)
        if self._cancel is not None:
            with contextlib.suppress(RuntimeError):  # its loop has ended by itself
                self._cancel()
        self._thread.join(self._timing.stop_s)
        if self._thread.is_alive():
            logger.warning(
                "the Bluetooth service does not answer, leaving it behind: restart it if this stays"
            )

    def status(self) -> tuple[InstrumentStatus, ...]:
        """The adapter and every instrument in view."""
        return self._board.all()

    def _run(self, sink: Sink, clock: SteadyClock) -> None:
        with contextlib.suppress(asyncio.CancelledError):
            asyncio.run(self._listen(sink, clock))

    async def _listen(self, sink: Sink, clock: SteadyClock) -> None:
        loop, task = asyncio.get_running_loop(), asyncio.current_task()
        assert task is not None
        self._cancel = partial(loop.call_soon_threadsafe, task.cancel)
        self._running.set()
        shared = Shared(
            sink=sink,
            clock=clock,
            links=LinkLog(sink, clock),
            board=self._board,
            identities=Identities(self._known),
            connect_lock=asyncio.Lock(),
            timing=self._timing,
            bridge=self._bridge,
            remember=self._remember,
        )
        await Listening(shared, Beacons(self._keys), self._only, self._adapter).run()


@dataclass(frozen=True, slots=True)
class Found:
    """One instrument on the air.

    source_id   the identity it gets, unless it tells a serial number when it is connected to
    kind        "Bluetooth" or "Bluetooth beacon"
    measures    what it measures, in words; empty for an encrypted beacon without its key
    last_value  what a beacon last said, in words; empty for instruments that are connected to
    note        what to know, e.g. that its key is missing
    battery_percent  0 to 100 as a beacon last said, None when it has not
    """

    source_id: str
    kind: str
    name: str
    address: str
    measures: tuple[str, ...]
    rssi_dBm: int | None
    last_value: str = ""
    note: str = ""
    battery_percent: int | None = None


def discover(
    seconds: float,
    known: InstrumentList | None = None,
    keys: Mapping[str, bytes] | None = None,
    adapter: str | None = None,
    bridge: BridgeUuids | None = None,
    timing: BluetoothTiming | None = None,
) -> tuple[Found, ...]:
    """Every readable instrument heard within so many seconds, the strongest signal first.

    raises  LinkError, with a sentence that says what to do, when this computer cannot scan
    """
    known = known or InstrumentList()
    finding = _Finding(SteadyClock.anchored_now(), known, _all_keys(known, keys), bridge or BridgeUuids())
    owner = ScanOwner(
        adapter,
        timing or BluetoothTiming(),
        tuple(READ_SERVICES),
        finding.on_advert,
        finding.on_connected,
        lambda up, why: None,
    )
    asyncio.run(owner.once(seconds))
    unheard = [found for found in finding.found.values() if found.rssi_dBm is None]
    heard = [found for found in finding.found.values() if found.rssi_dBm is not None]
    return (*sorted(heard, key=lambda found: found.rssi_dBm or 0, reverse=True), *unheard)


class _Finding:
    """Gathers what discover lists, the latest advert of each instrument."""

    def __init__(
        self, clock: SteadyClock, known: InstrumentList, keys: Mapping[str, bytes], bridge: BridgeUuids
    ) -> None:
        self._clock = clock
        self._identities = Identities(known)
        self._beacons = Beacons(keys)
        self._bridge = bridge
        self.found: dict[str, Found] = {}

    def on_advert(self, device: BLEDevice, advertised: AdvertisementData) -> None:
        on_air = on_air_from(device, advertised, self._bridge)
        if not on_air.measures and on_air.bthome is None:
            return
        self._identities.heard(device.address, on_air.name, on_air.stays)
        kind, measures, last_value, note = KIND, on_air.measures, "", ""
        before = self.found.get(device.address)
        battery = None if before is None else before.battery_percent
        source_id = self._identities.of(device.address, on_air.name, stays=on_air.stays)
        if on_air.bthome is not None:
            advert = self._beacons.advert(self._clock.instant(), source_id, device.address, on_air.bthome)
            plain = advert.frames[-1].payload
            kind = KIND if measures else BEACON_KIND
            measures = measures or measured_in(plain)
            last_value, note = values_in(plain), advert.note
            battery = battery_in(plain) if battery_in(plain) is not None else battery
        name = on_air.name or device.address
        self.found[device.address] = Found(
            source_id, kind, name, device.address, measures, on_air.rssi_dBm, last_value, note, battery
        )

    def on_connected(self, device: BLEDevice) -> None:
        source_id = self._identities.of(device.address, device.name)
        name = device.name or device.address
        note = "already connected to this computer"
        self.found[device.address] = Found(source_id, KIND, name, device.address, (), None, "", note)


def _all_keys(known: InstrumentList, keys: Mapping[str, bytes] | None) -> dict[str, bytes]:
    return {**known.keys(), **{address.upper(): key for address, key in (keys or {}).items()}}


def _remember_nothing(_: KnownInstrument) -> None:
    """Used when nobody keeps a list."""
