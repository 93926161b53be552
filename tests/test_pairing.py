"""Roles and keys from the command line: kept, changed, forgotten, or refused with nothing changed."""

from __future__ import annotations

import json
from pathlib import Path
from typing import Any

import pytest
from click.testing import CliRunner, Result

from hoofsense.cli import main
from hoofsense.pairing import pair
from hoofsense.sources.instrument_list import (
    InstrumentList,
    KnownInstrument,
    read_instrument_list,
    write_instrument_list,
)

KEY = bytes(range(16))
PEN = KnownInstrument("A17", "Bluetooth", "thermometer", ("00:00:5E:00:53:AF",))
BEACON = {"source_id": "yard", "kind": "Bluetooth beacon", "name": "yard", "address": "00:00:5E:00:53:B0"}
PORT = {
    "source_id": "ttyUSB0",
    "kind": "serial port",
    "name": "bridge (/dev/ttyUSB0)",
    "port": "/dev/ttyUSB0",
}


@pytest.fixture
def file(tmp_path: Path) -> Path:
    path = tmp_path / "instruments.json"
    write_instrument_list(path, InstrumentList((PEN,)))
    return path


def nobody() -> list[dict[str, Any]]:
    raise AssertionError("a known instrument needs no listening")


def kept(file: Path, source_id: str) -> KnownInstrument:
    found = read_instrument_list(file).called(source_id)
    assert found is not None
    return found


@pytest.mark.parametrize("name", ["A17", "00:00:5e:00:53:af"])
def test_a_known_instrument_gets_its_role_by_identity_or_address(file: Path, name: str) -> None:
    assert pair(file, [f"{name}=sole"], [], [], nobody) == ["A17 is the sole instrument now."]
    assert kept(file, "A17").role == "sole"
    assert pair(file, ["A17=none"], [], [], nobody) == ["A17 has no role now."]
    assert kept(file, "A17").role is None


@pytest.mark.parametrize("name", ["yard", "00:00:5e:00:53:b0"])
def test_a_key_is_kept_at_the_address_it_was_heard_at(file: Path, name: str) -> None:
    pair(file, [], [f"{name}={KEY.hex(' ')}"], [], lambda: [BEACON])
    assert read_instrument_list(file).keys() == {"00:00:5E:00:53:B0": KEY}
    assert kept(file, "A17") == PEN


def test_a_key_can_be_kept_for_an_address_that_is_not_heard_yet(file: Path) -> None:
    pair(file, [], [f"00:00:5e:00:53:b9={KEY.hex()}"], [], lambda: [])
    assert read_instrument_list(file).keys() == {"00:00:5E:00:53:B9": KEY}


@pytest.mark.parametrize(
    ("name", "identity"), [("/dev/ttyUSB0", "ttyUSB0"), ("socket://127.0.0.1:5055", "127.0.0.1-5055")]
)
def test_a_port_gets_its_role(file: Path, name: str, identity: str) -> None:
    pair(file, [f"{name}=caliper"], [], [], lambda: [PORT])
    assert (kept(file, identity).role, kept(file, identity).kind) == ("caliper", "serial port")


def test_a_forgotten_instrument_leaves_nothing_behind(file: Path) -> None:
    assert "A17 is forgotten" in pair(file, [], [], ["00:00:5E:00:53:AF"], nobody)[0]
    assert read_instrument_list(file) == InstrumentList()


@pytest.mark.parametrize(
    ("roles", "keys", "forget", "words"),
    [
        (["A17=hoof"], [], [], "role 'hoof' is none of sole, air, caliper, button, bridge"),
        (["A17"], [], [], "'A17' is not ID=role"),
        (["=sole"], [], [], "is not ID=role"),
        (["B2=sole"], [], [], "no instrument 'B2' is known or heard now"),
        ([], ["A17=12"], [], "the key has 2 hex digits"),
        ([], [f"ttyUSB0={KEY.hex()}"], [], "only encrypted adverts have a key"),
        ([], [], ["B2"], "'B2' is not in the list"),
    ],
)
def test_what_makes_no_sense_is_refused_and_changes_nothing(
    file: Path, roles: list[str], keys: list[str], forget: list[str], words: str
) -> None:
    before = file.read_bytes()
    with pytest.raises(ValueError) as refused:
        pair(file, ["A17=sole", *roles], keys, forget, lambda: [PORT])
    assert words in str(refused.value)
    assert file.read_bytes() == before


def called(tmp_path: Path, *words: str) -> Result:
    store = str(tmp_path / "visits.sqlite3")
    return CliRunner().invoke(main, ["instruments", "--no-bluetooth", "--store", store, *words])


def test_the_command_pairs_and_shows_what_is_remembered(file: Path, tmp_path: Path) -> None:
    result = called(tmp_path, "--role", "A17=sole", "--key", f"A17={KEY.hex()}")
    assert result.exit_code == 0, result.output
    assert "role sole" in result.output and "key kept" in result.output
    assert KEY.hex() not in result.output
    told = json.loads(called(tmp_path, "--role", "A17=air", "--json").stdout)["instruments"]
    assert [(one["source_id"], one["role"], one["has_key"]) for one in told] == [("A17", "air", True)]
    listed = called(tmp_path)
    assert "Remembered, not heard now:" in listed.output and "role air" in listed.output


def test_the_command_refuses_in_one_sentence(file: Path, tmp_path: Path) -> None:
    result = called(tmp_path, "--role", "A17=hoof")
    assert result.exit_code == 2
    assert "Traceback" not in result.output and "role 'hoof'" in result.output
    file.write_text("[]")
    assert called(tmp_path).exit_code == 2
