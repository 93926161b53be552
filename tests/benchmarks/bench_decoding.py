"""How fast frames become readings and are screened; run as a script.

Ratios: our BTHome decoder against bthome-ble on the same packets (a new packet each time, so that neither
answers from memory).
"""

from __future__ import annotations

import time
from collections.abc import Callable

from bthome_ble.parser import BTHomeBluetoothDeviceData
from habluetooth import BluetoothServiceInfoBleak

from hoofsense.decoding import measurements_from, reading_from, readings_from
from hoofsense.records import Instant, RawFrame
from hoofsense.screening import ScreeningState, screened
from hoofsense.wire.bridge_line import BridgeLine, Kind, encode_bridge_line
from hoofsense.wire.bthome import decode_bthome, encode_bthome
from hoofsense.wire.gatt import encode_health_temperature
from hoofsense.wire.typed import encode_typed

FRAMES = 20_000
ORACLE_FRAMES = 4_000
ROUNDS = 3  # the best of them is shown


def _per_s(count: int, run: Callable[[], None]) -> float:
    best_s = float("inf")
    for _ in range(ROUNDS):
        start = time.perf_counter()
        run()
        best_s = min(best_s, time.perf_counter() - start)
    return count / best_s


def _adverts(count: int) -> list[bytes]:
    return [
        encode_bthome(((0x02, 20.0 + n % 500 / 100), (0x03, 40.0 + n % 700 / 100)), packet_id=n % 256)
        for n in range(count)
    ]


def _oracle_run(payloads: list[bytes]) -> Callable[[], None]:
    heard = [
        BluetoothServiceInfoBleak(
            name="bench",
            address="54:48:E6:8F:80:A5",
            rssi=-60,
            manufacturer_data={},
            service_data={"0000fcd2-0000-1000-8000-00805f9b34fb": payload},
            service_uuids=[],
            source="",
            device=None,
            advertisement=None,
            connectable=False,
            time=10.0 * n,
            tx_power=None,
        )
        for n, payload in enumerate(payloads)
    ]

    def run() -> None:
        parser = BTHomeBluetoothDeviceData()
        for one in heard:
            parser.update(one)

    return run


def _frames(channel: str, payloads: list[bytes]) -> list[RawFrame]:
    return [
        RawFrame(Instant(n * 10**8, n * 10**8, n * 10**8, "bench"), "tool-1", channel, payload)
        for n, payload in enumerate(payloads)
    ]


def _screen_run(frames: list[RawFrame]) -> Callable[[], None]:
    def run() -> None:
        state = ScreeningState()
        for frame in frames:
            for measurement in measurements_from(frame):
                reading = reading_from(frame, measurement)
                if reading is not None:
                    state, _, _ = screened(state, frame.at_ns, frame.source_id, measurement, reading)

    return run


def _read_run(frames: list[RawFrame]) -> Callable[[], None]:
    def run() -> None:
        for frame in frames:
            readings_from(frame)

    return run


def main() -> None:
    adverts = _adverts(FRAMES)

    def ours() -> None:
        for payload in adverts:
            decode_bthome(payload)

    our_per_s = _per_s(FRAMES, ours)
    oracle_per_s = _per_s(ORACLE_FRAMES, _oracle_run(adverts[:ORACLE_FRAMES]))
    print(f"BTHome packets decoded     {our_per_s:10,.0f}/s")
    print(f"bthome-ble on the same     {oracle_per_s:10,.0f}/s   ratio {our_per_s / oracle_per_s:.1f}")
    streams = {
        "advert:fcd2 (2 readings)": _frames("advert:fcd2", adverts),
        "gatt:2a1c": _frames(
            "gatt:2a1c", [encode_health_temperature(30.0 + n % 100 / 10) for n in range(FRAMES)]
        ),
        "line:hs1": _frames(
            "line:hs1",
            [
                encode_bridge_line(
                    BridgeLine(n, 100 * n, Kind.MEASUREMENT, "ir", f"{30 + n % 99 / 100:.2f}", "Cel")
                )
                for n in range(FRAMES)
            ],
        ),
        "typed": _frames("typed", [encode_typed(f"{n % 3000 / 100:.2f}", "mm") for n in range(FRAMES)]),
    }
    for name, frames in streams.items():
        read = _per_s(FRAMES, _read_run(frames))
        both = _per_s(FRAMES, _screen_run(frames))
        print(f"{name:26} {read:10,.0f} frames/s to readings, {both:10,.0f} frames/s to screened readings")


if __name__ == "__main__":
    main()
