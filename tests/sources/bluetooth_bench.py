"""What the Bluetooth tests share: short times, and instruments of the fake radio."""

from __future__ import annotations

from collections.abc import Callable
from typing import Protocol

from fake_peripheral import Char, Peripheral
from fake_radio import Radio

from hoofsense.records import RawFrame
from hoofsense.sources.bluetooth import BluetoothSource
from hoofsense.sources.bluetooth_timing import BluetoothTiming
from hoofsense.sources.link import InstrumentStatus
from hoofsense.wire.gatt import encode_health_temperature

QUICK = BluetoothTiming(
    probe_s=0.05,
    scan_silence_s=0.5,
    operation_s=1.0,
    connect_s=1.0,
    pair_s=1.0,
    backoff_first_s=0.02,
    backoff_cap_s=0.1,
    silence_s=20.0,
    poll_s=0.05,
    battery_s=0.05,
    useless_s=0.2,
    heard_s=0.4,
)


class Sink(Protocol):
    """conftest.Recorder, as far as tests use it."""

    frames: list[RawFrame]

    def __call__(self, frame: RawFrame) -> None: ...
    def wait_until(self, happened: Callable[[], bool], what: str = "") -> None: ...
    def wait_for(self, channel: str, count: int = 1, source_id: str | None = None) -> list[RawFrame]: ...
    def of(self, channel: str, source_id: str | None = None) -> list[RawFrame]: ...
    def payloads(self, channel: str, source_id: str | None = None) -> list[bytes]: ...
    def wait_up(self, source_id: str, times: int = 1) -> None: ...
    def wait_downs(self, source_id: str, times: int) -> None: ...
    def wait_down(self, source_id: str, why: str) -> None: ...
    def links(self, source_id: str) -> list[tuple[bool, str]]: ...
    def ups(self, source_id: str) -> int: ...
    def downs(self, source_id: str) -> list[str]: ...


Listen = Callable[..., BluetoothSource]


def address(last: int) -> str:
    """An address of the documentation range, RFC 7042."""
    return f"00:00:5E:00:53:{last:02X}"


def thermometer(
    radio: Radio, serial: bytes | None = b"A17\0", last: int = 0xAF, name: str | None = "thermometer"
) -> Peripheral:
    """A Health Thermometer, with Device Information when it has a serial number."""
    services: dict[int | str, list[Char]] = {0x1809: [Char(0x2A1C, ["indicate"])]}
    if serial is not None:
        services[0x180A] = [Char(0x2A24, ["read"], b"model"), Char(0x2A25, ["read"], serial)]
    return radio.bluez.peripheral(address(last), name, services)


def degC(value: float) -> bytes:
    return encode_health_temperature(value)


def status_of(source: BluetoothSource, source_id: str) -> InstrumentStatus:
    return next(status for status in source.status() if status.source_id == source_id)


def note_of(source: BluetoothSource, source_id: str) -> str:
    """The note of an instrument, empty also while it has no status."""
    return next((status.note for status in source.status() if status.source_id == source_id), "")
