"""Gives instruments their role and key, and forgets them: what a person types once and every visit knows."""

from __future__ import annotations

import re
from collections.abc import Callable, Mapping, Sequence
from dataclasses import replace
from pathlib import Path
from typing import Any

from hoofsense.decoding import ROLES
from hoofsense.sources.bluetooth_services import address_hash
from hoofsense.sources.instrument_list import (
    InstrumentList,
    KnownInstrument,
    key_from_hex,
    read_instrument_list,
    write_instrument_list,
)

ROLES_GIVEN = (*ROLES, "bridge")
NO_ROLE = "none"
_ADDRESS = re.compile(r"([0-9A-F]{2}:){5}[0-9A-F]{2}", re.IGNORECASE)

Heard = Callable[[], Sequence[Mapping[str, Any]]]


def pair(
    known_path: Path, roles: Sequence[str], keys: Sequence[str], forget: Sequence[str], heard: Heard
) -> list[str]:
    """Change the list of instruments in known_path as asked; what was done, a sentence for each.

    roles, keys  "ID=role" and "ID=32 hex digits"; an ID is the identity, the address or the port of an
                 instrument, as hoofsense instruments lists them; the role "none" takes a role away
    forget       IDs
    heard        lists what can be heard now; asked only for an ID that is not in the list yet
    raises       ValueError with a sentence; nothing is changed then
    """
    before = read_instrument_list(known_path)
    now, told = before, []
    for text in roles:
        source_id, role = _split(text, "ID=role, such as A17=sole")
        if role not in (*ROLES_GIVEN, NO_ROLE):
            raise ValueError(
                f"role {role!r} is none of {', '.join(ROLES_GIVEN)}: use one, or {NO_ROLE} to take it"
            )
        one = _instrument(now, source_id, heard)
        now = now.with_instrument(replace(one, role=None if role == NO_ROLE else role))
        said = "has no role now" if role == NO_ROLE else f"is the {role} instrument now"
        told.append(f"{one.source_id} {said}.")
    for text in keys:
        source_id, digits = _split(text, "ID=key, the key as 32 hex digits")
        key = key_from_hex(digits)
        one = _instrument(now, source_id, heard)
        if not one.addresses:
            raise ValueError(f"{one.source_id} is no Bluetooth instrument: only encrypted adverts have a key")
        now = now.with_instrument(replace(one, key=key))
        told.append(f"The key of {one.source_id} is kept in {known_path}, which only you can read.")
    for source_id in forget:
        gone = now.called(source_id) or now.at_address(source_id)
        if gone is None:
            raise ValueError(f"{source_id!r} is not in the list: run hoofsense instruments to see it")
        now = now.without(gone.source_id)
        told.append(f"{gone.source_id} is forgotten, with its role, key and caliper check.")
    if now != before:
        write_instrument_list(known_path, now)
    return told


def _split(text: str, layout: str) -> tuple[str, str]:
    source_id, equals, value = text.rpartition("=")
    if not (source_id and equals and value):
        raise ValueError(f"{text!r} is not {layout}: type it like that")
    return source_id.strip(), value.strip()


def _instrument(known: InstrumentList, source_id: str, heard: Heard) -> KnownInstrument:
    """The instrument meant, from the list, else from what is heard, else from an address or a port's URL."""
    listed = known.called(source_id) or known.at_address(source_id)
    if listed is not None:
        return listed
    if "://" in source_id:
        from hoofsense.sources.serial_list import port_identity

        identity = port_identity(source_id)
        return known.called(identity) or KnownInstrument(identity, "serial port", source_id)
    for one in heard():
        names = (one["source_id"], one.get("address"), one.get("port"))
        if source_id.casefold() in (name.casefold() for name in names if name):
            addresses = (str(one["address"]),) if one.get("address") else ()
            found = KnownInstrument(str(one["source_id"]), str(one["kind"]), str(one["name"]), addresses)
            return known.called(found.source_id) or found
    if _ADDRESS.fullmatch(source_id):
        address = source_id.upper()
        return KnownInstrument(f"bt-{address_hash(address)}", "Bluetooth beacon", address, (address,))
    raise ValueError(
        f"no instrument {source_id!r} is known or heard now: switch it on, then run hoofsense instruments "
        "to see what it is called"
    )
