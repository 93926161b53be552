"""Serial ports over real pseudo-terminals and sockets: lines, unplugging, garbage, and words for faults."""

from __future__ import annotations

import contextlib
import errno
import itertools
import os
import pathlib
import random
import socket
import threading
from collections.abc import Callable, Iterator
from types import SimpleNamespace
from typing import Any

import pytest

from hoofsense.decoding import measurements_from
from hoofsense.records import RawFrame
from hoofsense.sources.clock import SteadyClock
from hoofsense.sources.link import LinkError
from hoofsense.sources.serial_list import PortMatch, PortSeen, port_identity, serial_ports, the_port
from hoofsense.sources.serial_port import GaugeSettings, SerialPort, SerialTiming, sentence_of
from hoofsense.wire.bridge_line import BridgeLine, Kind, encode_bridge_line
from hoofsense.wire.caliper_port import encode_caliper24
from hoofsense.wire.errors import FrameError
from hoofsense.wire.framing import LONGEST_LINE

Recorder = Any  # conftest.Recorder
QUICK = SerialTiming(backoff_first_s=0.02, backoff_cap_s=0.05, look_s=0.05, stop_s=2.0)


class Plug:
    """A pseudo-terminal behind a path that stays the same, as an instrument on a USB socket."""

    def __init__(self, path: pathlib.Path) -> None:
        self.path = path
        self._master: int | None = None

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

    def send(self, data: bytes) -> None:
        assert self._master is not None
        while data:
            data = data[os.write(self._master, data) :]


@pytest.fixture
def plug(tmp_path: pathlib.Path) -> Iterator[Plug]:
    plug = Plug(tmp_path / "ttyCALIPER")
    plug.plug_in()
    yield plug
    plug.pull_out()


@pytest.fixture
def read(recorder: Recorder, clock: SteadyClock) -> Iterator[Callable[..., SerialPort]]:
    """Starts a serial port that sinks into the recorder, and stops it after the test."""
    started: list[SerialPort] = []

    def begin(port: str | PortMatch, **settings: Any) -> SerialPort:
        source = SerialPort(port, **{"timing": QUICK, "listed": tuple, **settings})
        started.append(source)
        source.start(recorder, clock)
        return source

    yield begin
    for source in started:
        source.stop()


Read = Callable[..., SerialPort]


def jaw(n: int) -> bytes:
    return encode_bridge_line(BridgeLine(n, 100 * n, Kind.MEASUREMENT, "jaw", f"{n}.50", "mm"))


# -- lines -----------------------------------------------------------------------------------------
def test_bridge_lines_arrive_whole_however_they_are_cut(plug: Plug, read: Read, recorder: Recorder) -> None:
    source = read(str(plug.path))
    recorder.wait_up("ttyCALIPER")
    lines = [jaw(n) for n in range(200)]
    stream = b"".join(line + b"\r\n" for line in lines)
    cuts = sorted(random.Random(5).sample(range(1, len(stream)), 80))
    for start, end in itertools.pairwise([0, *cuts, len(stream)]):
        plug.send(stream[start:end])
    frames = recorder.wait_for("line:hs1", len(lines))
    assert [frame.payload for frame in frames] == lines
    assert measurements_from(frames[12])[0].value == 12.5
    stamps = [frame.at_ns for frame in frames]
    assert all(a <= b for a, b in itertools.pairwise(stamps))
    (status,) = source.status()
    assert (status.connected, status.note, status.last_seen_ns) == (True, "", stamps[-1])


@pytest.mark.parametrize("end", [b"\r", b"\n", b"\r\n"])
def test_gauge_lines_carry_the_unit_that_was_set(
    plug: Plug, read: Read, recorder: Recorder, end: bytes
) -> None:
    read(str(plug.path), gauge_unit="mm")
    recorder.wait_up("ttyCALIPER")
    plug.send(b"+012.34" + end + b"-0.5" + end)
    frames = recorder.wait_for("line:gauge?unit=mm", 2)
    said = [measurements_from(frame)[0] for frame in frames]
    assert [(m.value, m.unit, m.resolution) for m in said] == [(12.34, "mm", 0.01), (-0.5, "mm", 0.1)]


def test_a_gauge_that_says_its_unit_needs_none_set(plug: Plug, read: Read, recorder: Recorder) -> None:
    source = read(str(plug.path))
    recorder.wait_up("ttyCALIPER")
    plug.send(b"+0.4855in\r")
    (frame,) = recorder.wait_for("line:gauge")
    assert measurements_from(frame)[0].unit == "[in_i]"
    assert source.status()[0].note == ""


def test_a_missing_unit_is_never_assumed(plug: Plug, read: Read, recorder: Recorder) -> None:
    source = read(str(plug.path))
    recorder.wait_up("ttyCALIPER")
    plug.send(b"+012.34\r")
    (frame,) = recorder.wait_for("line:gauge")
    with pytest.raises(FrameError, match="sends no unit"):
        measurements_from(frame)
    assert source.status()[0].note == "the gauge sends no unit: set mm or in for this port"
    plug.send(b"+012.34mm\r")
    recorder.wait_until(lambda: source.status()[0].note == "")


def test_a_gauge_of_another_layout_is_read_by_its_pattern(plug: Plug, read: Read, recorder: Recorder) -> None:
    read(str(plug.path), gauge_unit="mm", gauge_pattern="N{value}?")
    recorder.wait_up("ttyCALIPER")
    plug.send(b"N 12,34;\n")
    (frame,) = recorder.wait_for("line:gauge?unit=mm&pattern=N{value}?")
    assert measurements_from(frame)[0].value == 12.34


def test_a_bridge_tells_its_name(plug: Plug, read: Read, recorder: Recorder) -> None:
    source = read(str(plug.path))
    recorder.wait_up("ttyCALIPER")
    plug.send(
        encode_bridge_line(BridgeLine(0, 0, Kind.IDENTITY, "bridge-01", "fw=0.1", "boot=7F3A")) + b"\r\n"
    )
    recorder.wait_for("line:hs1")
    assert source.status()[0].name == f"bridge-01 ({plug.path})"
    assert source.status()[0].measures == ("what the bridge sends",)


# -- garbage ---------------------------------------------------------------------------------------
def decoded(frames: list[RawFrame]) -> list[float | None]:
    """Every value in frames; a frame that cannot be decoded gives none."""
    values: list[float | None] = []
    for frame in frames:
        with contextlib.suppress(FrameError):
            values += [m.value for m in measurements_from(frame)]
    return values


def test_overlong_garbage_is_cut_recorded_as_damaged_and_what_follows_is_read(
    plug: Plug, read: Read, recorder: Recorder
) -> None:
    read(str(plug.path), gauge_unit="mm")
    recorder.wait_up("ttyCALIPER")
    plug.send(b"7" * (3 * LONGEST_LINE))
    (damaged,) = recorder.wait_for("line:gauge?unit=mm")
    assert damaged.payload == b"7" * LONGEST_LINE
    with pytest.raises(FrameError):
        measurements_from(damaged)
    plug.send(b"77\r+012.34\r")
    frames = recorder.wait_for("line:gauge?unit=mm", 2)
    assert decoded(frames) == [12.34]


def test_line_noise_is_recorded_and_never_becomes_a_value(plug: Plug, read: Read, recorder: Recorder) -> None:
    read(str(plug.path))
    recorder.wait_up("ttyCALIPER")
    noise = random.Random(11)
    plug.send(jaw(0) + b"\r\n")
    for n in range(1, 21):
        plug.send(noise.randbytes(40).replace(b"\x04", b"") + b"\r\n" + jaw(n) + b"\r\n")
    recorder.wait_until(lambda: jaw(20) in recorder.payloads("line:hs1"))
    frames = recorder.of("line:hs1")
    assert decoded(frames) == [n + 0.5 for n in range(21)]
    assert len(frames) >= 41
    assert {frame.channel for frame in recorder.frames} == {"link", "line:hs1"}


# -- unplugging ------------------------------------------------------------------------------------
def test_unplugging_is_told_and_replugging_goes_on(plug: Plug, read: Read, recorder: Recorder) -> None:
    source = read(str(plug.path))
    for n in range(3):
        recorder.wait_up("ttyCALIPER", n + 1)
        plug.send(jaw(n) + b"\r\n$HS1,half a li")
        recorder.wait_for("line:hs1", n + 1)
        plug.pull_out()
        recorder.wait_until(
            lambda n=n: len([w for w in recorder.downs("ttyCALIPER") if "lost" in w]) == n + 1
        )
        recorder.wait_until(lambda: source.status()[0].note == f"{plug.path} is not there: plug it in")
        assert not source.status()[0].connected
        plug.plug_in()
    recorder.wait_up("ttyCALIPER", 4)
    assert recorder.payloads("line:hs1") == [jaw(n) for n in range(3)]
    assert source.status()[0].note == ""


def test_a_port_that_is_not_there_yet_is_waited_for(plug: Plug, read: Read, recorder: Recorder) -> None:
    plug.pull_out()
    read(str(plug.path))
    recorder.wait_down("ttyCALIPER", "is not there: plug it in")
    plug.plug_in()
    recorder.wait_up("ttyCALIPER")
    plug.send(jaw(1) + b"\r\n")
    recorder.wait_for("line:hs1")


def test_an_adapter_that_comes_back_under_another_name_is_found(
    tmp_path: pathlib.Path, read: Read, recorder: Recorder
) -> None:
    first, second = Plug(tmp_path / "ttyUSB0"), Plug(tmp_path / "ttyUSB7")
    there = [first]

    def listed() -> tuple[PortSeen, ...]:
        return tuple(PortSeen(str(p.path), p.path.name, 0x1A86, 0x7523, "S77") for p in there)

    first.plug_in()
    read("usb:1a86:7523:S77", listed=listed)
    recorder.wait_up("S77")
    there.clear()
    first.pull_out()
    recorder.wait_down("S77", "no port usb:1a86:7523:S77 is there")
    there.append(second)
    second.plug_in()
    recorder.wait_up("S77", 2)
    second.send(jaw(1) + b"\r\n")
    (frame,) = recorder.wait_for("line:hs1")
    assert frame.source_id == "S77"
    second.pull_out()


def test_a_port_in_use_by_another_program_is_said_so(plug: Plug, read: Read, recorder: Recorder) -> None:
    mine = read(str(plug.path), source_id="mine")
    recorder.wait_up("mine")
    read(str(plug.path), source_id="second")
    recorder.wait_down("second", "is in use: close the other program")
    mine.stop()
    recorder.wait_up("second")


def test_stopping_ends_the_thread_and_gives_the_port_back(plug: Plug, read: Read, recorder: Recorder) -> None:
    source = read(str(plug.path), timing=SerialTiming(look_s=60.0))
    recorder.wait_up("ttyCALIPER")
    source.stop()
    assert not [t for t in threading.enumerate() if t.name.startswith("serial")]
    source.stop()
    read(str(plug.path), source_id="again")
    recorder.wait_up("again")
    with pytest.raises(ValueError, match="make a new one"):
        source.start(recorder, SteadyClock.anchored_now())


def test_stopping_what_was_never_started_does_nothing() -> None:
    SerialPort("/dev/none").stop()


# -- sockets ---------------------------------------------------------------------------------------
def test_a_bridge_on_a_socket_is_read_and_met_again_after_it_hung_up(read: Read, recorder: Recorder) -> None:
    with socket.create_server(("127.0.0.1", 0)) as server:
        server.settimeout(10.0)
        host, port = server.getsockname()
        identity = f"{host}-{port}"
        read(f"socket://{host}:{port}")
        for n in range(2):
            peer, _ = server.accept()
            with peer:
                recorder.wait_up(identity, n + 1)
                peer.sendall(jaw(n) + b"\r\n")
                recorder.wait_for("line:hs1", n + 1)
            recorder.wait_downs(identity, n + 1)
    assert recorder.payloads("line:hs1") == [jaw(0), jaw(1)]
    recorder.wait_down(identity, "check that the other end is on")


# -- words and matches -----------------------------------------------------------------------------
@pytest.mark.parametrize(
    ("number", "words"),
    [
        (errno.ENOENT, "is not there: plug it in"),
        (errno.EACCES, "sudo usermod -aG dialout"),
        (errno.EBUSY, "close the other program"),
        (errno.EAGAIN, "close the other program"),
        (errno.EIO, "was lost"),
    ],
)
def test_each_fault_of_a_port_is_a_sentence_that_says_what_to_do(number: int, words: str) -> None:
    sentence = sentence_of(OSError(number, os.strerror(number)), "/dev/ttyUSB0")
    assert "/dev/ttyUSB0" in sentence
    assert words in sentence


def test_a_protocol_that_does_not_exist_is_one_sentence(read: Read, recorder: Recorder) -> None:
    read("telnet://somewhere", source_id="x")
    recorder.wait_down("x", "correct the port")


@pytest.mark.parametrize("unit", ["Cel", "furlong"])
def test_a_unit_that_is_no_length_is_refused(unit: str) -> None:
    with pytest.raises(ValueError, match="unit"):
        SerialPort("/dev/none", gauge_unit=unit)


def test_the_channel_tells_decoding_what_was_set() -> None:
    assert GaugeSettings().channel == "line:gauge"
    assert GaugeSettings(unit="[in_i]").channel == "line:gauge?unit=[in_i]"
    assert GaugeSettings(pattern="{value}&").channel == "line:gauge?pattern={value}&"


PORTS = (
    PortSeen("/dev/ttyUSB0", "a", 0x1A86, 0x7523, None, "1-1"),
    PortSeen("/dev/ttyUSB1", "b", 0x1A86, 0x7523, None, "1-2"),
    PortSeen("/dev/ttyACM0", "c", 0x2E8A, 0x0005, "E66118", "1-3"),
)


@pytest.mark.parametrize(
    ("match", "port"),
    [
        ("usb:2e8a:0005", "/dev/ttyACM0"),
        ("usb:1A86:7523@1-2", "/dev/ttyUSB1"),
        ("usb:2e8a:0005:E66118@1-3", "/dev/ttyACM0"),
    ],
)
def test_a_port_is_found_by_numbers_serial_number_and_socket(match: str, port: str) -> None:
    assert the_port(PortMatch.from_text(match), PORTS) == port
    assert str(PortMatch.from_text(match)).lower() == match.lower()


@pytest.mark.parametrize(
    ("match", "words"),
    [("usb:ffff:0001", "is there: plug it in"), ("usb:1a86:7523", "ttyUSB0, /dev/ttyUSB1")],
)
def test_no_port_or_more_than_one_is_a_sentence(match: str, words: str) -> None:
    with pytest.raises(LinkError, match=words):
        the_port(PortMatch.from_text(match), PORTS)


@pytest.mark.parametrize("text", ["usb:", "usb:1a86", "usb:1a86:zzzz", "usb:1a86:7523x"])
def test_a_match_that_says_nothing_is_refused(text: str) -> None:
    with pytest.raises(ValueError, match="usb:VENDOR:PRODUCT"):
        SerialPort(text)


def test_a_match_for_anything_is_refused() -> None:
    with pytest.raises(ValueError, match="any port"):
        PortMatch()


def test_the_identity_is_the_adapters_serial_number_else_the_ports_name() -> None:
    assert port_identity("/dev/ttyACM0", PORTS) == "E66118"
    assert port_identity("/dev/ttyUSB0", PORTS) == "ttyUSB0"
    assert port_identity("socket://10.0.0.7:4001") == "10.0.0.7-4001"
    assert port_identity(PortMatch(serial_number="E66118")) == "E66118"
    assert port_identity(PortMatch(0x1A86, 0x7523)) == "usb-1a86-7523"


def test_the_ports_of_this_computer_are_listed_with_what_stands_in_the_way(tmp_path: pathlib.Path) -> None:
    plain = tmp_path / "ttyS9"
    plain.touch()
    rows = [
        SimpleNamespace(
            device="/dev/ttyUSB9", product="adapter", vid=1, pid=2, serial_number="x1", location="1-1"
        ),
        SimpleNamespace(
            device=str(plain), product=None, vid=None, pid=None, serial_number=None, location=None
        ),
    ]
    usb, own = serial_ports(lambda: rows)
    assert (usb.name, usb.kind, usb.serial_number) == ("adapter (/dev/ttyUSB9)", "serial port", "x1")
    assert own.name == f"ttyS9 ({plain})"
    assert own.note == ""
    assert isinstance(serial_ports(), tuple)


def test_the_sign_bit_found_for_this_port_goes_with_its_lines(
    plug: Plug, read: Callable[..., SerialPort], recorder: Recorder
) -> None:
    read(str(plug.path), sign_bits={"ttyCALIPER": 21})
    recorder.wait_up("ttyCALIPER")
    raw = encode_caliper24(-12.34, "mm", sign_bit=21).decode()
    plug.send(encode_bridge_line(BridgeLine(1, 2, Kind.MEASUREMENT, "jaw", raw, "hex24")) + b"\r\n")
    (frame,) = recorder.wait_for("line:hs1?sign=21", 1, "ttyCALIPER")
    assert measurements_from(frame)[0].value == -12.34
