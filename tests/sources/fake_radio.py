"""A private dbus-daemon with the fake BlueZ on it, in a thread, for code under test that runs in its own.

Nothing here touches the host's own buses or Bluetooth.
"""

from __future__ import annotations

import asyncio
import os
import pathlib
import subprocess
import tempfile
import threading
from collections.abc import Callable, Coroutine
from typing import Any, TypeVar

from fake_bluez import FakeBlueZ
from fake_peripheral import Peripheral

T = TypeVar("T")

DAEMON = "/usr/bin/dbus-daemon"
CONFIG = """<!DOCTYPE busconfig PUBLIC "-//freedesktop//DTD D-BUS Bus Configuration 1.0//EN"
 "http://www.freedesktop.org/standards/dbus/1.0/busconfig.dtd">
<busconfig><type>hoofsense-test</type><listen>unix:path={socket}</listen><auth>EXTERNAL</auth>
<policy context="default"><allow send_destination="*"/><allow receive_sender="*"/>
<allow own="*"/><allow user="*"/>{denied}</policy></busconfig>"""
DENY_BLUEZ = '<deny send_destination="org.bluez"/>'


class PrivateBus:
    """A dbus-daemon on a socket of its own, that can die and come back at the same address."""

    def __init__(self, folder: pathlib.Path, deny_bluez: bool = False) -> None:
        self._config = folder / "bus.conf"
        self._socket = folder / "socket"
        self._config.write_text(CONFIG.format(socket=self._socket, denied=DENY_BLUEZ if deny_bluez else ""))
        self._daemon: subprocess.Popen[str] | None = None
        self.address = f"unix:path={self._socket}"

    def start(self) -> None:
        self._socket.unlink(missing_ok=True)
        self._daemon = subprocess.Popen(
            [DAEMON, "--nofork", "--nosyslog", "--print-address", f"--config-file={self._config}"],
            stdout=subprocess.PIPE,
            text=True,
        )
        assert self._daemon.stdout is not None
        assert self._daemon.stdout.readline(), "dbus-daemon did not say its address"

    def kill(self) -> None:
        if self._daemon is None:
            return
        self._daemon.kill()
        self._daemon.wait()
        assert self._daemon.stdout is not None
        self._daemon.stdout.close()
        self._daemon = None
        self._socket.unlink(missing_ok=True)


class Radio:
    """The private bus and the fake BlueZ in a thread of their own; tests call it from theirs."""

    def __init__(self, deny_bluez: bool = False) -> None:
        self._folder = tempfile.TemporaryDirectory(prefix="bus-")
        self._bus = PrivateBus(pathlib.Path(self._folder.name), deny_bluez)
        self._loop = asyncio.new_event_loop()
        self._thread = threading.Thread(target=self._loop.run_forever, name="fake radio")
        self._air: set[asyncio.Future[Any]] = set()
        self.bluez = FakeBlueZ(self._bus.address)

    def open(self, has_bluez: bool = True, has_adapter: bool = True) -> Radio:
        self._old_address = os.environ.get("DBUS_SYSTEM_BUS_ADDRESS")
        os.environ["DBUS_SYSTEM_BUS_ADDRESS"] = self._bus.address
        self._bus.start()
        self._thread.start()
        if has_bluez:
            self.wait_for(self.bluez.arrive(has_adapter))
        return self

    def close(self) -> None:
        if self._old_address is None:
            os.environ.pop("DBUS_SYSTEM_BUS_ADDRESS", None)
        else:
            os.environ["DBUS_SYSTEM_BUS_ADDRESS"] = self._old_address
        self.wait_for(self._quiet())
        self._loop.call_soon_threadsafe(self._loop.stop)
        self._thread.join()
        self._loop.close()
        self._bus.kill()
        self._folder.cleanup()

    async def _quiet(self) -> None:
        for task in self._air:
            task.cancel()
        await asyncio.gather(*self._air, return_exceptions=True)
        await self.bluez.leave()

    def wait_for(self, work: Coroutine[Any, Any, T]) -> T:
        return asyncio.run_coroutine_threadsafe(work, self._loop).result(timeout=10)

    def do(self, action: Callable[..., T], *args: Any, **named: Any) -> T:
        """Call action in the radio's thread and return what it returns."""

        async def in_thread() -> T:
            return action(*args, **named)

        return self.wait_for(in_thread())

    def on_air(self, p: Peripheral, every_s: float = 0.02, **advert: Any) -> Callable[[], None]:
        """Let p advertise whenever it is not connected; returns how to silence it."""

        async def advertising() -> None:
            while True:
                if (
                    not p.connected
                    and self.bluez.bus is not None
                    and self.bluez.adapter in self.bluez.objects
                ):
                    p.advertise(**advert)
                await asyncio.sleep(every_s)

        async def begin() -> asyncio.Future[None]:
            return asyncio.ensure_future(advertising())

        task = self.wait_for(begin())
        self._air.add(task)

        def silence() -> None:
            self.do(task.cancel)

        return silence

    def bus_dies(self) -> None:
        self.wait_for(self.bluez.leave())
        self._bus.kill()

    def bus_returns(self) -> None:
        self._bus.start()
        self.wait_for(self.bluez.arrive())
