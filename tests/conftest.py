"""Frames as the tests need them: real bytes at chosen moments, and a visit that has begun."""

from __future__ import annotations

import dataclasses
from collections.abc import Callable, Iterable
from typing import Any

import pytest

from hoofsense.materials import load_profile
from hoofsense.records import NS_PER_S, SCAN_SITES, Instant, RawFrame
from hoofsense.visit import fold
from hoofsense.visit_marks import mark_payload
from hoofsense.visit_state import VisitState
from hoofsense.wire.checked_text import encode_checked
from hoofsense.wire.gatt import encode_environmental, encode_health_temperature
from hoofsense.wire.typed import encode_typed

START_NS = 1_773_475_200 * NS_PER_S  # 2026-03-14T08:00:00Z, an invented day


class FrameMaker:
    """Makes frames at seconds after the start; marks get numbers of their own."""

    def __init__(self) -> None:
        self._marks = 0

    def frame(self, at_s: float, source: str, channel: str, payload: bytes) -> RawFrame:
        at_ns = START_NS + round(at_s * NS_PER_S)
        return RawFrame(Instant(at_ns, at_ns, round(at_s * NS_PER_S), "test"), source, channel, payload)

    def tick(self, at_s: float) -> RawFrame:
        return self.frame(at_s, "collector", "tick", encode_checked(""))

    def surface(self, at_s: float, surface_degC: float) -> RawFrame:
        payload = encode_health_temperature(surface_degC, exponent=-2)
        return self.frame(at_s, "thermometer-1", "gatt:2a1c", payload)

    def air(self, at_s: float, air_degC: float, humidity_percent: float) -> list[RawFrame]:
        return [
            self.frame(at_s, "ambient-1", "gatt:2a6e", encode_environmental(0x2A6E, air_degC)),
            self.frame(at_s, "ambient-1", "gatt:2a6f", encode_environmental(0x2A6F, humidity_percent)),
        ]

    def typed(self, at_s: float, text: str) -> RawFrame:
        return self.frame(at_s, "page", "typed", encode_typed(text))

    def mark(self, at_s: float, kind: str, **said: Any) -> RawFrame:
        self._marks += 1
        mark = {"mark": kind, "id": f"m{self._marks}", **said}
        return self.frame(at_s, "page", "mark", mark_payload(mark))

    def begin(self, at_s: float = 0.0, feet: tuple[str, ...] = ("LF", "RF"), **said: Any) -> RawFrame:
        return self.mark(
            at_s,
            "begin",
            visit_id="invented-visit",
            horse="Invented Horse T",
            practice="Invented Practice",
            feet=list(feet),
            roles={},
            material=dataclasses.asdict(load_profile("standard")),
            invented=True,
            **said,
        )

    def scan(
        self, from_s: float, foot: str, peaks_degC: Iterable[float], air_every_s: float = 30.0
    ) -> list[RawFrame]:
        """A whole scan of one foot: a baseline, then a pass and its gap for each peak, every site read."""
        frames, now_s = [], from_s
        next_air_s = from_s

        def read(site_name: str, surface_degC: float, seconds: float) -> None:
            nonlocal now_s, next_air_s
            frames.append(self.mark(now_s, "hand", foot=foot, site=site_name))
            for _ in range(round(seconds * 4)):
                now_s += 0.25
                if now_s >= next_air_s:
                    frames.extend(self.air(now_s, 15.0, 50.0))
                    next_air_s = now_s + air_every_s
                frames.append(self.surface(now_s, surface_degC))
                if round(now_s, 2) == int(now_s):
                    frames.append(self.tick(now_s))

        for site in SCAN_SITES:
            read(site.value, 12.0, 2.5)
        cool_degC = 14.0
        for peak_degC in peaks_degC:
            frames.append(self.mark(now_s, "heat", foot=foot, on=True))
            for site in SCAN_SITES:
                read(site.value, peak_degC, 4.5)
            frames.append(self.mark(now_s, "heat", foot=foot, on=False))
            cool_degC = 0.5 * (12.0 + peak_degC)
            read(SCAN_SITES[-1].value, cool_degC, 8.5)
            for site in SCAN_SITES:
                read(site.value, cool_degC, 2.25)
        self.last_s = now_s
        return frames


@pytest.fixture
def maker() -> FrameMaker:
    return FrameMaker()


@pytest.fixture
def folded() -> Callable[..., VisitState]:
    """folded(frames, state=...) -> the visit after them."""

    def after(frames: Iterable[RawFrame], state: VisitState | None = None) -> VisitState:
        now = VisitState() if state is None else state
        for frame in frames:
            now = fold(now, frame)
        return now

    return after
