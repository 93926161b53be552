"""Keeps one Bluetooth instrument connected: connect, subscribe, listen, notice the loss, begin again.

It is connected only when it was heard since the last attempt, one instrument at a time (the connect lock),
and what it sends is stamped first thing in the synchronous callback.
"""

from __future__ import annotations

import asyncio
import logging
from collections.abc import Callable
from dataclasses import dataclass, field, replace
from functools import partial

from bleak import BleakClient
from bleak.backends.characteristic import BleakGATTCharacteristic
from bleak.backends.device import BLEDevice
from bleak.exc import BleakError

from hoofsense.records import Instant, RawFrame
from hoofsense.sources.bluetooth_faults import (
    quietly,
    refused_by_instrument,
    services_changed,
    wants_pairing,
    within,
)
from hoofsense.sources.bluetooth_services import (
    BATTERY_LEVEL,
    BRIDGE_MEASURES,
    CHARACTERISTICS,
    SERIAL_NUMBER,
    BridgeUuids,
    Identities,
)
from hoofsense.sources.bluetooth_timing import BluetoothTiming, Patience
from hoofsense.sources.clock import SteadyClock
from hoofsense.sources.instrument_list import KnownInstrument
from hoofsense.sources.line_reader import LineReader, bridge_channel
from hoofsense.sources.link import Backoff, InstrumentStatus, LinkError, LinkLog, Sink, StatusBoard
from hoofsense.wire.errors import FrameError
from hoofsense.wire.gatt import decode_battery

logger = logging.getLogger(__name__)

Heard = Callable[[BleakGATTCharacteristic, bytearray], None]

KIND = "Bluetooth"
BATTERY_CHANNEL = CHARACTERISTICS[BATTERY_LEVEL][0]

LOST = "the link was lost: bring the instrument nearer, or check its battery"
NOTHING_TO_READ = "it offers nothing this program reads: use an instrument with a standard service"


@dataclass(slots=True)
class Shared:
    """What all instruments of one source share."""

    sink: Sink
    clock: SteadyClock
    links: LinkLog
    board: StatusBoard
    identities: Identities
    connect_lock: asyncio.Lock
    timing: BluetoothTiming
    bridge: BridgeUuids
    remember: Callable[[KnownInstrument], None]


class NothingToReadError(LinkError):
    """The instrument is connected and has none of the characteristics this program reads."""


@dataclass(slots=True)
class _Polled:
    """A value that must be asked for, and when next."""

    characteristic: BleakGATTCharacteristic
    channel: str
    every_s: float
    due_s: float


@dataclass(slots=True)
class _Session:
    """One connection, from connect to loss."""

    client: BleakClient
    gone: asyncio.Event
    reader: LineReader = field(default_factory=LineReader)
    subscribed: list[tuple[BleakGATTCharacteristic, Heard]] = field(default_factory=list)
    polled: list[_Polled] = field(default_factory=list)
    paired: bool = False


def _characteristics(session: _Session) -> list[BleakGATTCharacteristic]:
    """All characteristics, by rising handle; LinkError when the link has just gone."""
    try:
        return [c for _, c in sorted(session.client.services.characteristics.items())]
    except BleakError as fault:
        raise LinkError(LOST) from fault


class Supervisor:
    """One instrument. run() never ends; heard() tells it that the instrument is on the air."""

    def __init__(self, shared: Shared, device: BLEDevice, name: str | None, stays: bool) -> None:
        self._shared = shared
        self._address = device.address
        self._device = device
        self._name = name
        self._stays = stays
        self.source_id = shared.identities.of(device.address, name, stays=stays)
        self._identified = shared.identities.known(device.address) is not None
        self._on_air = asyncio.Event()
        self._patience = Patience(shared.timing)
        self._backoff = Backoff(shared.timing.backoff_first_s, shared.timing.backoff_cap_s)
        self._services_renewed = False
        self.connected = False
        self._gone = asyncio.Event()  # of the connection under way, if any
        shared.board.put(self._address, InstrumentStatus(self.source_id, KIND, name or self._address))

    def heard(self, device: BLEDevice, name: str | None, rssi: int | None, measures: tuple[str, ...]) -> None:
        """The instrument advertised, or the system already holds a connection to it."""
        self._device = device
        self._name = name or self._name
        self._on_air.set()
        self._shared.board.change(
            self._address,
            lambda s: replace(
                s,
                name=self._name or self._address,
                rssi_dBm=s.rssi_dBm if rssi is None else rssi,
                measures=s.measures or measures,
            ),
        )

    def lost(self) -> None:
        """The Bluetooth service is gone, and with it every connection, though the library says nothing."""
        self._gone.set()

    async def run(self) -> None:
        """Connect whenever the instrument is heard, until cancelled."""
        while True:
            await self._on_air.wait()
            wait_s = 0.0
            try:
                await self._connect_and_listen()
            except NothingToReadError as fault:
                self._down(str(fault))
                wait_s = self._shared.timing.useless_s
            except LinkError as fault:
                self._down(str(fault))
            self._on_air.clear()
            await asyncio.sleep(max(wait_s, self._backoff.next_s()))

    async def _connect_and_listen(self) -> None:
        """One session; always ends by LinkError, with the connection given back."""
        timing = self._shared.timing
        self._gone = gone = asyncio.Event()
        client = BleakClient(
            self._device, disconnected_callback=lambda _: gone.set(), timeout=timing.connect_s
        )
        session = _Session(client, gone)
        leave_s = timing.operation_s
        try:
            async with self._shared.connect_lock:
                await within(timing.connect_s, client.connect(), "connecting")
            try:
                await self._identify(session)
                await self._subscribe_to_all(session)
            except LinkError as fault:
                await self._renew_services(session, fault)
                raise
            self._up(session)
            await self._listen(session)
        except asyncio.CancelledError:
            leave_s = timing.leave_s
            raise
        finally:
            self.connected = False
            await quietly(leave_s, client.disconnect())

    async def _identify(self, session: _Session) -> None:
        """Settle the identity at the first connection; it stays the same from then on.

        Not while nothing can be read: services out of date may lack the serial number too.
        """
        if not self._measures(session):
            raise NothingToReadError(NOTHING_TO_READ)
        if self._identified:
            return
        serial = ""
        told = [c for c in _characteristics(session) if c.uuid == SERIAL_NUMBER and "read" in c.properties]
        for characteristic in told[:1]:
            try:
                serial = (await self._read(session, characteristic)).decode("utf-8", "replace")
            except LinkError as fault:
                if services_changed(fault) or not refused_by_instrument(fault):
                    raise
        identities = self._shared.identities
        self.source_id = identities.of(self._address, self._name, serial, self._stays)
        self._identified = True
        self._shared.board.change(self._address, lambda s: replace(s, source_id=self.source_id))
        name = self._name or self.source_id
        self._shared.remember(KnownInstrument(self.source_id, KIND, name, (self._address,)))

    async def _subscribe_to_all(self, session: _Session) -> None:
        """Subscribe to, or plan to ask for, everything this program reads."""
        seen: set[str] = set()
        for characteristic in _characteristics(session):
            if characteristic.uuid in CHARACTERISTICS:
                channel, _ = CHARACTERISTICS[characteristic.uuid]
                again = channel in seen  # several of a kind in one instrument are told apart by handle
                seen.add(channel)
                label = f"{channel}#{characteristic.handle:04x}" if again else channel
                await self._take_up(session, characteristic, label)
            elif characteristic.uuid == self._shared.bridge.sends:
                await self._subscribe(session, characteristic, partial(self._on_bridge, session))
        if not session.subscribed and not session.polled:
            raise NothingToReadError(NOTHING_TO_READ)

    async def _take_up(
        self, session: _Session, characteristic: BleakGATTCharacteristic, channel: str
    ) -> None:
        """Read it once where it can be read, then subscribe; ask for it again and again where it cannot be.

        Once subscribed it is not read any more: BlueZ would show the answer as a notification too.
        """
        timing = self._shared.timing
        try:
            if "read" in characteristic.properties:
                self._record(channel, await self._read(session, characteristic), self._shared.clock.instant())
            if {"notify", "indicate"} & set(characteristic.properties):
                await self._subscribe(session, characteristic, partial(self._on_value, channel))
            elif "read" in characteristic.properties:
                every_s = timing.battery_s if characteristic.uuid == BATTERY_LEVEL else timing.poll_s
                due_s = asyncio.get_running_loop().time() + every_s
                session.polled.append(_Polled(characteristic, channel, every_s, due_s))
        except LinkError as fault:
            if services_changed(fault) or not refused_by_instrument(fault):
                raise
            logger.warning("%s: %s of %s", self.source_id, fault, characteristic.description)

    async def _subscribe(
        self, session: _Session, characteristic: BleakGATTCharacteristic, heard: Heard
    ) -> None:
        """Subscribe, pairing first when the instrument wants that."""
        limit_s = self._shared.timing.operation_s
        try:
            await within(limit_s, session.client.start_notify(characteristic, heard), "subscribing")
        except LinkError as fault:
            if session.paired or not wants_pairing(fault):
                raise
            session.paired = True
            await within(self._shared.timing.pair_s, session.client.pair(), "pairing")
            await within(limit_s, session.client.start_notify(characteristic, heard), "subscribing")
        session.subscribed.append((characteristic, heard))

    async def _read(self, session: _Session, characteristic: BleakGATTCharacteristic) -> bytes:
        limit_s = self._shared.timing.operation_s
        return bytes(await within(limit_s, session.client.read_gatt_char(characteristic), "reading"))

    async def _renew_services(self, session: _Session, fault: LinkError) -> None:
        """Once until data come: let the system forget services that seem out of date, and find them anew."""
        stale = isinstance(fault, NothingToReadError) or services_changed(fault)
        if stale and not self._services_renewed:
            self._services_renewed = True
            await quietly(self._shared.timing.operation_s, session.client.unpair())
            raise LinkError("its services had changed: finding them anew") from fault

    async def _listen(self, session: _Session) -> None:
        """Until the link is lost: ask for what is polled, and do something about silence."""
        loop = asyncio.get_running_loop()
        self._patience.begin(loop.time())
        while True:
            now_s = loop.time()
            waits = [polled.due_s - now_s for polled in session.polled]
            if session.subscribed:
                waits.append(self._patience.left_s(now_s))
            try:
                await asyncio.wait_for(session.gone.wait(), max(0.0, min(waits)))
                raise LinkError(LOST)
            except TimeoutError:
                pass
            for polled in session.polled:
                if polled.due_s <= loop.time():
                    polled.due_s = loop.time() + polled.every_s
                    value = await self._read(session, polled.characteristic)
                    self._record(polled.channel, value, self._shared.clock.instant())
            if session.subscribed and self._patience.left_s(loop.time()) <= 0.0:
                await self._rouse(session)

    async def _rouse(self, session: _Session) -> None:
        """Connected but silent: subscribe again, and the next time connect again."""
        silent_s = self._patience.seconds
        if not self._patience.act(asyncio.get_running_loop().time()):
            raise LinkError(f"connected but silent for {2 * silent_s:g} s: connecting again")
        logger.info("%s: silent for %g s, subscribing again", self.source_id, silent_s)
        limit_s = self._shared.timing.operation_s
        for characteristic, heard in session.subscribed:
            await within(limit_s, session.client.stop_notify(characteristic), "subscribing again")
            await within(limit_s, session.client.start_notify(characteristic, heard), "subscribing again")

    # -- what the instrument says; called by the library, stamped first ---------------------------
    def _on_value(self, channel: str, _: BleakGATTCharacteristic, data: bytearray) -> None:
        instant = self._shared.clock.instant()
        self._record(channel, bytes(data), instant)

    def _on_bridge(self, session: _Session, _: BleakGATTCharacteristic, data: bytearray) -> None:
        instant = self._shared.clock.instant()
        known = self._shared.identities.known(self._address)
        channel = bridge_channel(None if known is None else known.sign_bit)
        for line in session.reader.lines(bytes(data)):
            self._record(channel, line, instant)

    def _record(self, channel: str, payload: bytes, instant: Instant) -> None:
        self._shared.sink(RawFrame(instant, self.source_id, channel, payload))
        self._shared.board.seen(self._address, instant.steady_ns)
        if channel == BATTERY_CHANNEL:
            self._battery(payload)
            return
        self._patience.data(asyncio.get_running_loop().time())
        self._backoff.reset()
        self._services_renewed = False

    def _battery(self, payload: bytes) -> None:
        try:
            percent = decode_battery(payload)
        except FrameError:  # recorded all the same, decoding counts it
            return
        self._shared.board.change(self._address, lambda s: replace(s, battery_percent=percent))

    # -- what is told about the link --------------------------------------------------------------
    def _measures(self, session: _Session) -> tuple[str, ...]:
        """In words, what this program can read of the instrument."""
        words: list[str] = []
        for characteristic in _characteristics(session):
            if characteristic.uuid in CHARACTERISTICS:
                words.append(CHARACTERISTICS[characteristic.uuid][1])
            elif characteristic.uuid == self._shared.bridge.sends:
                words.extend(BRIDGE_MEASURES)
        return tuple(dict.fromkeys(words))

    def _up(self, session: _Session) -> None:
        self.connected = True
        measures = self._measures(session)
        self._shared.board.change(
            self._address, lambda s: replace(s, connected=True, note="", measures=measures)
        )
        self._shared.links.tell(self.source_id, True, "connected")

    def _down(self, why: str) -> None:
        self._shared.board.change(self._address, lambda s: replace(s, connected=False, note=why))
        if self._identified:
            self._shared.links.tell(self.source_id, False, why)
        else:
            logger.warning("%s: %s", self.source_id, why)
