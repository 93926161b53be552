"""Frames, visits and verdicts to store; all invented."""

from __future__ import annotations

import json
import random
from collections.abc import Callable, Iterator
from pathlib import Path

import pytest

from hoofsense.records import Estimate, Foot, Instant, Question, RawFrame, Status, Verdict
from hoofsense.store import Store, open_store

START_NS = 1_760_000_000_000_000_000
VISIT_ID = "01920000-0000-7000-8000-000000000001"

_INT64_MAX = 2**63 - 1


@pytest.fixture
def store_path(tmp_path: Path) -> Path:
    return tmp_path / "van" / "visits.sqlite3"


@pytest.fixture
def store(store_path: Path) -> Iterator[Store]:
    with open_store(store_path) as opened:
        yield opened


@pytest.fixture
def start_ns() -> int:
    return START_NS


@pytest.fixture
def visit_id() -> str:
    return VISIT_ID


@pytest.fixture
def begin() -> Callable[..., str]:
    def begin_json(visit_id: str = VISIT_ID, **fields: object) -> str:
        mark: dict[str, object] = {
            "mark": "begin",
            "visit_id": visit_id,
            "horse": "Bramble",
            "practice": "Invented practice",
            "feet": ["LF", "RF"],
            "invented": True,
        }
        return json.dumps(mark | fields)

    return begin_json


@pytest.fixture
def usual_frames() -> Callable[..., list[RawFrame]]:
    """What instruments send: a few streams, near-regular times, similar payloads."""

    def frames(count: int, seed: int = 1, start_ns: int = START_NS) -> list[RawFrame]:
        chance = random.Random(seed)
        boot_ns = 10**12
        made = []
        for i in range(count):
            elapsed_ns = i * 125_000_000 + chance.randrange(5_000_000)
            instant = Instant(
                start_ns + elapsed_ns,
                start_ns + elapsed_ns + chance.randrange(1000),
                boot_ns + elapsed_ns,
                "boot-a",
            )
            source, channel = (("ir", "gatt:2a1c"), ("air", "line:hs1"), ("program", "tick"))[i % 3]
            made.append(RawFrame(instant, source, channel, b"T%06d" % chance.randrange(300)))
        return made

    return frames


@pytest.fixture
def wild_frames() -> Callable[..., list[RawFrame]]:
    """Anything a RawFrame may hold: empty and 20 kB payloads, times out of order and at both ends."""

    def frames(count: int, seed: int = 1) -> list[RawFrame]:
        chance = random.Random(seed)
        made = []
        for i in range(count):
            if i % 7 == 0:
                times = [chance.choice((-_INT64_MAX - 1, -1, 0, 1, _INT64_MAX)) for _ in range(3)]
            else:
                times = [START_NS + chance.randrange(-(10**12), 10**12) for _ in range(3)]
            size = chance.choice((0, 0, 1, 13, 244)) if i % 50 else 20_000
            made.append(
                RawFrame(
                    Instant(times[0], times[1], times[2], chance.choice(("", "boot-a", "boot-b"))),
                    chance.choice(("ir", "kaliber-µ", 'a "quoted", one', "")),
                    chance.choice(("gatt:2a1c", "line:gauge?unit=mm", "mark")),
                    chance.randbytes(size),
                )
            )
        return made

    return frames


@pytest.fixture
def some_verdicts() -> tuple[Verdict, ...]:
    margin = Estimate(
        "dew_point_margin", 2.5, 1.25, 3.75, "K", "invented", True, "Sole 2.5 K over dew point."
    )
    endless = Estimate("firm", 900.0, 600.0, float("inf"), "s", "invented", False, "No upper bound.")
    silent = Estimate("load", None, None, None, "s", "invented", False, "The thermometer is silent.")
    return (
        Verdict(
            START_NS,
            Foot.LF,
            Question.POUR,
            Status.NOT_YET,
            "KEEP DRYING",
            "film",
            "A film – still “there”.",
            "Go on with the warm air.",
            (margin, endless, silent),
            until_ns=START_NS + 30_000_000_000,
        ),
        Verdict(
            START_NS + 1,
            Foot.RH,
            Question.HEAT,
            Status.CANNOT_TELL,
            "CANNOT TELL",
            "silent",
            "No reading for 12 s.",
            "Check the thermometer.",
        ),
    )
