"""The check of a caliper over real links: a bridge on a socket, a keyboard cable's pipe."""

from __future__ import annotations

import os
import socket
import threading
from collections.abc import Callable, Iterator
from datetime import date
from pathlib import Path

import pytest
from click.testing import CliRunner

from hoofsense.caliper_checking import CaliperLink, check_caliper
from hoofsense.cli import main
from hoofsense.sources.instrument_list import (
    InstrumentList,
    KnownInstrument,
    read_instrument_list,
    write_instrument_list,
)
from hoofsense.sources.link import LinkError
from hoofsense.wire.bridge_line import BridgeLine, Kind, encode_bridge_line
from hoofsense.wire.caliper_port import encode_caliper24
from hoofsense.wire.key_events import encode_key_event, events_of

DAY = date(2026, 3, 14)
SHORT_s = 0.2


class Caliper:
    """A bridge on a socket that sends a value when it is told to, and a thermometer's line before each."""

    def __init__(self) -> None:
        self._listener = socket.create_server(("127.0.0.1", 0))
        port = self._listener.getsockname()[1]
        self.url, self.identity = f"socket://127.0.0.1:{port}", f"127.0.0.1-{port}"
        self._connected = threading.Event()
        self._connection: socket.socket | None = None
        self._number = 0
        threading.Thread(target=self._accept, daemon=True).start()

    def _accept(self) -> None:
        self._connection, _ = self._listener.accept()
        self._connected.set()

    def send(self, text: str, unit: str) -> None:
        assert self._connected.wait(5.0)
        assert self._connection is not None
        for sensor, said, in_unit in (("ir", "20.00", "Cel"), ("jaw", text, unit)):
            self._number += 1
            line = BridgeLine(self._number, self._number, Kind.MEASUREMENT, sensor, said, in_unit)
            self._connection.sendall(encode_bridge_line(line) + b"\r\n")

    def send_raw(self, value: float, unit: str = "mm", sign_bit: int = 20) -> None:
        self.send(encode_caliper24(value, unit, sign_bit).decode(), "hex24")

    def close(self) -> None:
        self._listener.close()
        if self._connection is not None:
            self._connection.close()


@pytest.fixture
def caliper() -> Iterator[Caliper]:
    made = Caliper()
    yield made
    made.close()


def person(*acts: Callable[[], object] | str) -> Callable[[], str]:
    """Does one thing at each prompt, then presses Enter; a word is typed."""
    waiting = iter(acts)

    def heard() -> str:
        act = next(waiting)
        if isinstance(act, str):
            return act
        act()
        return "\n"

    return heard


def checked(file: Path, source_id: str) -> KnownInstrument | None:
    return read_instrument_list(file).called(source_id)


def test_a_caliper_that_passes_is_remembered_with_day_and_sign_bit(caliper: Caliper, tmp_path: Path) -> None:
    file = tmp_path / "instruments.json"
    write_instrument_list(file, InstrumentList((KnownInstrument("A17", "Bluetooth", "pen", role="sole"),)))
    heard = person(
        lambda: caliper.send_raw(0.0),
        lambda: caliper.send_raw(10.0),
        lambda: caliper.send_raw(-10.0, sign_bit=21),
        lambda: caliper.send_raw(-0.3935, "[in_i]", sign_bit=21),
    )
    assert check_caliper(CaliperLink(caliper.url), 10.0, file, heard, today=lambda: DAY)
    one = checked(file, caliper.identity)
    assert one is not None
    assert (one.checked_on, one.sign_bit, one.inch_told) == ("2026-03-14", 21, True)
    assert checked(file, "A17") is not None


def test_one_that_fails_loses_the_trust_it_had(
    caliper: Caliper, tmp_path: Path, capsys: pytest.CaptureFixture[str]
) -> None:
    file = tmp_path / "instruments.json"
    before = KnownInstrument(
        caliper.identity, "serial port", "jaw", role="caliper", checked_on="2026-01-01", sign_bit=20
    )
    write_instrument_list(file, InstrumentList((before,)))
    heard = person(lambda: caliper.send("0.00", "mm"), *[lambda: caliper.send("10.20", "mm")] * 3)
    assert not check_caliper(CaliperLink(caliper.url), 10.0, file, heard)
    one = checked(file, caliper.identity)
    assert one is not None
    assert (one.checked_on, one.sign_bit, one.role) == (None, None, "caliper")
    said = capsys.readouterr().out
    assert "10.20 mm came for 10.00 mm" in said and "did not pass" in said


def test_a_caliper_without_an_inch_key_passes(caliper: Caliper, tmp_path: Path) -> None:
    file = tmp_path / "instruments.json"
    sent = [lambda text=text: caliper.send(text, "mm") for text in ("0.00", "10.01", "-9.99")]
    assert check_caliper(CaliperLink(caliper.url), 10.0, file, person(*sent, "none\n"))
    one = checked(file, caliper.identity)
    assert one is not None and one.checked_on is not None and one.inch_told is None


@pytest.mark.parametrize("word", ["stop\n", ""])
def test_stopping_changes_nothing(caliper: Caliper, tmp_path: Path, word: str) -> None:
    file = tmp_path / "instruments.json"
    with pytest.raises(LinkError, match="the check was stopped"):
        check_caliper(CaliperLink(caliper.url), 10.0, file, person(word))
    assert not file.exists()


def test_a_caliper_that_is_not_there_is_given_up_with_the_reason(tmp_path: Path) -> None:
    link = CaliperLink(str(tmp_path / "ttyNONE"))
    with pytest.raises(LinkError, match=r"does not answer \(.*ttyNONE is not there: plug it in\)"):
        check_caliper(link, 10.0, tmp_path / "i.json", person(), wait_s=SHORT_s)


def test_a_caliper_that_sends_nothing_is_asked_for_again_and_then_given_up(
    caliper: Caliper, tmp_path: Path, capsys: pytest.CaptureFixture[str]
) -> None:
    with pytest.raises(LinkError, match="no length came"):
        check_caliper(CaliperLink(caliper.url), 10.0, tmp_path / "i.json", person("\n"), wait_s=SHORT_s)
    assert capsys.readouterr().out.count("Nothing came for 0.2 s") == 3


def test_a_keyboard_cable_is_checked_in_the_unit_it_will_be_read_in(tmp_path: Path) -> None:
    device = tmp_path / "cable-event-kbd"
    os.mkfifo(device)
    descriptor = os.open(device, os.O_RDWR)

    def types(text: str) -> Callable[[], object]:
        events = b"".join(encode_key_event(event) for event in events_of(text))
        return lambda: os.write(descriptor, events)

    file = tmp_path / "instruments.json"
    heard = person(types("0,00"), types("10,00"), types("-10,00"), types("-0.3935"))
    link = CaliperLink(keyboard=str(device), gauge_unit="mm")
    try:
        assert check_caliper(link, 10.0, file, heard)
    finally:
        os.close(descriptor)
    one = checked(file, "cable")
    assert one is not None
    assert (one.kind, one.inch_told) == ("keyboard cable", False)


@pytest.mark.parametrize(
    ("words", "said"),
    [
        (("--block", "10"), "give --serial, --keyboard or --bluetooth"),
        (("--block", "10", "--serial", "a", "--keyboard", "b"), "one caliper is checked at a time"),
        (("--block", "10", "--keyboard", "/dev/input/event7"), "add --gauge-unit"),
        (("--block", "0.5", "--serial", "a"), "outside 2 to 150 mm"),
    ],
)
def test_what_cannot_be_checked_is_refused_in_one_sentence(words: tuple[str, ...], said: str) -> None:
    result = CliRunner().invoke(main, ["caliper-check", *words])
    assert result.exit_code == 2
    assert said in result.output and "Traceback" not in result.output


def test_the_command_ends_in_one_sentence_when_its_input_does(caliper: Caliper, tmp_path: Path) -> None:
    words = [
        "caliper-check",
        "--block",
        "10",
        "--serial",
        caliper.url,
        "--store",
        str(tmp_path / "v.sqlite3"),
    ]
    result = CliRunner().invoke(main, words, input="")
    assert result.exit_code == 2
    assert "the check was stopped" in result.output and "Traceback" not in result.output
