"""The list of instruments that can be heard now: by Bluetooth, and at serial ports."""

from __future__ import annotations

import json
from dataclasses import asdict
from typing import Any

from hoofsense.sources.link import LinkError


def instruments_near(seconds: float, as_json: bool) -> str:
    """What answers within seconds, and for each kind of link that cannot be used, why and what to do."""
    found, troubles = _heard(seconds)
    if as_json:
        return json.dumps({"instruments": found, "troubles": troubles}, ensure_ascii=False, indent=1)
    lines = []
    for one in found:
        signal = "" if one.get("rssi_dBm") is None else f"  signal {one['rssi_dBm']} dBm"
        measures = ", ".join(one["measures"]) or "what it measures is known once it is connected"
        last = f"  last {one['last_value']}" if one.get("last_value") else ""
        note = f"  ({one['note']})" if one.get("note") else ""
        lines.append(f"{one['kind']:<17} {one['name']:<28} {measures}{signal}{last}{note}")
    if not found:
        lines.append("No instrument answered: switch them on, bring them near, and try again.")
    return "\n".join(lines + [f"! {trouble}" for trouble in troubles])


def _heard(seconds: float) -> tuple[list[dict[str, Any]], list[str]]:
    from hoofsense.sources.bluetooth import discover
    from hoofsense.sources.serial_list import serial_ports

    found: list[dict[str, Any]] = []
    troubles: list[str] = []
    try:
        found += [asdict(one) for one in discover(seconds)]
    except LinkError as why:
        troubles.append(str(why))
    found += [asdict(port) for port in serial_ports()]
    return found, troubles
