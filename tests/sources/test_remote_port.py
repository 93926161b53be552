"""A port on another computer, as RFC 2217 passes it on: read, lost, and met again."""

from __future__ import annotations

import contextlib
import itertools
import socket
import threading
from collections.abc import Iterator
from typing import Any

import pytest
import serial
import serial.rfc2217

from hoofsense.sources.clock import SteadyClock
from hoofsense.sources.serial_port import SerialPort, SerialTiming
from hoofsense.wire.bridge_line import BridgeLine, Kind, encode_bridge_line

Recorder = Any  # conftest.Recorder
QUICK = SerialTiming(backoff_first_s=0.02, backoff_cap_s=0.05, look_s=0.05, stop_s=2.0)


class RemotePort:
    """The library's own server side of RFC 2217, in front of a port that only loops back."""

    def __init__(self) -> None:
        self._listener = socket.create_server(("127.0.0.1", 0))
        self.port = self._listener.getsockname()[1]
        self._client: socket.socket | None = None
        self._manager: Any = None
        self._ready = threading.Event()
        threading.Thread(target=self._serve, daemon=True).start()

    def _serve(self) -> None:
        while True:
            try:
                self._client, _ = self._listener.accept()
            except OSError:
                return
            self._converse(self._client)
            self._ready.clear()

    def _converse(self, client: socket.socket) -> None:
        """Answer the client's options until it is gone; what it sends is dropped."""

        class Connection:
            def write(self, data: bytes) -> None:
                client.sendall(data)

        with serial.serial_for_url("loop://", timeout=0) as device, contextlib.suppress(OSError):
            self._manager = serial.rfc2217.PortManager(device, Connection())
            while data := client.recv(1024):
                b"".join(self._manager.filter(data))
                self._ready.set()

    def send(self, line: bytes) -> None:
        assert self._ready.wait(5.0)
        assert self._client is not None
        self._client.sendall(b"".join(self._manager.escape(line + b"\r\n")))

    def hang_up(self) -> None:
        if self._client is not None:
            with contextlib.suppress(OSError):
                self._client.shutdown(socket.SHUT_RDWR)
            self._client.close()

    def close(self) -> None:
        self._listener.close()
        self.hang_up()


@pytest.fixture
def remote() -> Iterator[RemotePort]:
    made = RemotePort()
    yield made
    made.close()


@pytest.mark.filterwarnings("ignore:set(Daemon|Name)")  # the serial library's own
def test_a_bridge_on_another_computer_is_read_and_met_again_after_it_hung_up(
    remote: RemotePort, recorder: Recorder, clock: SteadyClock
) -> None:
    source = SerialPort(f"rfc2217://127.0.0.1:{remote.port}", timing=QUICK, source_id="far")
    numbers = itertools.count()
    sent: list[bytes] = []

    def send() -> None:
        number = next(numbers)
        sent.append(encode_bridge_line(BridgeLine(number, number, Kind.MEASUREMENT, "ir", "31.25", "Cel")))
        remote.send(sent[-1])

    source.start(recorder, clock)
    try:
        for turn in range(2):
            recorder.wait_up("far", turn + 1)
            for _ in range(20):
                send()
            recorder.wait_for("line:hs1", len(sent), "far")
            remote.hang_up()
            recorder.wait_downs("far", turn + 1)
        assert recorder.payloads("line:hs1", "far") == sent
    finally:
        source.stop()
