"""The check of the computer: each thing that can hinder a visit is found and says what to do."""

from __future__ import annotations

import json
import sqlite3
import stat
from collections.abc import Callable
from pathlib import Path

import pytest
from click.testing import CliRunner

from hoofsense import computer_check
from hoofsense.cli import main
from hoofsense.computer_check import (
    Finding,
    State,
    as_json,
    as_text,
    bluetooth_findings,
    clock_findings,
    instrument_findings,
    is_ready,
    page_port_finding,
    port_findings,
    space_finding,
    store_findings,
)
from hoofsense.records import NS_PER_S
from hoofsense.sources import bluetooth_faults
from hoofsense.sources.clock import boot_id
from hoofsense.sources.instrument_list import InstrumentList, KnownInstrument, write_instrument_list
from hoofsense.sources.link import LinkError
from hoofsense.sources.serial_list import PortSeen
from hoofsense.store import open_store
from hoofsense.store.examination import Examination
from hoofsense.store.schema import SCHEMA_VERSION

BEGIN = {"visit_id": "invented-1", "horse": "Invented Horse A", "practice": "p", "invented": True}
NOW_NS = 1_773_475_200 * NS_PER_S  # 2026-03-14T08:00:00Z, an invented day
RUNNING_NS = 3600 * NS_PER_S


def states(findings: object) -> list[tuple[str, State]]:
    assert not isinstance(findings, str)
    return [(one.subject, one.state) for one in findings]  # type: ignore[attr-defined]


def failing(sentence: str) -> Callable[[], None]:
    def listen() -> None:
        raise LinkError(sentence)

    return listen


@pytest.mark.parametrize(
    ("sentence", "subject", "before"),
    [
        (bluetooth_faults.NO_BUS, "message bus", 0),
        (bluetooth_faults.NO_SERVICE, "Bluetooth service", 1),
        (bluetooth_faults.NOT_PERMITTED, "Bluetooth rights", 2),
        (bluetooth_faults.NO_ADAPTER, "Bluetooth adapter", 3),
        (bluetooth_faults.ADAPTER_OFF, "Bluetooth adapter", 3),
        ("starting the scan failed (busy): trying again", "Bluetooth adapter", 3),
    ],
)
def test_bluetooth_is_followed_up_to_what_is_broken(sentence: str, subject: str, before: int) -> None:
    found = list(bluetooth_findings(failing(sentence)))
    assert [one.state for one in found] == [State.OK] * before + [State.FIX]
    assert (found[-1].subject, found[-1].says) == (subject, sentence)


def test_bluetooth_that_works_is_four_times_ok() -> None:
    assert [one.state for one in bluetooth_findings(lambda: None)] == [State.OK] * 4


def test_ports_and_the_right_to_open_them(monkeypatch: pytest.MonkeyPatch) -> None:
    ports = (
        PortSeen("/dev/ttyUSB0", "bridge (/dev/ttyUSB0)"),
        PortSeen("/dev/ttyUSB1", "x", note="no right"),
    )
    monkeypatch.setattr("hoofsense.sources.serial_list.serial_ports", lambda: ports)
    monkeypatch.setattr(computer_check, "may_open_ports", lambda: False)
    rights, first, second, *_ = port_findings()
    assert (rights.state, first.state, second.state) == (State.FIX, State.OK, State.FIX)
    assert "usermod -aG dialout" in rights.says
    monkeypatch.setattr("hoofsense.sources.serial_list.serial_ports", lambda: ())
    assert states(port_findings())[:2] == [("serial rights", State.NOTE), ("serial port", State.NOTE)]


def test_a_store_that_does_not_exist_yet_is_no_fault_and_is_not_made(tmp_path: Path) -> None:
    path = tmp_path / "deeper" / "visits.sqlite3"
    found, examination = store_findings(path)
    assert (states(found), examination) == ([("store", State.OK)], None)
    assert not path.parent.exists()


def test_a_whole_store_tells_its_visits_and_the_one_left_open(tmp_path: Path) -> None:
    path = tmp_path / "visits.sqlite3"
    with open_store(path) as store:
        store.begin_visit(json.dumps(BEGIN), NOW_NS)
        store.set_boot_anchor(boot_id(), 12)
    before = path.read_bytes()
    found, examination = store_findings(path)
    by_subject = {one.subject: one for one in found}
    assert by_subject["store"].state is State.OK
    assert "1 visits" in by_subject["store"].says
    assert "invented-1 was left open" in by_subject["open visit"].says
    assert examination is not None
    assert (examination.latest_ns, examination.anchor_ns) == (NOW_NS, 12)
    assert path.read_bytes() == before


def test_a_damaged_store_an_older_one_and_no_store_are_told_apart(tmp_path: Path) -> None:
    damaged, older, other = (tmp_path / name for name in ("damaged", "older", "other"))
    for path in (damaged, older):
        with open_store(path) as store:
            store.begin_visit(json.dumps(BEGIN), NOW_NS)
    content = bytearray(damaged.read_bytes())
    content[4096:] = b"\xaa" * (len(content) - 4096)
    damaged.write_bytes(content)
    connection = sqlite3.connect(older)
    connection.execute("PRAGMA user_version = 1")
    connection.close()
    other.write_text("hay, 12 bales\n" * 100)
    for path, state, words in (
        (damaged, State.FIX, "go on from the latest backup"),
        (older, State.NOTE if SCHEMA_VERSION > 1 else State.OK, "version 1"),
        (other, State.FIX, "is not a database"),
    ):
        found, _ = store_findings(path)
        assert found[0].state is state, found
        assert words in found[0].says


def examination(latest_ns: int | None = None, anchor_ns: int | None = None) -> Examination:
    return Examination(1, 1, 0, (), 1, None, latest_ns, anchor_ns, None)


@pytest.mark.parametrize(
    ("synchronised", "found", "expected"),
    [
        (True, None, [State.OK, State.OK]),
        (None, None, [State.OK, State.OK]),
        (False, None, [State.NOTE, State.OK]),
        (True, examination(NOW_NS - 1, NOW_NS - RUNNING_NS), [State.OK, State.OK]),
        (True, examination(NOW_NS + 2 * 3600 * NS_PER_S), [State.FIX, State.OK]),
        (True, examination(None, NOW_NS - RUNNING_NS - 60 * NS_PER_S), [State.OK, State.NOTE]),
    ],
)
def test_the_clock_and_its_anchor(
    synchronised: bool | None, found: Examination | None, expected: list[State]
) -> None:
    told = list(clock_findings(NOW_NS, RUNNING_NS, synchronised, found))
    assert [one.state for one in told] == expected
    if expected[1] is State.NOTE:
        assert "set by +60 s" in told[1].says


def test_too_little_space_is_told_with_the_limit(tmp_path: Path) -> None:
    missing = tmp_path / "a" / "b" / "visits.sqlite3"
    assert space_finding(missing, lambda folder: 10**10 if folder == tmp_path else 0).state is State.OK
    little = space_finding(missing, lambda _: 10**8)
    assert little.state is State.FIX
    assert little.says.startswith("100 MB, 500 MB is the limit")


def test_remembered_instruments_unchecked_calipers_and_readable_keys(tmp_path: Path) -> None:
    path = tmp_path / "instruments.json"
    assert states(instrument_findings(path)) == [("instruments", State.NOTE)]
    kept = (
        KnownInstrument("A17", "Bluetooth", "pen", role="sole", key=bytes(16)),
        KnownInstrument("jaw-7", "serial port", "jaw", role="caliper"),
        KnownInstrument("jaw-8", "serial port", "jaw", checked_on="2026-03-14", inch_told=False),
    )
    write_instrument_list(path, InstrumentList(kept))
    told = list(instrument_findings(path))
    assert states(told) == [("instruments", State.OK), ("caliper", State.NOTE), ("caliper", State.NOTE)]
    assert "A17 (sole)" in told[0].says and "jaw-7 has not passed" in told[1].says
    path.chmod(stat.S_IRUSR | stat.S_IRGRP)
    assert states(instrument_findings(path))[-1] == ("keys", State.FIX)
    path.write_text("[]")
    assert states(instrument_findings(path)) == [("instruments", State.FIX)]


def test_a_port_in_use_is_a_note() -> None:
    import socket

    with socket.create_server(("127.0.0.1", 0)) as taken:
        port = taken.getsockname()[1]
        assert page_port_finding(port).state is State.NOTE
    assert page_port_finding(0).state is State.OK


def test_text_and_json_say_the_same_and_end_in_what_is_left_to_do() -> None:
    findings = [
        Finding("a", State.OK, "well"),
        Finding("b", State.FIX, "mend it"),
        Finding("c", State.NOTE, "n"),
    ]
    assert as_text(findings).splitlines()[-1].startswith("Not ready yet: 1 to fix")
    assert as_text(findings[:1]).endswith("Ready for a visit.")
    told = json.loads(as_json(findings))
    assert [one["state"] for one in told["findings"]] == ["OK", "FIX", "NOTE"]
    assert told["ready"] is is_ready(findings) is False


def test_the_command_tells_everything_and_its_exit_code(
    tmp_path: Path, monkeypatch: pytest.MonkeyPatch
) -> None:
    words = ["check", "--no-bluetooth", "--store", str(tmp_path / "v.sqlite3"), "--port", "0", "--json"]
    monkeypatch.setattr(computer_check, "SPACE_NEEDED_bytes", 1)
    monkeypatch.setattr("hoofsense.sources.serial_list.serial_ports", lambda: ())
    result = CliRunner().invoke(main, words)
    assert result.exit_code == 0, result.output
    assert json.loads(result.stdout)["ready"] is True
    (tmp_path / "v.sqlite3").write_text("hay, 12 bales\n" * 100)
    result = CliRunner().invoke(main, words)
    assert result.exit_code == 1
    assert json.loads(result.stdout)["ready"] is False
