"""The list of known instruments: identity, role, addresses, keys, and who may read the file."""

from __future__ import annotations

import stat
from pathlib import Path

import pytest

from hoofsense.sources.instrument_list import (
    ADDRESSES_KEPT,
    InstrumentList,
    KnownInstrument,
    key_from_hex,
    read_instrument_list,
    write_instrument_list,
)

KEY = bytes(range(16))
THERMOMETER = KnownInstrument("A17", "Bluetooth", "thermometer", ("00:00:5E:00:53:AF",), "sole")
CALIPER = KnownInstrument(
    "jaw-7", "serial port", "jaw", role="caliper", checked_on="2026-03-14", sign_bit=21, inch_told=True
)
BEACON = KnownInstrument("yard", "Bluetooth beacon", "yard", ("00:00:5E:00:53:B0",), "air", KEY)


def test_what_is_written_is_read_back(tmp_path: Path) -> None:
    file = tmp_path / "deeper" / "instruments.json"
    kept = InstrumentList((THERMOMETER, BEACON, CALIPER))
    write_instrument_list(file, kept)
    assert read_instrument_list(file) == kept
    assert [path.name for path in file.parent.iterdir()] == ["instruments.json"]


def test_the_file_with_the_keys_is_for_its_owner_alone(tmp_path: Path) -> None:
    file = tmp_path / "instruments.json"
    file.write_text("{}")
    file.chmod(0o644)
    write_instrument_list(file, InstrumentList((BEACON,)))
    assert stat.S_IMODE(file.stat().st_mode) == 0o600


def test_no_file_is_an_empty_list(tmp_path: Path) -> None:
    assert read_instrument_list(tmp_path / "none.json") == InstrumentList()


@pytest.mark.parametrize(
    "content",
    [
        b"",
        b"[]",
        b"null",
        b"{}",
        b'{"instruments": [{}]}',
        b'{"instruments": [7]}',
        b'{"instruments": [{"source_id": "", "kind": "k", "name": "n"}]}',
        b'{"instruments": [{"source_id": "a", "kind": "k", "name": "n", "key": "12"}]}',
        b'{"instruments": [{"source_id": "a", "kind": "k", "name": "n", "addresses": "x"}]}',
        b'{"instruments": [{"source_id": "a", "kind": "k", "name": "n", "sign_bit": 19}]}',
        b'{"instruments": [{"source_id": "a", "kind": "k", "name": "n", "sign_bit": "20"}]}',
        b'{"instruments": [{"source_id": "a", "kind": "k", "name": "n", "inch_told": 1}]}',
        b'{"instruments": [{"source_id": "a", "kind": "k", "name": "n", "checked_on": "today"}]}',
        b"\xff\xfe",
    ],
)
def test_a_broken_file_is_one_sentence_that_names_it(tmp_path: Path, content: bytes) -> None:
    file = tmp_path / "instruments.json"
    file.write_bytes(content)
    with pytest.raises(ValueError, match=r"instruments\.json is not"):
        read_instrument_list(file)


def test_an_instrument_is_found_under_any_of_its_addresses_in_either_case() -> None:
    known = InstrumentList((THERMOMETER.seen_at("00:00:5e:00:53:c1"),))
    for address in ("00:00:5E:00:53:AF", "00:00:5E:00:53:C1"):
        found = known.at_address(address)
        assert found is not None
        assert found.source_id == "A17"
    assert known.at_address("00:00:5E:00:53:C2") is None
    assert known.called("A17") is not None
    assert known.called("B2") is None


def test_only_the_latest_addresses_are_kept() -> None:
    instrument = THERMOMETER
    for n in range(20):
        instrument = instrument.seen_at(f"00:00:5E:00:53:{n:02X}")
    assert len(instrument.addresses) == ADDRESSES_KEPT
    assert instrument.seen_at("00:00:5E:00:53:0F").addresses[-1] == "00:00:5E:00:53:0F"
    assert len(instrument.seen_at("00:00:5E:00:53:0F").addresses) == ADDRESSES_KEPT


def test_an_address_belongs_to_the_instrument_that_used_it_last() -> None:
    newcomer = KnownInstrument("C3", "Bluetooth", "other", THERMOMETER.addresses)
    known = InstrumentList((THERMOMETER, BEACON)).with_instrument(newcomer)
    found = known.at_address(THERMOMETER.addresses[0])
    assert found is not None
    assert found.source_id == "C3"
    assert {i.source_id for i in known.instruments} == {"A17", "yard", "C3"}


def test_what_a_person_decided_outlives_a_new_address() -> None:
    heard_again = KnownInstrument("A17", "Bluetooth", "thermometer 2", ("00:00:5E:00:53:C1",))
    found = InstrumentList((THERMOMETER, BEACON)).with_seen(heard_again).called("A17")
    assert found is not None
    assert (found.role, found.name) == ("sole", "thermometer 2")
    assert found.addresses == (*THERMOMETER.addresses, *heard_again.addresses)


def test_an_instrument_is_forgotten_by_its_identity() -> None:
    assert InstrumentList((THERMOMETER, BEACON)).without("A17") == InstrumentList((BEACON,))


def test_a_file_from_before_the_caliper_check_is_read(tmp_path: Path) -> None:
    file = tmp_path / "instruments.json"
    file.write_text('{"instruments": [{"source_id": "jaw-7", "kind": "serial port", "name": "jaw"}]}')
    (only,) = read_instrument_list(file).instruments
    assert (only.checked_on, only.sign_bit, only.inch_told) == (None, None, None)


def test_the_sign_bits_found_are_listed_by_identity() -> None:
    assert InstrumentList((THERMOMETER, CALIPER)).sign_bits() == {"jaw-7": 21}


def test_keys_are_listed_by_address() -> None:
    assert InstrumentList((THERMOMETER, BEACON)).keys() == {"00:00:5E:00:53:B0": KEY}


def test_one_identity_cannot_be_listed_twice() -> None:
    with pytest.raises(ValueError, match="'A17' is listed twice"):
        InstrumentList((THERMOMETER, THERMOMETER))


def test_a_key_is_typed_as_hex_with_or_without_spaces() -> None:
    assert key_from_hex(KEY.hex(" ")) == key_from_hex(KEY.hex().upper()) == KEY


@pytest.mark.parametrize("text", ["", "0001", KEY.hex() + "00", "zz" * 16])
def test_a_key_that_is_none_is_refused_in_a_sentence(text: str) -> None:
    with pytest.raises(ValueError, match=r"key .*(needs 32|is 32 digits)"):
        key_from_hex(text)
