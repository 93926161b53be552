"""The reference bridge: its lines are read back, and no glitch on its caliper becomes a length."""

from __future__ import annotations

import ast
import os
import random
import re
import shutil
import subprocess
from collections.abc import Iterator
from itertools import pairwise
from pathlib import Path
from types import SimpleNamespace

import pytest

from hoofsense.decoding import measurements_from, readings_from
from hoofsense.records import Instant, Quantity, RawFrame
from hoofsense.wire.bridge_line import BridgeLine, Kind, decode_bridge_line
from hoofsense.wire.caliper_port import decode_caliper24, decode_caliper52, encode_caliper52
from hoofsense.wire.checked_text import crc16
from hoofsense.wire.errors import FrameError
from hoofsense.wire.framing import LineBuffer, lines_from


def test_the_published_check_values_of_both_checksums_are_met(board: SimpleNamespace) -> None:
    # Catalogue of parametrised CRC algorithms (from memory): CRC-16/IBM-3740 and CRC-8/SMBUS.
    assert board.hs1_line.crc16(b"123456789") == 0x29B1
    assert board.infrared_sensor.packet_error_code(b"123456789") == 0xF4


def test_the_boards_checksum_is_the_programs(board: SimpleNamespace) -> None:
    rng = random.Random(20)
    for _ in range(500):
        body = rng.randbytes(rng.randrange(60))
        assert board.hs1_line.crc16(body) == crc16(body)


def test_every_kind_of_line_is_read_back(board: SimpleNamespace) -> None:
    sent: list[bytes] = []
    sender = board.hs1_line.LineSender(sent.append, "bridge-01", "0.1", "7F3A")
    sender.identity(0)
    sender.measurement(5, "jaw", "12.34", "mm")
    sender.button(6, "jaw")
    sender.measurement(7, "ir", "", "Cel")
    sender.error(4_294_967_295, "ir", "no answer")
    assert sent[0] == b"$HS1,0,0,I,bridge-01,fw=0.1,boot=7F3A*C810\r\n"
    assert [decode_bridge_line(line[:-2]) for line in sent] == [
        BridgeLine(0, 0, Kind.IDENTITY, "bridge-01", "fw=0.1", "boot=7F3A"),
        BridgeLine(1, 5, Kind.MEASUREMENT, "jaw", "12.34", "mm"),
        BridgeLine(2, 6, Kind.BUTTON, "jaw", "1", ""),
        BridgeLine(3, 7, Kind.MEASUREMENT, "ir", "", "Cel"),
        BridgeLine(4, 4_294_967_295, Kind.ERROR, "ir", "no answer", ""),
    ]
    with pytest.raises(ValueError, match="separator"):
        sender.error(0, "ir", "no, nothing")


def test_a_line_cut_into_packets_is_put_together_again(board: SimpleNamespace) -> None:
    line = b"$HS1,41,123456,M,jaw,12.34,mm*E9FE\r\n"
    packets = board.hs1_line.packets(line * 3)
    assert max(map(len, packets)) == 20
    buffer, lines = LineBuffer(), []
    for packet in packets:
        buffer, ended = lines_from(buffer, packet)
        lines += ended
    assert lines == [line[:-2]] * 3


def test_uptime_runs_on_when_ticks_wrap_and_wraps_itself_at_32_bits(board: SimpleNamespace) -> None:
    uptime = board.hs1_line.Uptime((1 << 30) - 100)
    assert [uptime.ms(ticks) for ticks in ((1 << 30) - 50, 0, 900)] == [50, 100, 1000]
    ticks = 900
    for _ in range(5):
        ticks = (ticks + (1 << 29)) % (1 << 30)
        last = uptime.ms(ticks)
    assert last == 1000 + 5 * (1 << 29)
    for _ in range(3):
        ticks = (ticks + (1 << 29)) % (1 << 30)
        last = uptime.ms(ticks)
    assert last == (1000 + 8 * (1 << 29)) % (1 << 32) == 1000


def _frames_read(
    board: SimpleNamespace, jitter_percent: int, clock_glitches: int, data_glitches: int, frames: int = 1000
) -> Iterator[tuple[str, str | None, str | None]]:
    """(shown, read in this frame, steady after it), a new length after every fifth frame."""
    simulation, signal = board.caliper_simulation, board.caliper_signal
    noise = simulation.Noise(7)
    reader, steady = signal.FrameReader(), signal.SteadyFrame()
    shown, now_us = "", 0
    for number in range(frames):
        if number % 5 == 0:
            shown = f"{noise.below(1 << 20):06X}"
        bits = simulation.word_bits(shown)
        wave, ended_us = simulation.wave_of(
            bits, now_us, noise, jitter_percent, clock_glitches, data_glitches
        )
        assert all(before[0] <= after[0] for before, after in pairwise(wave))
        for edge_us, data in simulation.edges_seen(wave, noise):
            assert reader.edge(edge_us & 0x3FFFFFFF, data) is None  # a frame ends by a gap, not inside
        read = reader.idle((ended_us + 1000) & 0x3FFFFFFF)
        if read is not None:
            steady.take(read, ended_us // 1000)
        yield shown, read, steady.now(ended_us // 1000)
        now_us = ended_us + simulation.FRAME_GAP_US


@pytest.mark.parametrize("jitter_percent", [0, 10, 20, 25])
def test_jitter_alone_loses_no_frame(board: SimpleNamespace, jitter_percent: int) -> None:
    assert all(read == shown for shown, read, _ in _frames_read(board, jitter_percent, 0, 0))


@pytest.mark.parametrize(
    ("clock_glitches", "data_glitches"), [(1, 0), (2, 0), (0, 3), (3, 3), (6, 6), (0, 12)]
)
def test_no_glitch_becomes_a_length(board: SimpleNamespace, clock_glitches: int, data_glitches: int) -> None:
    shown_before: set[str] = set()
    wrong = steady_times = 0
    for shown, read, steady in _frames_read(board, 20, clock_glitches, data_glitches):
        shown_before.add(shown)
        wrong += read is not None and read != shown
        steady_times += steady is not None
        assert steady is None or steady in shown_before
    assert steady_times > 0
    assert wrong > 0 or data_glitches == 0  # single frames were wrong, or the test would show nothing


def test_the_page_on_caliper_ports_tells_what_the_simulation_gives(board: SimpleNamespace) -> None:
    page = " ".join((board.folder.parent / "caliper_ports.md").read_text(encoding="utf-8").split())
    told = re.search(
        r"no glitch (\d+) read; one clock glitch in every frame (\d+) read, none wrong; "
        r"three data glitches in every frame (\d+) read and (\d+) wrong",
        page,
    )
    assert told is not None

    def counts(clock_glitches: int, data_glitches: int) -> tuple[int, int]:
        frames = list(_frames_read(board, 20, clock_glitches, data_glitches))
        right = sum(read == shown for shown, read, _ in frames)
        return right, sum(read is not None for _, read, _ in frames) - right

    none, clock, data = counts(0, 0), counts(1, 0), counts(0, 3)
    assert (*none, *clock, *data) == (int(told[1]), 0, int(told[2]), 0, int(told[3]), int(told[4]))


def test_frames_of_13_nibbles_and_a_leading_one_are_read(board: SimpleNamespace) -> None:
    simulation, signal = board.caliper_simulation, board.caliper_signal
    bits = simulation.word_bits("FFFF801234530")
    assert len(bits) == 52 and signal.frame_text(bits) == "FFFF801234530"
    led = [1, *simulation.word_bits("1004D2")]
    assert signal.frame_text(led, leading_one=True) == "1004D2"
    assert signal.frame_text(led) is None  # 25 bits may be 24 and a glitch: never guessed
    assert signal.frame_text([0, *led[1:]], leading_one=True) is None


def test_a_broken_wire_fills_no_memory_and_makes_no_length(board: SimpleNamespace) -> None:
    reader = board.caliper_signal.FrameReader()
    for edge in range(5000):
        assert reader.edge(edge * 100, edge & 1) is None
    assert len(reader._bits) < 60
    assert reader.idle(5000 * 100 + 1000) is None
    assert reader.spoiled == 1


def test_ticks_that_wrap_inside_a_frame_spoil_nothing(board: SimpleNamespace) -> None:
    reader = board.caliper_signal.FrameReader()
    start = (1 << 30) - 1000
    for place, bit in enumerate(board.caliper_simulation.word_bits("1004D2")):
        assert reader.edge((start + 300 * place) & 0x3FFFFFFF, bit) is None
    assert reader.idle((start + 300 * 23 + 600) & 0x3FFFFFFF) == "1004D2"


def test_the_board_and_the_program_make_the_same_length_of_a_frame(board: SimpleNamespace) -> None:
    rng = random.Random(21)
    for _ in range(5000):
        text = f"{rng.randrange(1 << 24) & ~rng.choice((0, 0x600000)):06X}"
        for sign_bit in (20, 21):
            ours = board.caliper_signal.value_of(text, sign_bit)
            try:
                theirs = decode_caliper24(text.encode(), sign_bit)
            except FrameError:
                assert ours is None
            else:
                assert (float(ours[0]), ours[1]) == (theirs.value, theirs.unit)
        nibbles = encode_caliper52(
            rng.randrange(-99999, 99999) / 1000, rng.choice(("mm", "[in_i]")), 3
        ).decode()
        spoiled = list(nibbles)
        spoiled[rng.randrange(13)] = rng.choice("0123456789ABCDEF")
        for frame in (nibbles, "".join(spoiled)):
            ours = board.caliper_signal.value_of(frame)
            try:
                theirs = decode_caliper52(frame.encode())
            except FrameError:
                assert ours is None
            else:
                assert (float(ours[0]), ours[1]) == (theirs.value, theirs.unit)


def test_the_infrared_modules_answer_becomes_a_temperature_with_its_digits(board: SimpleNamespace) -> None:
    sensor = board.infrared_sensor
    # 0x3AF7 = 15095 counts of 0.02 K = 301.90 K = 28.75 degC.
    assert sensor.celsius_text(sensor.answer_for(30190)) == "28.75"
    assert sensor.celsius_text(sensor.answer_for(26760)) == "-5.55"
    assert sensor.celsius_text(sensor.answer_for(27314)) == "-0.01"
    assert sensor.celsius_text(sensor.answer_for(26314)) == "-10.01"


def test_a_damaged_or_faulty_answer_of_the_module_is_no_temperature(board: SimpleNamespace) -> None:
    sensor = board.infrared_sensor
    answer = sensor.answer_for(30190)
    for bit in range(24):
        flipped = bytearray(answer)
        flipped[bit // 8] ^= 1 << bit % 8
        assert sensor.celsius_text(bytes(flipped)) is None
    assert sensor.celsius_text(answer[:2]) is None
    assert sensor.celsius_text(sensor.answer_for(2 * 0x8001)) == ""  # the module's own error flag


def test_a_bouncing_key_is_one_press(board: SimpleNamespace) -> None:
    key = board.bridge.Key()
    down = [False] * 5 + [True, False] * 5 + [True] * 100 + [False, True] * 5 + [False] * 50 + [True] * 50
    presses = [ms for ms, level in enumerate(down) if key.step(level, ms)]
    assert len(presses) == 2


def test_the_key_without_a_caliper_tells_that_there_is_none(board: SimpleNamespace) -> None:
    sent: list[bytes] = []
    sender = board.hs1_line.LineSender(sent.append, "bridge-01", "1", "0000")
    bridge = board.bridge.Bridge(sender, lambda: b"", board.infrared_sensor.celsius_text)
    for ms in range(0, 1000, 5):
        bridge.step(ms, 300 <= ms < 500)
    kinds = [decode_bridge_line(line[:-2]) for line in sent]
    assert [(line.kind, line.channel, line.text) for line in kinds] == [
        (Kind.IDENTITY, "bridge-01", "fw=1"),
        (Kind.ERROR, "ir", "no answer"),  # once, not five times a second
        (Kind.BUTTON, "jaw", "1"),
        (Kind.ERROR, "jaw", "no steady signal"),
    ]


def test_an_old_frame_is_not_sent_as_what_the_jaw_shows_now(board: SimpleNamespace) -> None:
    steady = board.caliper_signal.SteadyFrame()
    for ms in (0, 100):
        steady.take("0004D2", ms)
        assert steady.now(ms) is None
    steady.take("0004D2", 200)
    assert steady.now(200 + board.caliper_signal.FRESH_MS) == "0004D2"
    assert steady.now(201 + board.caliper_signal.FRESH_MS) is None


def test_a_moving_jaw_shows_no_length_and_a_single_glitch_does_not_hide_one(board: SimpleNamespace) -> None:
    steady = board.caliper_signal.SteadyFrame()
    shown = []
    for number, text in enumerate("AAAABAAACDEFFFF"):
        steady.take(text, 100 * number)
        shown.append(steady.now(100 * number) or "-")
    assert "".join(shown) == "--AAAAAAA----FF"


def _read_back(output: bytes) -> tuple[list[BridgeLine], list[float]]:
    """Lines of a rehearsal by way of the program's own path, and the lengths in mm."""
    buffer, payloads = LineBuffer(), []
    for at in range(0, len(output), 20):
        buffer, ended = lines_from(buffer, output[at : at + 20])
        payloads += ended
    assert buffer == LineBuffer()
    lengths = []
    for number, payload in enumerate(payloads):
        frame = RawFrame(Instant(number, number, number, "boot"), "bridge-01", "line:hs1", payload)
        measurements_from(frame)
        lengths += [1e3 * one.value for one in readings_from(frame) if one.quantity is Quantity.LENGTH]
    return [decode_bridge_line(payload) for payload in payloads], lengths


@pytest.fixture(scope="session")
def rehearsed(board: SimpleNamespace) -> bytes:
    sent: list[bytes] = []
    board.rehearsal.run(sent.append)
    return b"".join(sent)


def test_a_rehearsal_is_read_back_whole(board: SimpleNamespace, rehearsed: bytes) -> None:
    lines, lengths = _read_back(rehearsed)
    assert [line.sequence for line in lines] == list(range(len(lines)))
    assert all(before.device_ms <= after.device_ms for before, after in pairwise(lines))
    assert lengths == pytest.approx([12.34, -12.34, 0.4855 * 25.4, 0.0, -12.345, 0.4855 * 25.4])
    assert sum(line.kind is Kind.BUTTON for line in lines) == len(lengths) == len(board.rehearsal.LENGTHS)
    assert sum(line.kind is Kind.IDENTITY for line in lines) == 3
    infrared = [line for line in lines if line.channel == "ir" and line.kind is Kind.MEASUREMENT]
    assert len(infrared) > 550 and all(26.0 < float(line.text) < 29.0 for line in infrared)


def test_a_checked_port_sends_the_same_lengths_as_decimal_text(
    board: SimpleNamespace, rehearsed: bytes
) -> None:
    sent: list[bytes] = []
    board.rehearsal.run(sent.append, raw_frames=False)
    lines, lengths = _read_back(b"".join(sent))
    assert [line.text for line in lines if line.channel == "jaw" and line.kind is Kind.MEASUREMENT] == [
        "12.34",
        "-12.34",
        "0.4855",
        "0.00",
        "-12.345",
        "0.4855",
    ]
    assert lengths == pytest.approx(_read_back(rehearsed)[1])


def test_the_program_of_the_board_uses_only_what_a_board_has(board: SimpleNamespace) -> None:
    own = {path.stem for path in board.folder.glob("*.py")}
    allowed = {"machine", "os", "sys", "time", "array"}
    for path in board.folder.glob("*.py"):
        for node in ast.walk(ast.parse(path.read_text(encoding="utf-8"))):
            names = [one.name for one in node.names] if isinstance(node, ast.Import) else []
            names += [node.module or ""] if isinstance(node, ast.ImportFrom) else []
            assert set(names) <= own | allowed, path.name
            if path.name != "main.py":
                assert "machine" not in names, path.name


@pytest.fixture(scope="session")
def micropython() -> str:
    """The interpreter: $MICROPYTHON or the one on the path; missing is an error in CI, else a skip."""
    found = os.environ.get("MICROPYTHON") or shutil.which("micropython")
    if found is None:
        missing = "micropython is missing: apt-get install micropython (Debian 13), or set MICROPYTHON"
        if os.environ.get("CI") == "true":
            pytest.fail(missing)
        pytest.skip(missing)
    return found


@pytest.mark.parametrize("asked", [[], ["decoded"]])
def test_micropython_sends_the_same_bytes(
    board: SimpleNamespace, micropython: str, rehearsed: bytes, asked: list[str]
) -> None:
    said = subprocess.run(
        [micropython, "rehearsal.py", *asked], cwd=board.folder, capture_output=True, check=True, timeout=60
    ).stdout
    expected: list[bytes] = [rehearsed]
    if asked:
        expected = []
        board.rehearsal.run(expected.append, raw_frames=False)
    assert said == b"".join(expected)
    assert len(_read_back(said)[1]) == len(board.rehearsal.LENGTHS)


def test_micropython_compiles_every_file_of_the_bridge(
    board: SimpleNamespace, micropython: str, tmp_path: Path
) -> None:
    program = "import sys\nfor name in sys.argv[1:]:\n    compile(open(name).read(), name, 'exec')\n"
    (tmp_path / "compile_all.py").write_text(program)
    names = [str(path) for path in sorted(board.folder.glob("*.py"))]
    subprocess.run([micropython, str(tmp_path / "compile_all.py"), *names], check=True, timeout=60)
