"""How many notifications a second come through the real Bluetooth backend to committed rows of the store.

    python tests/benchmarks/bench_bluetooth_record.py

A fake BlueZ in a process of its own sends as fast as the private message bus takes them. The reference is
the Bluetooth library alone, with a callback that only counts. Needs Debian's dbus-daemon.
"""

from __future__ import annotations

import argparse
import asyncio
import contextlib
import dataclasses
import os
import pathlib
import subprocess
import sys
import tempfile
import threading
import time
from collections.abc import Iterator

sys.path.insert(0, str(pathlib.Path(__file__).parents[1] / "sources"))

from bleak import BleakClient, BleakScanner
from bleak.backends.bluezdbus.version import BlueZFeatures
from bluetooth_bench import degC, thermometer
from fake_radio import Radio

from hoofsense.collector import Collector
from hoofsense.frames_ahead import Inbox, Said, live
from hoofsense.materials import load_profile
from hoofsense.sources.bluetooth import BluetoothSource
from hoofsense.sources.clock import SteadyClock
from hoofsense.store import open_reader, open_store
from hoofsense.visit_marks import mark_payload

NOTIFICATIONS = 20_000
TEMPERATURE = "00002a1c-0000-1000-8000-00805f9b34fb"
DISTINCT = 40  # payloads, a slow wave between 30 and 34 degC
LOOK_S = 0.01
GIVE_UP_S = 120.0


def send(count: int) -> None:
    """The other process: a thermometer that sends count notifications at each line on standard input."""
    radio = Radio().open()
    try:
        instrument = thermometer(radio)
        radio.on_air(instrument, every_s=0.1)
        print(radio.bluez.bus_address, flush=True)
        payloads = [degC(30.0 + 4.0 * abs(n - DISTINCT / 2) / DISTINCT) for n in range(DISTINCT)]

        def burst() -> int:
            return sum(instrument.notify(0x2A1C, payloads[n % DISTINCT]) for n in range(count))

        for _ in sys.stdin:
            print(radio.do(burst), flush=True)
    finally:
        radio.close()


class OtherProcess:
    """The sending process."""

    def __init__(self, count: int) -> None:
        words = [sys.executable, __file__, "--send", "--count", str(count)]
        self._program = subprocess.Popen(words, stdin=subprocess.PIPE, stdout=subprocess.PIPE, text=True)
        self.address = self._said()

    def _said(self) -> str:
        assert self._program.stdout is not None
        return self._program.stdout.readline().strip()

    def go(self) -> None:
        assert self._program.stdin is not None
        self._program.stdin.write("go\n")
        self._program.stdin.flush()

    def sent(self) -> int:
        return int(self._said())

    def close(self) -> None:
        assert self._program.stdin is not None
        self._program.stdin.close()
        self._program.wait()


@contextlib.contextmanager
def radio_elsewhere(count: int) -> Iterator[OtherProcess]:
    other = OtherProcess(count)
    os.environ["DBUS_SYSTEM_BUS_ADDRESS"] = other.address
    try:
        yield other
    finally:
        other.close()


def library_alone_s(other: OtherProcess, count: int) -> float:
    """Seconds from the first notification to the last, counted by a bare callback."""

    async def counted() -> float:
        device = await BleakScanner.find_device_by_name("thermometer", timeout=5.0)
        assert device is not None
        got = 0
        first_s = last_s = 0.0
        done = asyncio.Event()

        def heard(*_: object) -> None:
            nonlocal got, first_s, last_s
            got += 1
            last_s = time.perf_counter()
            first_s = first_s or last_s
            if got == count:
                done.set()

        async with BleakClient(device) as client:
            await client.start_notify(TEMPERATURE, heard)
            other.go()
            await asyncio.wait_for(done.wait(), GIVE_UP_S)
        assert other.sent() == count
        return last_s - first_s

    return asyncio.run(counted())


def to_rows_s(other: OtherProcess, count: int, folder: pathlib.Path) -> tuple[float, float]:
    """Seconds from the first notification's stamp to the moment the last row is committed.

    The second number is the processor's time of this process meanwhile, which other work on the machine
    does not lengthen.
    """
    begin = {
        "mark": "begin", "id": "begin", "visit_id": "bench", "horse": "h", "practice": "p", "feet": ["LF"],
        "material": dataclasses.asdict(load_profile("standard")), "invented": True,
    }  # fmt: skip
    path = folder / "visits.sqlite3"
    clock, inbox, stopping = SteadyClock.anchored_now(), Inbox(), threading.Event()
    inbox.put(Said("terminal", "mark", mark_payload(begin)))
    with open_store(path) as store:
        source = BluetoothSource()
        collector = Collector(live([source], clock, inbox, stopping), inbox, mode="live", store=store)
        running = threading.Thread(target=collector.run)
        running.start()
        while not any(one.source_id == "A17" and one.connected for one in source.status()):
            time.sleep(LOOK_S)
        with open_reader(path) as reader:
            before = reader.visits()[0].frames
            busy_s = time.process_time()
            other.go()
            give_up_s = time.monotonic() + GIVE_UP_S
            while reader.visits()[0].frames < before + count and time.monotonic() < give_up_s:
                time.sleep(LOOK_S)
            done_ns = clock.instant().steady_ns
            busy_s = time.process_time() - busy_s
        stopping.set()
        running.join()
    assert other.sent() == count
    with open_reader(path) as reader:
        stamps = [frame.at_ns for frame in reader.frames("bench") if frame.channel == "gatt:2a1c"]
    assert len(stamps) == count, f"{count} sent, {len(stamps)} on record"
    return (done_ns - stamps[0]) / 1e9, busy_s


def main() -> None:
    asked = argparse.ArgumentParser()
    asked.add_argument("--count", type=int, default=NOTIFICATIONS)
    asked.add_argument("--send", action="store_true", help=argparse.SUPPRESS)
    told = asked.parse_args()
    if told.send:
        send(told.count)
        return
    BlueZFeatures.checked_bluez_version = True
    with radio_elsewhere(told.count) as other:
        alone_s = library_alone_s(other, told.count)
    with radio_elsewhere(told.count) as other, tempfile.TemporaryDirectory() as folder:
        rows_s, busy_s = to_rows_s(other, told.count, pathlib.Path(folder))
    print(f"library alone, counted       {told.count / alone_s:10,.0f} notifications/s")
    print(
        f"to committed rows, none lost {told.count / rows_s:10,.0f} notifications/s   "
        f"ratio {alone_s / rows_s:.2f} to the library alone   (goal: 5,000/s or more)"
    )
    print(f"processor's time for each    {busy_s / told.count * 1e6:10,.0f} us in the collecting process")


if __name__ == "__main__":
    main()
