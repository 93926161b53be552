"""Plays a scenario's instruments over Bluetooth without a radio: a fake BlueZ on a private message bus.

    python tests/sources/rehearse_bluetooth.py already-dry

Needs Debian's dbus-daemon. Prints what to type in another terminal: any hoofsense command with the address
of the private bus in front finds the thermometer, the beacon and the bridge there.
"""

from __future__ import annotations

import argparse
import json
import pathlib
import shlex
import signal
import sys
import threading
from collections.abc import Callable

sys.path.insert(0, str(pathlib.Path(__file__).parent))

from fake_peripheral import Char, Peripheral
from fake_radio import Radio

from hoofsense.records import NS_PER_S, RawFrame
from hoofsense.sources.bluetooth_services import BridgeUuids
from hoofsense.sources.pacing import paced
from hoofsense.sources.rehearsal_lines import RehearsedBridge
from hoofsense.sources.simulated import scenario_names, simulate
from hoofsense.sources.simulated_scenarios import Scenario, scenario
from hoofsense.wire.bridge_line import LINE_END
from hoofsense.wire.checked_text import decode_checked

PACKET_BYTES = 20  # of a notification over the smallest link (Bluetooth Core: ATT_MTU 23 less 3)
ADVERT_EVERY_S = 0.5
LOOK_S = 0.1
SETTLE_S = 2.0  # between the thermometer's connection and the visit's first second


class RehearsedRadio:
    """The instruments of one scenario on a fake radio."""

    def __init__(self, radio: Radio) -> None:
        self._radio = radio
        uart = BridgeUuids()
        self._bridge_sends = Char(uart.sends, ["notify"])
        make = radio.bluez.peripheral
        self._thermometer = make(
            "00:00:5E:00:53:AF",
            "thermometer",
            {
                0x1809: [Char(0x2A1C, ["indicate"])],
                0x180A: [Char(0x2A25, ["read"], b"A17\0")],
                0x180F: [Char(0x2A19, ["read", "notify"], b"\x50")],
            },
        )
        self._beacon = make("00:00:5E:00:53:B0", "ambient")
        self._bridge = make("00:00:5E:00:53:B2", "bridge-01", {uart.service: [self._bridge_sends]})
        self._lines = RehearsedBridge()
        self._silence: dict[str, Callable[[], None]] = {}
        for one in (self._thermometer, self._bridge):
            self._switch_on(one)

    @property
    def listened_to(self) -> bool:
        return self._thermometer.connects > 0

    def _switch_on(self, one: Peripheral) -> None:
        self._silence[one.address] = self._radio.on_air(one, every_s=ADVERT_EVERY_S)

    def play(self, frame: RawFrame) -> tuple[str, ...]:
        """One frame of the simulation; the words to type meanwhile."""
        if frame.channel.startswith("gatt:"):
            number = int(frame.channel.removeprefix("gatt:"), 16)
            self._radio.do(self._thermometer.notify, number, frame.payload)
        elif frame.channel == "advert:fcd2":
            self._radio.do(self._beacon.advertise, service_data={0xFCD2: frame.payload}, uuids=())
        elif frame.channel == "link":
            self._link(bool(json.loads(decode_checked(frame.payload))["up"]))
        elif frame.channel in ("mark", "line:hs1"):
            step = self._lines.step(frame)
            for line in step.lines:
                self._send(line + LINE_END)
            return step.cues
        return ()

    def _send(self, data: bytes) -> None:
        for start in range(0, len(data), PACKET_BYTES):
            self._radio.do(self._bridge.notify, self._bridge_sends, data[start : start + PACKET_BYTES])

    def _link(self, up: bool) -> None:
        silence = self._silence.pop(self._thermometer.address, None)
        if silence is not None:
            silence()
        if up:
            self._switch_on(self._thermometer)
        else:
            self._radio.do(self._thermometer.drop)


def opening(plan: Scenario, bus_address: str) -> str:
    feet = ",".join(one.foot.value for one in plan.feet)
    horse = shlex.quote(plan.horse)
    return "\n".join(
        (
            f"{plan.name} (invented): {plan.summary}.",
            "It begins when a visit connects to the thermometer. In another terminal type:",
            "",
            f"  export DBUS_SYSTEM_BUS_ADDRESS={bus_address}",
            f"  hoofsense visit --rehearsal --horse {horse} --feet {feet}",
            "",
            "hoofsense instruments and hoofsense check see the same radio there. Ctrl-C ends.",
        )
    )


def main() -> None:
    asked = argparse.ArgumentParser(description=(__doc__ or "").splitlines()[0])
    asked.add_argument("scenario", choices=scenario_names())
    asked.add_argument("--seed", type=int, default=1)
    asked.add_argument("--speed", type=float, default=1.0, help="1 is live; others are for trying out")
    told = asked.parse_args()
    stopping = threading.Event()
    for ending in (signal.SIGINT, signal.SIGTERM):
        signal.signal(ending, lambda *_: stopping.set())
    radio = Radio().open()
    try:
        rehearsed = RehearsedRadio(radio)
        print(opening(scenario(told.scenario), radio.bluez.bus_address), flush=True)
        while not rehearsed.listened_to and not stopping.wait(LOOK_S):
            pass
        stopping.wait(SETTLE_S / told.speed)
        start_ns: int | None = None
        frames = simulate(told.scenario, told.seed)
        for frame in paced(frames, told.speed, lambda seconds: not stopping.wait(seconds)):
            if stopping.is_set():
                break
            start_ns = frame.at_ns if start_ns is None else start_ns
            for cue in rehearsed.play(frame):
                seconds = (frame.at_ns - start_ns) // NS_PER_S
                print(f"{seconds // 60:3d}:{seconds % 60:02d}  type: {cue}", flush=True)
    finally:
        radio.close()


if __name__ == "__main__":
    main()
