"""The links of a long day, what they deliver and what goes wrong with them; driven by instruments_soak.py."""

from __future__ import annotations

import contextlib
import hashlib
import json
import os
import pathlib
import random
import socket
import sys
import time
from collections import Counter, defaultdict
from collections.abc import Callable, Iterator

sys.path.insert(0, str(pathlib.Path(__file__).parents[1] / "sources"))

from bluetooth_bench import address, degC, thermometer
from fake_peripheral import Char
from fake_radio import Radio

from hoofsense.records import NS_PER_S, RawFrame
from hoofsense.sources.bluetooth import BluetoothSource
from hoofsense.sources.bluetooth_services import BridgeUuids
from hoofsense.sources.clock import SteadyClock
from hoofsense.sources.keyboard_wedge import KeyboardWedge
from hoofsense.sources.link import LiveSource
from hoofsense.sources.serial_port import SerialPort
from hoofsense.wire.bridge_line import BridgeLine, Kind, encode_bridge_line
from hoofsense.wire.bthome import encode_bthome
from hoofsense.wire.checked_text import decode_checked
from hoofsense.wire.key_events import encode_key_event, events_of
from hoofsense.wire.typed import encode_typed

PER_S = 10
HELD_S = 1.5  # how long a cause lasts
GIVE_UP_S = 60.0
LOOK_S = 0.01
DAY_NS = 1_773_475_200 * NS_PER_S  # 2026-03-14T08:00:00Z, an invented day
THERMOMETER, UART, BEACON, CABLE, GAUGE = "A17", "uart-1", "yard", "cable", "ttyGAUGE"


class DayClock:
    """The day's time, moved on by whoever drives the day; every source is stamped by it."""

    def __init__(self) -> None:
        self._elapsed_ns = 0
        self.steady = SteadyClock(DAY_NS, lambda: DAY_NS + self._elapsed_ns, lambda: self._elapsed_ns, "soak")

    def advance(self, seconds: float) -> None:
        self._elapsed_ns += round(seconds * NS_PER_S)


class Delivered:
    """What live links delivered: a count and a running hash for each, so that memory stays as it is."""

    def __init__(self) -> None:
        self.count: Counter[tuple[str, str]] = Counter()
        self._hashes: defaultdict[tuple[str, str], hashlib._Hash] = defaultdict(hashlib.sha256)

    def add(self, source_id: str, channel: str, payload: bytes) -> None:
        self.count[source_id, channel] += 1
        self._hashes[source_id, channel].update(len(payload).to_bytes(2, "big") + payload)

    def digest(self, key: tuple[str, str]) -> str:
        return self._hashes[key].hexdigest()


class Heard:
    """What the collector took, told by its own thread."""

    def __init__(self) -> None:
        self.count: Counter[tuple[str, str]] = Counter()
        self.up: dict[str, bool] = {}
        self.why: dict[str, str] = {}

    def __call__(self, frame: RawFrame) -> None:
        self.count[frame.source_id, frame.channel] += 1
        if frame.channel == "link":
            said = json.loads(decode_checked(frame.payload))
            self.up[frame.source_id] = said["up"]
            if not said["up"]:
                self.why[frame.source_id] = said["why"]


class SocketBridge:
    """A bridge on a TCP port that can go away and come back."""

    def __init__(self) -> None:
        self._listener: socket.socket | None = None
        self._client: socket.socket | None = None
        self.port = 0
        self.appear()

    def appear(self) -> None:
        self._listener = socket.create_server(("127.0.0.1", self.port))
        self.port = self._listener.getsockname()[1]
        self._listener.setblocking(False)

    def vanish(self) -> None:
        for one in (self._client, self._listener):
            if one is not None:
                one.close()
        self._client = self._listener = None

    def send(self, line: bytes) -> bool:
        if self._client is None and self._listener is not None:
            with contextlib.suppress(BlockingIOError):
                self._client, _ = self._listener.accept()
                self._client.setblocking(True)
        if self._client is None:
            return False
        self._client.sendall(line + b"\r\n")
        return True


class Plug:
    """A gauge on a pseudo-terminal behind a path that stays."""

    def __init__(self, path: pathlib.Path) -> None:
        self.path = path
        self._master: int | None = None
        self.plug_in()

    def plug_in(self) -> None:
        self._master, slave = os.openpty()
        self.path.unlink(missing_ok=True)
        self.path.symlink_to(os.ttyname(slave))
        os.close(slave)

    def pull_out(self) -> None:
        self.path.unlink(missing_ok=True)
        if self._master is not None:
            os.close(self._master)
        self._master = None

    def send(self, line: bytes) -> bool:
        if self._master is None:
            return False
        os.write(self._master, line + b"\r")
        return True


class Day:
    """Drives all links for one simulated second at a time, and causes faults."""

    def __init__(self, radio: Radio, folder: pathlib.Path, seed: int) -> None:
        self.clock, self.delivered, self.heard = DayClock(), Delivered(), Heard()
        self.second = 0
        self._rng = random.Random(seed)
        self._radio = radio
        self._thermometer = thermometer(radio)
        self._uart_sends = Char(BridgeUuids().sends, ["notify"])
        self._uart = radio.bluez.peripheral(address(0xB2), UART, {BridgeUuids().service: [self._uart_sends]})
        self._beacon = radio.bluez.peripheral(address(0xB0), BEACON)
        for one in (self._thermometer, self._uart):
            radio.on_air(one, every_s=0.2)
        self._socket = SocketBridge()
        self.socket_id = f"127.0.0.1-{self._socket.port}"
        self._plug = Plug(folder / GAUGE)
        cable = folder / f"{CABLE}-event-kbd"
        os.mkfifo(cable)
        self._cable = os.open(cable, os.O_RDWR)
        self._lines: Counter[str] = Counter()
        self.sources: list[LiveSource] = [
            BluetoothSource(),
            SerialPort(f"socket://127.0.0.1:{self._socket.port}"),
            SerialPort(str(self._plug.path), gauge_unit="mm"),
            KeyboardWedge(str(cable), "mm"),
        ]

    # -- one second of readings -------------------------------------------------------------------

    def send_second(self) -> None:
        """Ten readings on each link that stands, one advert, and a typed value now and then."""
        if self._up(THERMOMETER) or self._up(UART):
            self._radio.do(self._send_bluetooth)
        for _ in range(PER_S):
            if self._up(self.socket_id):
                self._put(self.socket_id, "line:hs1", self._line("socket"), self._socket.send)
            if self._up(GAUGE):
                self._put(
                    GAUGE, "line:gauge?unit=mm", b"+%07.2f" % (self._lines["gauge"] % 100), self._plug.send
                )
                self._lines["gauge"] += 1
        if self.second % PER_S == 0 and self._up(CABLE):
            text = f"{self.second % 97},{self.second % 10}"
            os.write(self._cable, b"".join(encode_key_event(event) for event in events_of(text)))
            self.delivered.add(CABLE, "typed", encode_typed(text, "mm"))
        self.second += 1
        self.clock.advance(1.0)

    def _send_bluetooth(self) -> None:
        for n in range(PER_S):
            if self._up(THERMOMETER):
                payload = degC(30.0 + (self.second * PER_S + n) % 400 / 100)
                if self._thermometer.notify(0x2A1C, payload):
                    self.delivered.add(THERMOMETER, "gatt:2a1c", payload)
            if self._up(UART) and self._uart_sends.subscribers:
                line = self._line("uart")
                cut = self._rng.randrange(len(line))
                for part in (line[:cut], line[cut:] + b"\r\n"):
                    self._uart.notify(self._uart_sends, part)
                self.delivered.add(UART, "line:hs1", line)
        if self._up("bluetooth") and self._radio.bluez.scanning:
            payload = encode_bthome(
                ((0x02, self.second % 3000 / 100), (0x03, 50.0)), packet_id=self.second % 256
            )
            self._beacon.advertise(service_data={0xFCD2: payload}, uuids=())
            self.delivered.add(BEACON, "advert:fcd2", payload)

    def _put(self, source_id: str, channel: str, line: bytes, send: Callable[[bytes], bool]) -> None:
        if send(line):
            self.delivered.add(source_id, channel, line)

    def _line(self, which: str) -> bytes:
        number = self._lines[which]
        self._lines[which] += 1
        ms = (self.second * 1000 + number % PER_S * 100) % 2**32
        return encode_bridge_line(
            BridgeLine(number, ms, Kind.MEASUREMENT, "ir", f"{number % 300 / 10:.2f}", "Cel")
        )

    def _up(self, source_id: str) -> bool:
        return self.heard.up.get(source_id, False)

    # -- waiting ----------------------------------------------------------------------------------

    def behind(self) -> int:
        return sum(self.delivered.count.values()) - sum(self.heard.count[key] for key in self.delivered.count)

    def caught_up(self, backlog: int = 0) -> None:
        """Until no more than backlog readings are on their way."""
        give_up_s = time.monotonic() + GIVE_UP_S
        while self.behind() > backlog:
            if time.monotonic() > give_up_s:
                missing = {k: n - self.heard.count[k] for k, n in self.delivered.count.items()}
                raise SystemExit(f"second {self.second}: readings do not arrive: {missing}")
            time.sleep(LOOK_S / 10)

    def live_until(self, happened: Callable[[], bool], what: str) -> float:
        """Go on at live speed until then; the seconds it took."""
        started_s = time.monotonic()
        sent = 0
        while not happened():
            took_s = time.monotonic() - started_s
            if took_s > GIVE_UP_S:
                raise SystemExit(
                    f"second {self.second}: waited {GIVE_UP_S:.0f} s for {what}; {self.heard.up}"
                )
            if took_s >= sent + 1:
                self.send_second()
                sent += 1
            time.sleep(LOOK_S)
        return time.monotonic() - started_s

    # -- faults: each causes, holds, removes the cause, and waits; (name, seconds until all is well) ---

    def faults(self) -> Iterator[tuple[str, Callable[[], float]]]:
        """The faults of the day, in turn."""
        usual = (
            ("thermometer drops", self._drop),
            ("socket goes away", self._socket_away),
            ("refused connects", self._refused),
            ("gauge unplugged", self._unplugged),
            ("garbage on the socket", self._garbage),
            ("adapter off", self._adapter_off),
            ("bridge drops in mid-line", self._uart_drop),
            ("stored indications", self._stored),
            ("bus dies", self._bus_dies),
        )
        seldom = (("service restarts", self._service_restarts), ("connected but mute", self._mute))
        turn = 0
        while True:
            yield from usual
            turn += 1
            if turn % 4 == 0:
                yield seldom[turn // 4 % 2]

    def _outage(
        self,
        sources: tuple[str, ...],
        begin: Callable[[], object],
        end: Callable[[], object] | None = None,
    ) -> float:
        """Down and up again; a cause without an end is over as soon as it has begun."""
        for source_id in sources:
            self.heard.why.pop(source_id, None)
        begin()
        took_s = self.live_until(lambda: all(not self._up(one) for one in sources), f"{sources} to be down")
        if end is not None:
            self.live_until(_after(HELD_S), "the cause to last")
            end()
            took_s = 0.0
        return took_s + self.live_until(
            lambda: all(self._up(one) for one in sources), f"{sources} to be back"
        )

    def _drop(self) -> float:
        return self._outage((THERMOMETER,), lambda: self._radio.do(self._thermometer.drop))

    def _uart_drop(self) -> float:
        def half_and_drop() -> None:
            self._uart.notify(self._uart_sends, b"$HS1,1,2,M,ja")
            self._uart.drop()

        return self._outage((UART,), lambda: self._radio.do(half_and_drop))

    def _refused(self) -> float:
        refusals = ["Failed:le-connection-abort-by-remote", "InProgress:busy"]
        self._thermometer.connect_errors = list(refusals)
        self.heard.why.pop(THERMOMETER, None)
        self._radio.do(self._thermometer.drop)
        self.live_until(lambda: not self._thermometer.connect_errors, "the refusals")
        return self.live_until(lambda: self._up(THERMOMETER), "the thermometer")

    def _socket_away(self) -> float:
        return self._outage((self.socket_id,), self._socket.vanish, self._socket.appear)

    def _unplugged(self) -> float:
        self.caught_up()
        return self._outage((GAUGE,), self._plug.pull_out, self._plug.plug_in)

    def _garbage(self) -> float:
        noise = bytes(
            self._rng.choice(b"$HS1,*\x00\x7f\xff0123ABC") for _ in range(self._rng.randrange(1, 200))
        )
        self._put(self.socket_id, "line:hs1", noise, self._socket.send)
        return 0.0

    def _stored(self) -> float:
        def burst() -> None:
            for n in range(300):
                payload = degC(20.0 + n / 100)
                if self._thermometer.notify(0x2A1C, payload):
                    self.delivered.add(THERMOMETER, "gatt:2a1c", payload)

        self._radio.do(burst)
        return 0.0

    def _adapter_off(self) -> float:
        self.caught_up()
        power = self._radio.bluez.power
        every = ("bluetooth", THERMOMETER, UART)
        return self._outage(every, lambda: self._radio.do(power, False), lambda: self._radio.do(power, True))

    def _bus_dies(self) -> float:
        self.caught_up()
        every = ("bluetooth", THERMOMETER, UART)
        return self._outage(every, self._radio.bus_dies, self._radio.bus_returns)

    def _service_restarts(self) -> float:
        self.caught_up()

        def restart() -> None:
            self._radio.wait_for(self._radio.bluez.leave())
            self._radio.wait_for(self._radio.bluez.arrive())

        return self._outage((THERMOMETER, UART), restart)

    def _mute(self) -> float:
        def set_mute(mute: bool) -> None:
            self._thermometer.mute = mute

        return self._outage((THERMOMETER,), lambda: set_mute(True), lambda: set_mute(False))

    def close(self) -> None:
        self._socket.vanish()
        self._plug.pull_out()
        os.close(self._cable)


def _after(seconds: float) -> Callable[[], bool]:
    over_s = time.monotonic() + seconds
    return lambda: time.monotonic() >= over_s
