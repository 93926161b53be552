"""Link frames, and the waits between attempts."""

from __future__ import annotations

import json

import pytest

from hoofsense.records import RawFrame
from hoofsense.sources.clock import SteadyClock
from hoofsense.sources.link import Backoff, LinkLog
from hoofsense.wire.checked_text import decode_checked


def told_by(log_frames: list[RawFrame]) -> list[tuple[str, bool, str]]:
    bodies = [(frame.source_id, json.loads(decode_checked(frame.payload))) for frame in log_frames]
    return [(source_id, body["up"], body["why"]) for source_id, body in bodies]


def test_every_change_and_every_new_reason_is_recorded_once() -> None:
    frames: list[RawFrame] = []
    log = LinkLog(frames.append, SteadyClock.anchored_now())
    log.tell("A17", True, "connected")
    log.tell("A17", True, "connected")
    for why in ("lost", "refused", "lost", "refused"):
        log.tell("A17", False, why)
    log.tell("B2", False, "lost")
    log.tell("A17", True, "connected")
    log.tell("A17", False, "lost")
    assert told_by(frames) == [
        ("A17", True, "connected"),
        ("A17", False, "lost"),
        ("A17", False, "refused"),
        ("B2", False, "lost"),
        ("A17", True, "connected"),
        ("A17", False, "lost"),
    ]
    assert {frame.channel for frame in frames} == {"link"}


def test_waits_double_up_to_the_cap_and_begin_again_after_success() -> None:
    backoff = Backoff(0.5, 3.0)
    assert [backoff.next_s() for _ in range(5)] == [0.5, 1.0, 2.0, 3.0, 3.0]
    backoff.reset()
    assert backoff.next_s() == 0.5


@pytest.mark.parametrize(("first_s", "cap_s"), [(0.0, 1.0), (2.0, 1.0), (-1.0, 1.0)])
def test_waits_that_would_not_rise_are_refused(first_s: float, cap_s: float) -> None:
    with pytest.raises(ValueError, match="backoff"):
        Backoff(first_s, cap_s)
