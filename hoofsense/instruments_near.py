"""The list of instruments: what can be heard now, what is remembered of it, and what it said last."""

from __future__ import annotations

import json
import threading
from collections.abc import Sequence
from dataclasses import asdict
from pathlib import Path
from typing import Any

from hoofsense.decoding import measurements_from
from hoofsense.records import RawFrame
from hoofsense.sources.clock import SteadyClock
from hoofsense.sources.instrument_list import InstrumentList, KnownInstrument, read_instrument_list
from hoofsense.sources.link import LinkError, LiveSource
from hoofsense.wire.errors import FrameError

ASK_s = 6.0  # for connecting to the remembered instruments and hearing a value; our choice


def instruments_near(seconds: float, as_json: bool, known_path: Path, bluetooth: bool = True) -> str:
    """What answers within seconds, what is remembered, and why a kind of link cannot be used.

    Remembered instruments are connected to for a moment, to tell their battery and a value.
    """
    known = read_instrument_list(known_path)
    found, troubles = heard_now(seconds, known, bluetooth)
    said = _asked([one for one in found if known.called(one["source_id"]) is not None], known, bluetooth)
    listed = [{**one, **said.get(one["source_id"], {}), **_remembered(known, one)} for one in found]
    names = {one["source_id"] for one in found}
    away = [_away(one) for one in known.instruments if one.source_id not in names]
    if as_json:
        return json.dumps({"instruments": listed + away, "troubles": troubles}, ensure_ascii=False, indent=1)
    lines = [_line(one) for one in listed]
    if not found:
        lines.append("No instrument answered: switch them on, bring them near, and try again.")
    if away:
        lines += ["Remembered, not heard now:", *(_line(one) for one in away)]
    return "\n".join(lines + [f"! {trouble}" for trouble in troubles])


def instruments_remembered(known_path: Path, as_json: bool) -> str:
    """The instruments this computer remembers, without listening for them."""
    away = [_away(one) for one in read_instrument_list(known_path).instruments]
    if as_json:
        return json.dumps({"instruments": away, "troubles": []}, ensure_ascii=False, indent=1)
    return "\n".join(_line(one) for one in away) or "No instrument is remembered."


def heard_now(
    seconds: float, known: InstrumentList, bluetooth: bool = True
) -> tuple[list[dict[str, Any]], list[str]]:
    """What can be heard, as plain values with "source_id", "kind" and "name", and what hinders listening."""
    from hoofsense.sources.keyboard_wedge import keyboards
    from hoofsense.sources.serial_list import port_identity, serial_ports

    found: list[dict[str, Any]] = []
    troubles: list[str] = []
    if bluetooth:
        from hoofsense.sources.bluetooth import discover

        try:
            found += [asdict(one) for one in discover(seconds, known)]
        except LinkError as why:
            troubles.append(str(why))
    ports = serial_ports()
    found += [{"source_id": port_identity(port.port, ports), **asdict(port)} for port in ports]
    found += [asdict(one) for one in keyboards()]
    return found, troubles


def _asked(
    heard: Sequence[dict[str, Any]], known: InstrumentList, bluetooth: bool
) -> dict[str, dict[str, Any]]:
    """What each remembered instrument that must be connected to says: last value and battery."""
    wanted = {one["source_id"] for one in heard if one["kind"] in ("Bluetooth", "serial port")}
    if not wanted:
        return {}
    said: dict[str, dict[str, Any]] = {source_id: {} for source_id in wanted}
    all_said = threading.Event()

    def sink(frame: RawFrame) -> None:
        if frame.source_id in said:
            said[frame.source_id].update(_values(frame))
            if all(one.get("last_value") for one in said.values()):
                all_said.set()

    sources = _sources(heard, wanted, known, bluetooth)
    clock = SteadyClock.anchored_now()
    for source in sources:
        source.start(sink, clock)
    all_said.wait(ASK_s)
    for source in sources:
        source.stop()
    for status in (status for source in sources for status in source.status()):
        if status.source_id in said:
            said[status.source_id].update({"measures": status.measures} if status.measures else {})
            said[status.source_id].update({"note": status.note} if status.note else {})
    return said


def _sources(
    heard: Sequence[dict[str, Any]], wanted: set[str], known: InstrumentList, bluetooth: bool
) -> list[LiveSource]:
    sources: list[LiveSource] = []
    if bluetooth and any(one["kind"] == "Bluetooth" for one in heard):
        from hoofsense.sources.bluetooth import BluetoothSource

        sources.append(BluetoothSource(only=tuple(wanted), known=known))
    ports = [one for one in heard if one["kind"] == "serial port" and not one["note"]]
    if ports:
        from hoofsense.sources.serial_port import SerialPort

        sources += [SerialPort(one["port"], source_id=one["source_id"]) for one in ports]
    return sources


def _values(frame: RawFrame) -> dict[str, Any]:
    """Last value and battery in a frame, those that are in it."""
    try:
        measured = [one for one in measurements_from(frame) if one.value is not None]
    except FrameError:
        return {}
    told: dict[str, Any] = {}
    values = [f"{one.sensor} {one.value:g} {one.unit}" for one in measured if one.sensor != "battery"]
    battery = [one.value for one in measured if one.sensor == "battery" and one.value is not None]
    if values:
        told["last_value"] = ", ".join(values)
    if battery:
        told["battery_percent"] = round(battery[-1])
    return told


def _remembered(known: InstrumentList, one: dict[str, Any]) -> dict[str, Any]:
    kept = known.called(one["source_id"])
    return {"heard": True, **_decided(kept)}


def _away(kept: KnownInstrument) -> dict[str, Any]:
    said = {"source_id": kept.source_id, "kind": kept.kind, "name": kept.name, "measures": ()}
    return {**said, "heard": False, **_decided(kept)}


def _decided(kept: KnownInstrument | None) -> dict[str, Any]:
    """What a person decided about it; its key is never shown."""
    return {
        "remembered": kept is not None,
        "role": None if kept is None else kept.role,
        "has_key": kept is not None and kept.key is not None,
        "checked_on": None if kept is None else kept.checked_on,
    }


def _line(one: dict[str, Any]) -> str:
    battery, signal = one.get("battery_percent"), one.get("rssi_dBm")
    facts = [
        ", ".join(one["measures"]),
        "" if one["role"] is None else f"role {one['role']}",
        "" if one["checked_on"] is None else f"caliper checked {one['checked_on']}",
        "key kept" if one["has_key"] else "",
        "" if signal is None else f"signal {signal} dBm",
        "" if battery is None else f"battery {battery} %",
        f"last {one['last_value']}" if one.get("last_value") else "",
        f"({one['note']})" if one.get("note") else "",
    ]
    told = "  ".join(fact for fact in facts if fact)
    name = "" if one["name"] == one["source_id"] else one["name"]
    return f"{one['source_id']:<20} {one['kind']:<17} {name:<24} {told}".rstrip()
