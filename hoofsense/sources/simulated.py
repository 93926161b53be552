"""A whole visit simulated: physical feet, imperfect instruments, a practitioner; real bytes come out.

The same name and seed give the same frames, byte for byte. Nothing here reads a clock: the frames carry the
simulated time, and pacing is another source's business. A simulated visit differs from a live one only in
where its frames come from; it is always labelled as invented.
"""

from __future__ import annotations

import json
import zlib
from collections.abc import Iterable, Iterator
from dataclasses import dataclass, replace
from typing import Any

import numpy as np

from hoofsense.materials import load_profile
from hoofsense.records import NS_PER_S, Foot, Instant, RawFrame, Site
from hoofsense.sources.simulated_foot import FootTruth, SimulatedFeet
from hoofsense.sources.simulated_instruments import (
    AMBIENT,
    BRIDGE,
    THERMOMETER,
    AmbientSensor,
    Bridge,
    Thermometer,
)
from hoofsense.sources.simulated_practitioner import Act, Hands, Practitioner
from hoofsense.sources.simulated_scenarios import Scenario, scenario, scenario_names
from hoofsense.sources.simulated_sole import STEP_s
from hoofsense.units import si_from
from hoofsense.wire.checked_text import encode_checked
from hoofsense.wire.gatt import encode_battery

__all__ = ["SimulatedVisit", "VisitTruth", "bit_flipped", "scenario_names", "simulate", "simulated_visit"]

BOOT = "simulated"
PRACTITIONER = "practitioner"
COLLECTOR = "collector"
BOOTED_BEFORE_s = 600.0  # the collecting computer, before the visit's first second
BATTERY_EVERY_s = 300.0
IDENTITY_EVERY_s = 60.0
LINK_LOST_AFTER_s = 4.0  # how long a link takes to notice that the other end is gone
BATTERY_LASTS_s = 1200.0  # for one percent
# From an instrument's moment to the frame's reception, s (plausible radio and wire delays, invented).
READING_DELAY_s = (0.03, 0.12)
LINE_DELAY_s = (0.01, 0.03)
IDENTITY_DELAY_s = 0.02
BATTERY_DELAY_s = 0.4
CONNECTING_s = 0.1
MOST_FLIPPED_BITS = 3
BITS_PER_BYTE = 8
STEPS_PER_s = round(1.0 / STEP_s)


@dataclass(frozen=True, slots=True)
class VisitTruth:
    """What was really so in a simulated visit, which no instrument says."""

    name: str
    seed: int
    air_K: float  # at the start
    relative_humidity_ratio: float
    thermometer_bias_K: float
    feet: tuple[FootTruth, ...]


@dataclass(frozen=True, slots=True)
class SimulatedVisit:
    frames: tuple[RawFrame, ...]
    truth: VisitTruth


def simulate(name: str, seed: int = 0) -> Iterator[RawFrame]:
    """Frames of a simulated visit in time order; ValueError for a name that is not in scenario_names()."""
    return _Visit(scenario(name), seed).frames()


def simulated_visit(name: str, seed: int = 0) -> SimulatedVisit:
    """The whole visit at once, with the truth behind it."""
    visit = _Visit(scenario(name), seed)
    frames = tuple(visit.frames())
    return SimulatedVisit(frames, visit.truth())


def bit_flipped(frames: Iterable[RawFrame], fraction: float, seed: int = 0) -> Iterator[RawFrame]:
    """The same frames, about this fraction of them (0 to 1) with one to three random bits turned over."""
    if not 0.0 <= fraction <= 1.0:
        raise ValueError(f"fraction {fraction} is outside 0 to 1: give the part of the frames to damage")
    rng = np.random.default_rng([seed, zlib.crc32(b"bit flips")])
    for frame in frames:
        if not frame.payload or rng.random() >= fraction:
            yield frame
            continue
        bits = BITS_PER_BYTE * len(frame.payload)
        count = min(bits, int(rng.integers(1, MOST_FLIPPED_BITS, endpoint=True)))
        damaged = bytearray(frame.payload)
        for bit in rng.choice(bits, size=count, replace=False):
            damaged[bit // BITS_PER_BYTE] ^= 1 << (bit % BITS_PER_BYTE)
        yield replace(frame, payload=bytes(damaged))


def _checked_json(said: dict[str, Any]) -> bytes:
    return encode_checked(json.dumps(said, ensure_ascii=False, separators=(",", ":")))


class _Visit:
    """One run: steps the feet, lets the practitioner act, and collects what the instruments send."""

    def __init__(self, plan: Scenario, seed: int) -> None:
        if seed < 0:
            raise ValueError(f"seed {seed} is negative: give 0 or a positive whole number")
        self.plan = plan
        self.seed = seed
        truth, optical, ambient, caliper, self._radio = (
            np.random.default_rng(part)
            for part in np.random.SeedSequence([seed, zlib.crc32(plan.name.encode())]).spawn(5)
        )
        material = load_profile(plan.material_profile)
        self.feet = SimulatedFeet(plan, material, truth)
        self.thermometer = Thermometer(optical, plan.thermometer_exponent)
        self.ambient = AmbientSensor(ambient, plan.duplicate_ratio)
        self.bridge = Bridge(caliper)
        self.practitioner = Practitioner(plan, f"invented-{plan.name}-{seed}", material, self.feet)
        self._steps = 0
        self._marks = 0
        self._pending: list[RawFrame] = []  # heard in advance: repeats of an advert
        self._linked: bool | None = None  # the thermometer's link as last told

    def truth(self) -> VisitTruth:
        return VisitTruth(
            self.plan.name,
            self.seed,
            self.feet.first_air_K,
            si_from(self.plan.humidity_percent, "%"),
            self.thermometer.bias_K,
            self.feet.truths(),
        )

    def frames(self) -> Iterator[RawFrame]:
        for act in self.practitioner.acts():
            self._do(act)
            for _ in range(round(act.seconds / STEP_s)):
                yield from self._stepped()
        yield from self._flushed(float("inf"))

    def _frame(self, at_s: float, source_id: str, channel: str, payload: bytes) -> None:
        """Notes a frame heard at this second of the visit; a hushed instrument is not heard."""
        if channel != "link" and self._hushed(source_id, at_s):
            return
        offset_ns = round(at_s * NS_PER_S)
        at_ns = self.plan.start_ns + offset_ns
        monotonic_ns = offset_ns + round(BOOTED_BEFORE_s * NS_PER_S)
        self._pending.append(RawFrame(Instant(at_ns, at_ns, monotonic_ns, BOOT), source_id, channel, payload))

    def _flushed(self, until_s: float) -> Iterator[RawFrame]:
        """Everything heard before until_s, in order of time; frames of one moment in the order made."""
        self._pending.sort(key=lambda frame: frame.at_ns)
        limit_ns = self.plan.start_ns + until_s * NS_PER_S
        ready = [frame for frame in self._pending if frame.at_ns < limit_ns]
        del self._pending[: len(ready)]
        return iter(ready)

    def _do(self, act: Act) -> None:
        now_s = self._steps * STEP_s
        if act.mark is not None:
            self._marks += 1
            said = {"mark": act.mark["mark"], "id": f"m{self._marks}", **act.mark}
            self._frame(now_s, PRACTITIONER, "mark", _checked_json(said))
        if act.caliper_mm is not None:
            at_s = now_s + float(self._radio.uniform(*LINE_DELAY_s))
            self._frame(at_s, BRIDGE, "line:hs1", self.bridge.caliper(at_s, act.caliper_mm))

    def _stepped(self) -> Iterator[RawFrame]:
        now_s = self._steps * STEP_s
        if self._steps % STEPS_PER_s == 0:
            self._each_second(now_s)
        self._links(now_s)
        hands = self.practitioner.hands
        if hands.trigger and hands.at is not None:
            self._read(now_s, hands, *hands.at)
        self.feet.advance(hands)
        self._steps += 1
        return self._flushed(now_s + STEP_s)

    def _each_second(self, now_s: float) -> None:
        self._frame(now_s, COLLECTOR, "tick", encode_checked(""))
        if round(now_s) % IDENTITY_EVERY_s == 0:
            self._frame(now_s + IDENTITY_DELAY_s, BRIDGE, "line:hs1", self.bridge.identity(now_s))
        if round(now_s) % BATTERY_EVERY_s == 0:
            used = int(now_s / BATTERY_LASTS_s)
            level = encode_battery(max(1, self.thermometer.battery_percent - used))
            self._frame(now_s + BATTERY_DELAY_s, THERMOMETER, "gatt:2a19", level)
        air_K, humidity_ratio = self.feet.around.air_K, self.feet.relative_humidity_ratio
        for at_s, payload in self.ambient.adverts(now_s + 1.0, air_K, humidity_ratio):
            self._frame(at_s, AMBIENT, "advert:fcd2", payload)

    def _hushed(self, source_id: str, at_s: float) -> bool:
        return any(s.source_id == source_id and s.start_s <= at_s < s.end_s for s in self.plan.silences)

    def _links(self, now_s: float) -> None:
        """The thermometer's link: up at the start, lost some seconds into a silence, up again."""
        before, self._linked = self._linked, not self._hushed(THERMOMETER, now_s)
        if self._linked == before:
            return
        if not self._linked:
            at_s = now_s + LINK_LOST_AFTER_s
            said = {
                "up": False,
                "why": "no answer; it may be out of reach or its battery flat",
            }
        else:
            at_s = now_s + CONNECTING_s
            said = {"up": True, "why": "connected" if before is None else "connected again"}
        self._frame(at_s, THERMOMETER, "link", _checked_json(said))

    def _read(self, now_s: float, hands: Hands, foot: Foot, site: Site | None) -> None:
        seen = self.feet.seen(foot, site, hands)
        shown_K = self.thermometer.indicated_K(
            seen.surface_K,
            seen.emissivity,
            self.feet.around.radiant_K,
            self.feet.around.air_K,
            seen.nozzle_K,
            seen.nozzle_view,
        )
        at_s = now_s + float(self._radio.uniform(*READING_DELAY_s))
        self._frame(at_s, THERMOMETER, "gatt:2a1c", self.thermometer.payload(shown_K))
