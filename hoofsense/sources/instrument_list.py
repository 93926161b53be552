"""The instruments this computer knows: their own identity, role, addresses and keys, kept in one file.

The file is JSON, readable by its owner alone (mode 600) because it holds the keys of encrypted beacons:

    {"instruments": [{"source_id": "A17", "kind": "Bluetooth", "name": "thermometer", "role": "sole",
                      "addresses": ["00:00:5E:00:53:AF"], "key": "231d39c1d7cc1ab1aee224cd096db932",
                      "checked_on": null, "sign_bit": null, "inch_told": null}]}
"""

from __future__ import annotations

import json
import os
import stat
import tempfile
from collections.abc import Mapping
from dataclasses import dataclass, replace
from datetime import date
from pathlib import Path

from hoofsense.wire.caliper_port import SIGN_BITS

KEY_BYTES = 16  # AES-128, BTHome v2 "Encryption"
ADDRESSES_KEPT = 8  # of an instrument that changes its address; our choice
OWNER_ONLY = stat.S_IRUSR | stat.S_IWUSR


@dataclass(frozen=True, slots=True)
class KnownInstrument:
    """One instrument under our own identity.

    addresses   Bluetooth addresses it was seen under, the latest last
    role        "sole", "air", "caliper", "button", "bridge", or None while it has none
    key         16 bytes that open its encrypted adverts, or None
    checked_on  the day its caliper passed the guided check, as 2026-03-14; None when it has not
    sign_bit    20 or 21, which the check found in its 24-bit frames; None when they hold none
    inch_told   whether it says by itself that it shows inches; None when nobody looked
    """

    source_id: str
    kind: str
    name: str
    addresses: tuple[str, ...] = ()
    role: str | None = None
    key: bytes | None = None
    checked_on: str | None = None
    sign_bit: int | None = None
    inch_told: bool | None = None

    def __post_init__(self) -> None:
        if not self.source_id:
            raise ValueError("an instrument without an identity cannot be kept: give it a source_id")
        if self.sign_bit not in (None, *SIGN_BITS):
            raise ValueError(
                f"sign bit {self.sign_bit} of {self.source_id} is none of {SIGN_BITS}: check it again"
            )
        if self.checked_on is not None:
            date.fromisoformat(self.checked_on)
        if self.key is not None and len(self.key) != KEY_BYTES:
            raise ValueError(
                f"the key of {self.source_id} has {len(self.key)} bytes, it needs {KEY_BYTES}: "
                "copy it again from the instrument"
            )

    def seen_at(self, address: str) -> KnownInstrument:
        """The same instrument, with address as its latest."""
        others = tuple(a for a in self.addresses if a != address)
        return replace(self, addresses=(*others, address)[-ADDRESSES_KEPT:])


@dataclass(frozen=True, slots=True)
class InstrumentList:
    """Known instruments, each identity once."""

    instruments: tuple[KnownInstrument, ...] = ()

    def __post_init__(self) -> None:
        identities = [i.source_id for i in self.instruments]
        twice = {i for i in identities if identities.count(i) > 1}
        if twice:
            raise ValueError(f"instrument {min(twice)!r} is listed twice: remove one of them")

    def at_address(self, address: str) -> KnownInstrument | None:
        """The instrument last seen under this Bluetooth address; None when there is none."""
        for instrument in self.instruments:
            if address.upper() in (a.upper() for a in instrument.addresses):
                return instrument
        return None

    def called(self, source_id: str) -> KnownInstrument | None:
        """The instrument of that identity; None when there is none."""
        return next((i for i in self.instruments if i.source_id == source_id), None)

    def with_instrument(self, instrument: KnownInstrument) -> InstrumentList:
        """A list in which instrument replaces its namesake, and no other claims its addresses."""
        mine = {a.upper() for a in instrument.addresses}
        others = (
            replace(i, addresses=tuple(a for a in i.addresses if a.upper() not in mine))
            for i in self.instruments
            if i.source_id != instrument.source_id
        )
        return InstrumentList((*others, instrument))

    def with_seen(self, instrument: KnownInstrument) -> InstrumentList:
        """A list that holds what was heard of instrument, and keeps what a person decided about it."""
        old = self.called(instrument.source_id)
        if old is None:
            return self.with_instrument(instrument)
        for address in instrument.addresses:
            old = old.seen_at(address)
        return self.with_instrument(replace(old, kind=instrument.kind, name=instrument.name))

    def without(self, source_id: str) -> InstrumentList:
        """A list that no longer knows this identity."""
        return InstrumentList(tuple(i for i in self.instruments if i.source_id != source_id))

    def sign_bits(self) -> Mapping[str, int]:
        """The sign bit of every checked caliper port that has one, by identity."""
        return {i.source_id: i.sign_bit for i in self.instruments if i.sign_bit is not None}

    def keys(self) -> Mapping[str, bytes]:
        """The key of every address that has one, the address in upper case."""
        return {a.upper(): i.key for i in self.instruments if i.key is not None for a in i.addresses}


def key_from_hex(text: str) -> bytes:
    """The 16 bytes a person typed as 32 hex digits, spaces allowed; ValueError with a sentence otherwise."""
    try:
        key = bytes.fromhex(text)
    except ValueError:
        raise ValueError(
            f"key {text!r} is not hexadecimal: it is {2 * KEY_BYTES} digits 0-9 and a-f"
        ) from None
    if len(key) != KEY_BYTES:
        raise ValueError(f"the key has {2 * len(key)} hex digits, it needs {2 * KEY_BYTES}: copy it again")
    return key


def read_instrument_list(path: Path) -> InstrumentList:
    """The list kept in path, empty when there is no such file yet; ValueError when it makes no sense."""
    try:
        text = path.read_text(encoding="utf-8")
    except FileNotFoundError:
        return InstrumentList()
    except UnicodeDecodeError as fault:
        raise ValueError(f"{path} is not text ({fault.reason}): move it away and pair again") from None
    try:
        return InstrumentList(tuple(_instrument_from(entry) for entry in json.loads(text)["instruments"]))
    except (ValueError, KeyError, TypeError, AttributeError) as fault:
        raise ValueError(
            f"{path} is not a list of instruments ({fault}): correct it or move it away"
        ) from None


def write_instrument_list(path: Path, instruments: InstrumentList) -> None:
    """Replace the file at once and whole, readable by its owner alone; raises OSError when it cannot."""
    path.parent.mkdir(parents=True, exist_ok=True)
    text = json.dumps({"instruments": [_entry_of(i) for i in instruments.instruments]}, indent=1)
    # mkstemp makes the file with mode 600 from the start, so the keys are never readable by others
    handle, beside = tempfile.mkstemp(prefix=path.name, dir=path.parent)
    try:
        with os.fdopen(handle, "w", encoding="utf-8") as file:
            file.write(text + "\n")
            file.flush()
            os.fsync(file.fileno())
        os.chmod(beside, OWNER_ONLY)
        os.replace(beside, path)
    except BaseException:
        os.unlink(beside)
        raise


def _instrument_from(entry: Mapping[str, object]) -> KnownInstrument:
    role, key, addresses = entry.get("role"), entry.get("key"), entry.get("addresses", [])
    checked_on, sign_bit, inch_told = entry.get("checked_on"), entry.get("sign_bit"), entry.get("inch_told")
    if not isinstance(addresses, list):
        raise ValueError("addresses must be a list")
    if not isinstance(sign_bit, int | None) or not isinstance(inch_told, bool | None):
        raise ValueError("sign_bit must be a number and inch_told true or false")
    return KnownInstrument(
        source_id=str(entry["source_id"]),
        kind=str(entry["kind"]),
        name=str(entry["name"]),
        addresses=tuple(str(a) for a in addresses),
        role=None if role is None else str(role),
        key=None if key is None else key_from_hex(str(key)),
        checked_on=None if checked_on is None else str(checked_on),
        sign_bit=sign_bit,
        inch_told=inch_told,
    )


def _entry_of(instrument: KnownInstrument) -> dict[str, object]:
    return {
        "source_id": instrument.source_id,
        "kind": instrument.kind,
        "name": instrument.name,
        "role": instrument.role,
        "addresses": list(instrument.addresses),
        "key": None if instrument.key is None else instrument.key.hex(),
        "checked_on": instrument.checked_on,
        "sign_bit": instrument.sign_bit,
        "inch_told": instrument.inch_told,
    }
