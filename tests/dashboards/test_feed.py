"""The feed: small messages, no hole after a break, and a bound on the streams."""

from __future__ import annotations

import json
from typing import Any

from dashboards.feed import STREAM_LIMIT, Feed, with_changes

TICK_BYTES = 512  # the most a tick may cost a page, on average


def _feed(visit: Any) -> Feed:
    feed = Feed(visit)
    feed.refresh()
    return feed


def _row_id(feed: Feed) -> str:
    return str(feed.start_of_page()[1]["id"])


def _after(feed: Feed, row_id: str | None) -> list[dict[str, Any]]:
    return [json.loads(body) for body in feed.messages_after(row_id)]


def test_flat_keys_reach_one_level_down_and_leave_the_old_view_alone() -> None:
    old = {"feet": {"LF": {"stage": "dry"}, "RF": {"stage": "cure"}}}
    new = with_changes(old, {"feet/LF": {"stage": "pour"}, "air": None})
    assert new == {"feet": {"LF": {"stage": "pour"}, "RF": {"stage": "cure"}}, "air": None}
    assert old["feet"]["LF"]["stage"] == "dry"


def test_a_message_holds_only_what_changed(visit_of: Any, scenes: Any) -> None:
    visit = visit_of("drying")
    feed = _feed(visit)
    start = _row_id(feed)
    visit.push({"in_hand": {"foot": "LF", "site": "toe"}}, {"surface:LF": 31.5, "surface:RF": 9.0})
    assert feed.pump(0.0)
    (message,) = _after(feed, start)
    assert set(message) == {"id", "t", "p", "s"}
    assert message["p"] == {"surface:LF": [[message["t"], 31.5]]}  # of the foot in hand alone
    assert set(message["s"]) == {"more"}


def test_several_events_become_one_message_with_the_last_one_s_id(visit_of: Any) -> None:
    visit = visit_of("drying")
    feed = _feed(visit)
    start = _row_id(feed)
    for degC in (31.0, 32.0, 33.0):
        visit.push(points={"surface:LF": degC})
    feed.pump(0.0)
    (message,) = _after(feed, start)
    assert [value for _, value in message["p"]["surface:LF"]] == [31.0, 32.0, 33.0]
    assert message["id"] == _row_id(feed)
    assert _after(feed, message["id"]) == []


def test_a_page_that_comes_back_gets_every_message_it_missed(visit_of: Any) -> None:
    visit = visit_of("drying")
    feed = _feed(visit)
    ids = [_row_id(feed)]
    for n in range(5):
        visit.push(points={"surface:LF": float(n)})
        feed.pump(0.0)
        ids.append(_row_id(feed))
    missed = _after(feed, ids[2])
    assert [m["id"] for m in missed] == ids[3:]
    assert [m["p"]["surface:LF"][0][1] for m in missed] == [2.0, 3.0, 4.0]


def test_a_page_of_an_earlier_run_or_without_an_id_gets_the_whole_screen(visit_of: Any) -> None:
    visit = visit_of("drying")
    feed = _feed(visit)
    other = _feed(visit)
    for row_id in (None, "", "nonsense", _row_id(other), f"{_row_id(feed).partition('-')[0]}-999"):
        (message,) = _after(feed, row_id)
        assert message["whole"] is True
        assert message["s"]["hand.call"] == "KEEP DRYING"


def test_a_feed_left_behind_by_the_collector_takes_the_whole_view(visit_of: Any, scenes: Any) -> None:
    visit = visit_of("drying")
    feed = _feed(visit)
    start = _row_id(feed)
    visit.become(scenes["ready"]())
    feed.pump(0.0)
    (message,) = _after(feed, start)
    assert message["whole"] is True
    assert message["s"]["hand.call"] == "POUR NOW"


def test_a_tick_costs_a_page_less_than_half_a_kilobyte(visit_of: Any) -> None:
    visit = visit_of("drying")
    feed = _feed(visit)
    start = _row_id(feed)
    foot = visit.view()["feet/LF"]
    for n in range(40):
        surface = {"degC": 31.0 + n / 10, "site": "toe", "at_ms": visit.view()["at_ms"] + 250}
        because = f"The medial sulcus warmed only {7 + n / 10:.1f} K more than in the first pass."
        verdict = {**foot["verdict"], "because": because} if n % 4 == 0 else foot["verdict"]
        visit.push(
            {"feet/LF": {**foot, "surface": surface, "verdict": verdict}},
            {"surface:LF": 31.0 + n / 10, "air": 8.2, "dew": 5.7},
        )
        feed.pump(0.0)
    sizes = [len(body.encode()) for body in feed.messages_after(start)]
    assert len(sizes) == 40
    assert sum(sizes) / len(sizes) < TICK_BYTES


def test_ages_are_moments_so_an_unchanged_reading_is_not_sent_again(visit_of: Any) -> None:
    visit = visit_of("drying")
    feed = _feed(visit)
    start = _row_id(feed)
    visit.push({"air": visit.view()["air"], "instruments": visit.view()["instruments"]})
    feed.pump(0.0)
    (message,) = _after(feed, start)
    assert set(message) == {"id", "t"}


def test_a_stream_starts_with_what_was_missed_and_carries_row_ids(visit_of: Any) -> None:
    visit = visit_of("drying")
    feed = _feed(visit)
    start = _row_id(feed)
    visit.push(points={"surface:LF": 40.0})
    feed.pump(0.0)
    stream = feed.stream(start, "page-1")
    assert stream is not None
    assert next(stream) == b"retry: 500\n\n"
    lines = next(stream).decode().split("\n")
    assert lines[0] == f"id: {_row_id(feed)}"
    assert json.loads(lines[1].removeprefix("data: "))["p"]["surface:LF"][0][1] == 40.0
    stream.close()
    assert feed.stream_count() == 0


def test_one_stream_too_many_is_refused_and_a_page_replaces_its_own(visit_of: Any) -> None:
    feed = _feed(visit_of("drying"))
    streams = [feed.stream(None, f"page-{n}") for n in range(STREAM_LIMIT)]
    assert all(stream is not None for stream in streams)
    assert feed.stream(None, "one-more") is None
    again = feed.stream(None, "page-0")
    assert again is not None
    assert feed.stream_count() == STREAM_LIMIT
    first = streams[0]
    assert first is not None
    next(first)
    assert list(first) == []  # the page's earlier stream ends


def test_stopping_ends_the_streams(visit_of: Any) -> None:
    feed = _feed(visit_of("drying"))
    row_id = _row_id(feed)
    stream = feed.stream(row_id, "page-1")
    assert stream is not None
    next(stream)
    feed._stopping.set()
    assert list(stream) == []
