"""Shared by the tests of sources: a sink one can wait on, a real clock, and a fake radio on a real bus."""

from __future__ import annotations

import json
import os
import pathlib
import sys
import threading
from collections.abc import Callable, Iterator
from typing import TYPE_CHECKING, Any

import pytest

from hoofsense.records import RawFrame
from hoofsense.sources.clock import SteadyClock
from hoofsense.wire.checked_text import decode_checked

sys.path.insert(0, str(pathlib.Path(__file__).parent))  # for fake_radio and its parts, beside this file

if TYPE_CHECKING:
    from fake_radio import Radio

    from hoofsense.sources.bluetooth import BluetoothSource

PATIENCE_S = 10.0  # before a test gives up on something that should take milliseconds


class Recorder:
    """A sink that keeps every frame and lets a test wait for what it expects."""

    def __init__(self) -> None:
        self.frames: list[RawFrame] = []
        self._more = threading.Condition()

    def __call__(self, frame: RawFrame) -> None:
        with self._more:
            self.frames.append(frame)
            self._more.notify_all()

    def wait_until(self, happened: Callable[[], bool], what: str = "") -> None:
        """Look again at every frame, and every 10 ms for what is not a frame."""
        for _ in range(round(PATIENCE_S / 0.01)):
            with self._more:
                if happened():
                    return
                self._more.wait(0.01)
        raise AssertionError(f"waited in vain for {what or happened}; got {self.told()}")

    def of(self, channel: str, source_id: str | None = None) -> list[RawFrame]:
        with self._more:
            frames = list(self.frames)
        return [f for f in frames if f.channel == channel and source_id in (None, f.source_id)]

    def payloads(self, channel: str, source_id: str | None = None) -> list[bytes]:
        return [frame.payload for frame in self.of(channel, source_id)]

    def wait_for(self, channel: str, count: int = 1, source_id: str | None = None) -> list[RawFrame]:
        """The frames of a channel, once there are so many."""
        self.wait_until(lambda: len(self.of(channel, source_id)) >= count, f"{count} of {channel}")
        return self.of(channel, source_id)

    def links(self, source_id: str) -> list[tuple[bool, str]]:
        """What was recorded about the link of an instrument: up or down, and why."""
        bodies = [json.loads(decode_checked(frame.payload)) for frame in self.of("link", source_id)]
        return [(body["up"], body["why"]) for body in bodies]

    def ups(self, source_id: str) -> int:
        return sum(1 for up, _ in self.links(source_id) if up)

    def downs(self, source_id: str) -> list[str]:
        return [why for up, why in self.links(source_id) if not up]

    def wait_up(self, source_id: str, times: int = 1) -> None:
        self.wait_until(lambda: self.ups(source_id) >= times, f"{source_id} up {times} times")

    def wait_downs(self, source_id: str, times: int) -> None:
        self.wait_until(lambda: len(self.downs(source_id)) >= times, f"{source_id} down {times} times")

    def wait_down(self, source_id: str, why: str) -> None:
        self.wait_until(lambda: any(why in told for told in self.downs(source_id)), f"{source_id}: {why}")

    def told(self) -> str:
        latest = (f"{f.source_id} {f.channel} {f.payload[:80]!r}" for f in self.frames[-20:])
        return f"{len(self.frames)} frames, the latest: " + "; ".join(latest)


@pytest.fixture
def recorder() -> Recorder:
    return Recorder()


@pytest.fixture
def clock() -> SteadyClock:
    return SteadyClock.anchored_now()


@pytest.fixture
def make_radio() -> Iterator[Callable[..., Radio]]:
    """Makes a fake radio on a private bus; needs Debian's dbus-daemon."""
    from fake_radio import DAEMON, Radio

    if not os.path.exists(DAEMON):
        needed = f"{DAEMON} is missing: type: sudo apt-get install dbus"
        if os.environ.get("CI") == "true":
            pytest.fail(needed)
        pytest.skip(needed)
    from bleak.backends.bluezdbus.version import BlueZFeatures

    BlueZFeatures.checked_bluez_version = True  # else bleak runs the host's bluetoothctl to ask
    radios: list[Radio] = []

    def make(deny_bluez: bool = False, has_bluez: bool = True, has_adapter: bool = True) -> Radio:
        radios.append(Radio(deny_bluez))
        return radios[-1].open(has_bluez, has_adapter)

    yield make
    for radio in radios:
        radio.close()


@pytest.fixture
def radio(make_radio: Callable[..., Radio]) -> Radio:
    """A fake radio with one adapter, switched on."""
    return make_radio()


@pytest.fixture
def listen(recorder: Recorder, clock: SteadyClock) -> Iterator[Callable[..., BluetoothSource]]:
    """Starts a Bluetooth source that sinks into the recorder, and stops it after the test."""
    from bluetooth_bench import QUICK

    from hoofsense.sources.bluetooth import BluetoothSource

    started: list[BluetoothSource] = []

    def begin(**settings: Any) -> BluetoothSource:
        source = BluetoothSource(**{"timing": QUICK, **settings})
        started.append(source)
        source.start(recorder, clock)
        return source

    yield begin
    for source in started:
        source.stop()
