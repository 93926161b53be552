"""The collector: one path for live, replay and simulation, and nothing acknowledged is ever lost."""

from __future__ import annotations

import threading
from pathlib import Path
from typing import Any

import numpy as np
import pytest

from hoofsense.collector import DECIDING_CHANNELS, Collector
from hoofsense.frames_ahead import Inbox, live, with_words
from hoofsense.records import NS_PER_S, Foot, Question, RawFrame, Stage, Status
from hoofsense.sources.clock import SteadyClock
from hoofsense.sources.simulated import bit_flipped, simulate
from hoofsense.store import open_reader, open_store
from hoofsense.verdicts import decide
from hoofsense.visit import fold
from hoofsense.visit_state import VisitState


def run(frames: Any, **options: Any) -> Collector:
    inbox = Inbox()
    collector = Collector(with_words(frames, inbox), inbox, mode="simulation", **options)
    collector.run()
    return collector


@pytest.fixture(scope="module")
def wet_visit() -> list[RawFrame]:
    return list(simulate("sole-not-dry", seed=3))


def test_replay_of_a_stored_visit_gives_the_very_same_verdicts(tmp_path: Path) -> None:
    path = tmp_path / "visits.sqlite3"
    with open_store(path) as store:
        recorded = run(simulate("sensor-drops-out", seed=2), store=store)
    with open_reader(path) as reader:
        visit_id = reader.visits()[0].visit_id
        kept, frames = reader.verdicts(visit_id), list(reader.frames(visit_id))
    replayed = run(frames)
    assert kept == recorded.verdict_log == replayed.verdict_log  # every field, estimates included
    assert len(kept) > 20
    assert replayed.state == recorded.state


def test_a_visit_taken_up_after_a_break_goes_on_as_if_there_had_been_none(
    tmp_path: Path, wet_visit: list[RawFrame]
) -> None:
    half = len(wet_visit) // 2
    whole = run(wet_visit)
    with open_store(tmp_path / "v.sqlite3") as store:
        first = run(wet_visit[:half], store=store)
        assert store.unfinished_visit() == first.state.visit_id
        past = list(store.frames(first.state.visit_id))
        assert past == wet_visit[:half]
        resumed = run(wet_visit[half:], store=store, past=past)
        assert resumed.state == whole.state
        assert store.unfinished_visit() is None
        assert store.verdicts(resumed.state.visit_id) == whole.verdict_log


@pytest.mark.parametrize("seed", [0, 1, 2, 3])
def test_a_fifth_of_all_frames_bit_flipped_never_makes_a_wet_sole_ready(
    seed: int, wet_visit: list[RawFrame]
) -> None:
    damaged = run(bit_flipped(wet_visit, 0.2, seed=seed))
    ready = [v for v in damaged.verdict_log if v.status is Status.READY and v.question is not Question.HEAT]
    assert not ready, ready


def test_damaged_frames_do_not_advance_a_curing_fill() -> None:
    frames = list(simulate("mild-two-feet", seed=1))
    honest = {
        (v.foot, v.question): v.at_ns for v in reversed(run(frames).verdict_log) if v.status is Status.READY
    }
    damaged = run(_sensor_frames_flipped(frames, 0.2))
    for verdict in damaged.verdict_log:
        if verdict.status is Status.READY and verdict.question in (Question.TRIM, Question.LOAD):
            assert verdict.at_ns >= honest[(verdict.foot, verdict.question)] - 60 * NS_PER_S


def _sensor_frames_flipped(frames: list[RawFrame], fraction: float) -> list[RawFrame]:
    """Marks arrive whole, as from the page; one in five sensor frames does not."""
    sensors = [f for f in frames if f.channel not in ("mark", "tick")]
    flipped = dict(zip(map(id, sensors), bit_flipped(sensors, fraction, seed=5), strict=True))
    return [flipped.get(id(f), f) for f in frames]


def test_random_bytes_on_every_channel_never_stop_the_fold(maker: Any) -> None:
    generator = np.random.default_rng(11)
    channels = [
        "gatt:2a1c",
        "gatt:2a6e",
        "advert:fcd2",
        "line:hs1",
        "typed",
        "mark",
        "link",
        "clock",
        "nonsense",
    ]
    state = fold(VisitState(), maker.begin())
    for number in range(5000):
        payload = generator.bytes(int(generator.integers(0, 24)))
        channel = channels[number % len(channels)]
        state = fold(state, maker.frame(1 + number / 50, "noise", channel, payload))
    assert state.foot_state(Foot.LF).stage is Stage.PREPARE
    assert all(v.status is not Status.READY for v in decide(state, state.at_ns))


def test_a_mark_from_the_page_is_recorded_and_folded_like_any_frame(tmp_path: Path, maker: Any) -> None:
    inbox = Inbox()
    with open_store(tmp_path / "v.sqlite3") as store:
        collector: Collector

        def frames() -> Any:
            yield maker.begin()
            collector.mark({"mark": "fitness", "foot": "LF", "signs": []})
            collector.typed("12,5 mm")
            yield maker.tick(2)
            yield maker.tick(3)

        collector = Collector(with_words(frames(), inbox), inbox, mode="live", store=store)
        collector.run()
        kept = list(store.frames(collector.state.visit_id))
    assert [f.channel for f in kept] == ["mark", "mark", "typed", "tick", "tick"]
    assert collector.state.foot_state(Foot.LF).stage is Stage.DRY


def test_a_mark_that_does_not_fit_is_refused_in_one_sentence(maker: Any) -> None:
    collector = run([maker.begin(), maker.tick(1)])
    with pytest.raises(ValueError, match=r"Trimmed over belongs to cure, but LF is in prepare\."):
        collector.mark({"mark": "trimmed", "foot": "LF"})
    with pytest.raises(ValueError, match="has no unit"):
        collector.typed("12,5")


def test_a_replay_takes_no_marks(maker: Any) -> None:
    inbox = Inbox()
    collector = Collector(with_words([maker.begin()], inbox), inbox, mode="replay")
    collector.run()
    with pytest.raises(ValueError, match="This is a replay"):
        collector.mark({"mark": "hand", "foot": "LF", "site": None})


def test_events_hold_every_point_once_and_every_change(wet_visit: list[RawFrame]) -> None:
    inbox = Inbox()
    collector = Collector(with_words(wet_visit, inbox), inbox, mode="simulation")
    view = collector.view()
    collector.run()
    events = collector.events_after(0, 0.0)
    assert [e.event_id for e in events] == list(range(1, collector.newest_event_id() + 1))
    points = [p for e in events for p in e.points]
    assert points == sorted(set(points), key=points.index)
    for event in events:
        view.update(event.changes)
    assert view == collector.view()
    assert len(collector.trace("surface:RH", 0)) == sum(1 for p in points if p[0] == "surface:RH")


def test_a_live_stream_ticks_every_second_tells_clock_steps_and_stops() -> None:
    now = {"ns": 10 * NS_PER_S, "step": 0}

    def monotonic() -> int:
        now["ns"] += NS_PER_S // 10
        return now["ns"]

    clock = SteadyClock(0, wall=lambda: now["ns"] + now["step"], monotonic=monotonic, boot="test")
    stopping, inbox = threading.Event(), Inbox()
    seen = []
    for frame in live([], clock, inbox, stopping):
        if frame is not None:
            seen.append(frame)
        if len(seen) == 3:
            now["step"] = 5 * NS_PER_S
        if any(f.channel == "clock" for f in seen):
            stopping.set()
    ticks = [f.at_ns for f in seen if f.channel == "tick"]
    gaps = np.diff(ticks) / NS_PER_S
    assert np.all(gaps > 0.5) and np.all(gaps < 1.5)
    step = next(f for f in seen if f.channel == "clock")
    assert b"step_ns" in step.payload
    assert fold(VisitState(), step).notices[0][1].startswith("The computer's clock was set by +5.0 s")


def test_decide_is_asked_on_ticks_and_marks_alone() -> None:
    assert set(DECIDING_CHANNELS) == {"tick", "mark", "link", "clock"}
