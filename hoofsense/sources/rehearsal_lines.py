"""A simulated visit as one bridge would send it, and as a person would say the rest at the terminal.

The instruments of the simulation become lines of one bridge (ir, air, rh, jaw, battery). Foot, spot and heat
are pressed on its buttons, each as often as it takes. What no instrument can send is a cue: the words to
type into the visit.
"""

from __future__ import annotations

import json
from collections.abc import Mapping
from dataclasses import dataclass
from typing import Any

from hoofsense.records import SCAN_SITES, RawFrame
from hoofsense.sources.simulated_practitioner import PAD_SITES
from hoofsense.wire.bridge_line import BridgeLine, Kind, decode_bridge_line, encode_bridge_line
from hoofsense.wire.bthome import decode_bthome
from hoofsense.wire.checked_text import decode_checked
from hoofsense.wire.decimal_text import decimal_text
from hoofsense.wire.gatt import decode_battery, decode_health_temperature

NAME = "rehearsal"
BOOTED_BEFORE_ms = 3000  # the bridge, before the first line; our choice
_SENSOR_OF = {"temperature": ("air", "Cel"), "humidity": ("rh", "%")}
_NS_PER_MS = 1_000_000
_U32 = 2**32
_SPOTS = tuple(site.value for site in SCAN_SITES)  # in the order in which the button steps through them


@dataclass(frozen=True, slots=True)
class Step:
    """What one frame of the simulation comes to: lines without their ends, and words to type."""

    lines: tuple[bytes, ...] = ()
    cues: tuple[str, ...] = ()


class RehearsedBridge:
    """Turns the frames of one simulated visit, in their order, into steps.

    buttons  False: foot, spot and heat are cues too, for who wants to type them
    """

    def __init__(self, buttons: bool = True) -> None:
        self._buttons = buttons
        self._sequence = -1
        self._start_ns: int | None = None
        self._advert: bytes = b""
        self._feet: list[str] = []
        self._foot = ""
        self._spot: str | None = None
        self._heated: set[str] = set()
        self._pads: dict[str, list[str]] = {}

    def step(self, frame: RawFrame) -> Step:
        """The next frame's lines and cues."""
        if self._start_ns is None:
            self._start_ns = frame.at_ns
        ms = ((frame.at_ns - self._start_ns) // _NS_PER_MS + BOOTED_BEFORE_ms) % _U32
        if frame.channel == "mark":
            return self._mark(ms, json.loads(decode_checked(frame.payload)))
        if frame.channel == "link":
            said = json.loads(decode_checked(frame.payload))
            return Step() if said["up"] else Step((self._line(ms, Kind.ERROR, "ir", "no answer", ""),))
        return self._reading(ms, frame)

    def identity(self, ms: int) -> bytes:
        """Who it is: the first line after somebody begins to listen."""
        return self._line(ms % _U32, Kind.IDENTITY, NAME, "fw=simulated", "boot=0001")

    def _line(self, ms: int, kind: Kind, channel: str, text: str, unit: str) -> bytes:
        self._sequence = (self._sequence + 1) % _U32
        return encode_bridge_line(BridgeLine(self._sequence, ms, kind, channel, text, unit))

    def _measured(self, ms: int, sensor: str, value: float, resolution: float, unit: str) -> bytes:
        return self._line(ms, Kind.MEASUREMENT, sensor, decimal_text(value, resolution), unit)

    def _reading(self, ms: int, frame: RawFrame) -> Step:
        if frame.channel == "gatt:2a1c":
            said = decode_health_temperature(frame.payload)
            if said.value is None:
                return Step((self._line(ms, Kind.MEASUREMENT, "ir", "", "Cel"),))
            return Step((self._measured(ms, "ir", said.value, said.resolution or 1.0, said.unit),))
        if frame.channel == "gatt:2a19":
            return Step((self._measured(ms, "battery", float(decode_battery(frame.payload)), 1.0, "%"),))
        if frame.channel == "advert:fcd2" and frame.payload != self._advert:
            self._advert = frame.payload
            named = ((one, _SENSOR_OF.get(one.name)) for one in decode_bthome(frame.payload).objects)
            return Step(
                tuple(
                    self._measured(ms, told[0], one.value, one.resolution, told[1])
                    for one, told in named
                    if told is not None and one.value is not None and one.resolution is not None
                )
            )
        if frame.channel == "line:hs1":
            line = decode_bridge_line(frame.payload)
            if line.kind is Kind.IDENTITY:
                return Step((self.identity(ms),))
            cues = () if line.channel != "jaw" else self._next_pad()
            return Step((self._line(ms, line.kind, line.channel, line.text, line.unit),), cues)
        return Step()

    def _next_pad(self) -> tuple[str, ...]:
        """After a pad's value, the site of the next one: the usual sheet ends with the depths."""
        left = self._pads.get(self._foot, [])
        return (f"next {left.pop(0)}",) if left else ()

    # -- what the practitioner does ---------------------------------------------------------------

    def _mark(self, ms: int, mark: Mapping[str, Any]) -> Step:
        kind = mark["mark"]
        if kind == "begin":
            self._feet = list(mark["feet"])
            self._foot = self._feet[0]
            return Step()
        if kind == "hand":
            return self._in_hand(ms, mark["foot"], mark["site"])
        if kind in ("note", "end"):
            return Step((), (f"note {mark['text']}" if kind == "note" else "end",))
        before = self._in_hand(ms, mark["foot"], self._spot if mark["foot"] == self._foot else None)
        if kind == "heat":
            now = self._heat(ms, mark["foot"], bool(mark["on"]))
        else:
            now = Step((), self._words(kind, mark))
        return Step((*before.lines, *now.lines), (*before.cues, *now.cues))

    def _in_hand(self, ms: int, foot: str, spot: str | None) -> Step:
        presses: list[str] = []
        cues: list[str] = []
        if foot != self._foot or (spot is None and self._spot is not None):
            ahead = (self._feet.index(foot) - self._feet.index(self._foot)) % len(self._feet)
            presses += ["foot"] * (ahead or len(self._feet))  # all the way round: no spot in hand any more
            cues.append(foot)
            self._foot, self._spot = foot, None
        if spot is not None and spot != self._spot:
            at = -1 if self._spot is None else _SPOTS.index(self._spot)
            presses += ["spot"] * ((_SPOTS.index(spot) - at) % len(_SPOTS) or len(_SPOTS))
            cues.append(spot)
            self._spot = spot
        return self._pressed(ms, presses, cues)

    def _heat(self, ms: int, foot: str, on: bool) -> Step:
        if on == (foot in self._heated):
            return Step()
        (self._heated.add if on else self._heated.discard)(foot)
        return self._pressed(ms, ["heat"], [f"heat {'on' if on else 'off'}"])

    def _pressed(self, ms: int, presses: list[str], cues: list[str]) -> Step:
        if not self._buttons:
            return Step((), tuple(cues))
        return Step(tuple(self._line(ms, Kind.BUTTON, name, "1", "") for name in presses))

    def _words(self, kind: str, mark: Mapping[str, Any]) -> tuple[str, ...]:
        if kind == "fitness":
            return (f"found {' '.join(mark['signs'])}" if mark["signs"] else "clear",)
        if kind == "look":
            return (f"look {'dry' if mark['dry'] else 'wet'}",)
        if kind == "mixed":
            self._heated.discard(mark["foot"])  # mixing ends the heat in the visit too
            return (f"mixed {mark['material_degC']:g}",)
        if kind == "poured":
            return (f"poured {mark['thickness_mm']:g} {mark['cover']}",)
        if kind == "touch":
            return ("firm" if mark["firm"] else "soft",)
        if kind == "trimmed":
            self._pads[mark["foot"]] = list(PAD_SITES[1:])
            return ("trimmed", f"next {PAD_SITES[0]}")
        return (kind,)
