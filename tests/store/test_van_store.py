"""A store gives back exactly what it was given."""

from __future__ import annotations

import gc
import random
import threading
from collections.abc import Callable
from pathlib import Path

import pytest

from hoofsense.records import NS_PER_S, RawFrame, Verdict
from hoofsense.store import BIN_NS, Point, Store, StoreError, open_reader, open_store

Frames = Callable[..., list[RawFrame]]
Begin = Callable[..., str]


def test_an_open_visit_gives_back_exactly_its_frames_in_order_of_arrival(
    store: Store, begin: Begin, wild_frames: Frames, start_ns: int
) -> None:
    frames = wild_frames(300)
    visit_id = store.begin_visit(begin(), start_ns, frames[:1])
    for i in range(1, len(frames), 17):
        store.append(frames[i : i + 17], [], [], visit_id)
    assert list(store.frames(visit_id)) == frames


def test_an_ended_visit_gives_back_exactly_its_frames_from_chunks(
    store: Store, begin: Begin, wild_frames: Frames, usual_frames: Frames, start_ns: int
) -> None:
    frames = wild_frames(300) + usual_frames(9000)
    visit_id = store.begin_visit(begin(), start_ns)
    store.append(frames, [], [], visit_id)
    store.end_visit(visit_id, start_ns + 1)
    (rows,) = store._connection.execute("SELECT count(*) FROM frame").fetchone()
    (chunks,) = store._connection.execute("SELECT count(*) FROM chunk").fetchone()
    assert (rows, chunks) == (0, 3)
    assert list(store.frames(visit_id)) == frames


def test_frames_after_a_time_are_the_later_ones_from_rows_and_chunks_alike(
    store: Store, begin: Begin, wild_frames: Frames, start_ns: int
) -> None:
    frames = wild_frames(400)
    later = [frame for frame in frames if frame.at_ns > start_ns]
    assert 0 < len(later) < len(frames)
    visit_id = store.begin_visit(begin(), start_ns, frames)
    assert list(store.frames(visit_id, start_ns)) == later
    store.end_visit(visit_id, start_ns)
    assert list(store.frames(visit_id, start_ns)) == later


def test_frames_are_of_one_moment_while_more_arrive_and_the_visit_ends(
    store: Store, begin: Begin, usual_frames: Frames, start_ns: int
) -> None:
    frames = usual_frames(500)
    visit_id = store.begin_visit(begin(), start_ns, frames[:400])
    reading = store.frames(visit_id)
    first = next(reading)
    store.append(frames[400:], [], [], visit_id)
    store.end_visit(visit_id, start_ns)
    assert [first, *reading] == frames[:400]
    assert list(store.frames(visit_id)) == frames


def test_frames_that_are_not_read_to_the_end_leave_nothing_open(
    store: Store, begin: Begin, usual_frames: Frames, start_ns: int
) -> None:
    visit_id = store.begin_visit(begin(), start_ns, usual_frames(50))
    next(store.frames(visit_id))
    gc.collect()  # an open connection would warn here, and warnings are errors
    store.end_visit(visit_id, start_ns)
    (blocked, _, _) = store._connection.execute("PRAGMA wal_checkpoint(TRUNCATE)").fetchone()
    assert blocked == 0


def test_verdicts_come_back_with_their_estimates(
    store: Store, begin: Begin, some_verdicts: tuple[Verdict, ...], start_ns: int
) -> None:
    visit_id = store.begin_visit(begin(), start_ns)
    store.append([], [], some_verdicts[:1], visit_id)
    store.append([], [], some_verdicts[1:], visit_id)
    assert store.verdicts(visit_id) == list(some_verdicts)


def test_bins_hold_lowest_highest_mean_and_count_of_their_ten_seconds(
    store: Store, begin: Begin, start_ns: int
) -> None:
    chance = random.Random(4)
    points = [
        Point("LF surface_K", start_ns + chance.randrange(60 * NS_PER_S), chance.uniform(270, 300))
        for _ in range(500)
    ]
    visit_id = store.begin_visit(begin(), start_ns)
    for i in range(0, len(points), 7):
        store.append([], points[i : i + 7], [], visit_id)
    bins = store.trace(visit_id, "LF surface_K", start_ns, start_ns + 60 * NS_PER_S)
    assert sum(found.n for found in bins) == 500
    for found in bins:
        values = [p.value for p in points if found.t0_ns <= p.at_ns < found.t0_ns + BIN_NS]
        assert (found.lo, found.hi, found.n) == (min(values), max(values), len(values))
        assert found.mean == pytest.approx(sum(values) / len(values), rel=1e-12)


def test_a_trace_holds_only_the_bins_that_overlap_the_asked_span(
    store: Store, begin: Begin, start_ns: int
) -> None:
    at_ns = start_ns // BIN_NS * BIN_NS
    visit_id = store.begin_visit(begin(), start_ns)
    points = [Point("air_K", at_ns + i * BIN_NS, float(i)) for i in range(6)]
    store.append([], [*points, Point("other", at_ns, 1.0)], [], visit_id)

    def means(since_ns: int, until_ns: int) -> list[float]:
        return [found.mean for found in store.trace(visit_id, "air_K", since_ns, until_ns)]

    assert means(at_ns + BIN_NS, at_ns + 3 * BIN_NS) == [1.0, 2.0]
    assert means(at_ns + 2 * BIN_NS - 1, at_ns + 3 * BIN_NS + 1) == [1.0, 2.0, 3.0]
    assert store.trace(visit_id, "unknown", at_ns, at_ns + BIN_NS) == []
    assert store.series(visit_id) == ("air_K", "other")


def test_a_point_that_is_not_a_number_is_refused() -> None:
    for value in (float("nan"), float("inf")):
        with pytest.raises(ValueError, match="not a number that can be drawn"):
            Point("air_K", 0, value)
    with pytest.raises(ValueError, match="name of its series"):
        Point("", 0, 1.0)


def test_visits_are_listed_newest_first_open_or_ended(
    store: Store, begin: Begin, usual_frames: Frames, some_verdicts: tuple[Verdict, ...], start_ns: int
) -> None:
    store.begin_visit(begin("a", horse="Ætna"), start_ns, usual_frames(5))
    store.append([], [], some_verdicts, "a")
    store.end_visit("a", start_ns + 7)
    store.begin_visit(begin("b", invented=False), start_ns + 10, usual_frames(3))
    newer, older = store.visits()
    assert (newer.visit_id, newer.ended_ns, newer.frames, newer.verdicts) == ("b", None, 3, 0)
    assert (older.visit_id, older.ended_ns, older.frames, older.verdicts) == ("a", start_ns + 7, 5, 2)
    assert (older.horse, older.practice, older.started_ns) == ("Ætna", "Invented practice", start_ns)
    assert (older.invented, newer.invented) == (True, False)
    assert older.begin_json == begin("a", horse="Ætna")


def test_an_unfinished_visit_is_found_again_after_reopening(
    store_path: Path, begin: Begin, usual_frames: Frames, start_ns: int
) -> None:
    frames = usual_frames(20)
    with open_store(store_path) as store:
        assert store.unfinished_visit() is None
        store.begin_visit(begin("a"), start_ns, frames)
    with open_store(store_path) as store:
        assert store.unfinished_visit() == "a"
        store.append(frames, [], [], "a")
        store.end_visit("a", start_ns)
        assert store.unfinished_visit() is None
        assert list(store.frames("a")) == frames + frames


def test_one_visit_is_open_at_a_time_and_an_id_is_used_once(
    store: Store, begin: Begin, start_ns: int
) -> None:
    store.begin_visit(begin("a"), start_ns)
    with pytest.raises(StoreError, match=r"visit a is still open .*: resume it or end it first"):
        store.begin_visit(begin("b"), start_ns)
    store.end_visit("a", start_ns)
    with pytest.raises(StoreError, match=r"visit a is in .* already"):
        store.begin_visit(begin("a"), start_ns)


def test_an_ended_or_unknown_visit_takes_nothing_more(
    store: Store, begin: Begin, usual_frames: Frames, start_ns: int
) -> None:
    visit_id = store.begin_visit(begin(), start_ns, usual_frames(3))
    with pytest.raises(StoreError, match="there is no visit nowhere in "):
        store.append(usual_frames(1), [], [], "nowhere")
    store.end_visit(visit_id, start_ns)
    with pytest.raises(ValueError, match="has ended: begin a new one"):
        store.append(usual_frames(1), [], [], visit_id)
    with pytest.raises(ValueError, match="has ended"):
        store.end_visit(visit_id, start_ns)
    for ask in (store.frames, store.verdicts, store.series):
        with pytest.raises(StoreError, match=r"there is no visit nowhere in .*: choose one"):
            ask("nowhere")
    assert list(store.frames(visit_id)) == usual_frames(3)


@pytest.mark.parametrize(
    ("begin_json", "said"),
    [
        ("{", "not JSON"),
        ("[]", "not a JSON object"),
        ('{"visit_id": "a", "horse": "b", "invented": true}', "None as practice"),
        ('{"visit_id": "", "horse": "b", "practice": "c", "invented": true}', "'' as visit_id"),
        ('{"visit_id": "a", "horse": "b", "practice": "c", "invented": 1}', "1 as invented"),
    ],
)
def test_a_begin_mark_that_lacks_something_is_refused_by_name(
    store: Store, begin_json: str, said: str, start_ns: int
) -> None:
    with pytest.raises(ValueError, match=said):
        store.begin_visit(begin_json, start_ns)
    assert store.visits() == []


def test_a_call_that_fails_half_way_stores_nothing_of_itself(
    store: Store, begin: Begin, usual_frames: Frames, start_ns: int
) -> None:
    frames = usual_frames(6)
    visit_id = store.begin_visit(begin(), start_ns, frames[:2])
    broken = RawFrame(frames[3].received_at, "new source", "new channel", "text is not bytes")  # type: ignore[arg-type]
    with pytest.raises(StoreError):
        store.append([frames[2], broken], [Point("a", start_ns, 1.0)], [], visit_id)
    assert list(store.frames(visit_id)) == frames[:2]
    assert store.series(visit_id) == ()
    again = RawFrame(frames[3].received_at, "new source", "new channel", b"bytes")
    store.append([frames[2], again], [Point("a", start_ns, 1.0)], [], visit_id)
    assert list(store.frames(visit_id)) == [*frames[:2], frames[2], again]


def test_a_reader_sees_what_the_collector_has_committed_and_cannot_write(
    store: Store, begin: Begin, usual_frames: Frames, start_ns: int
) -> None:
    frames = usual_frames(40)
    visit_id = store.begin_visit(begin(), start_ns, frames[:10])
    with open_reader(store.path) as reader:
        assert list(reader.frames(visit_id)) == frames[:10]
        store.append(frames[10:], [Point("a", start_ns, 1.0)], [], visit_id)
        assert list(reader.frames(visit_id)) == frames
        store.end_visit(visit_id, start_ns)
        assert list(reader.frames(visit_id)) == frames
        assert reader.visits() == store.visits()
        assert len(reader.trace(visit_id, "a", start_ns, start_ns + 1)) == 1
        assert reader.read_only and not store.read_only
        with pytest.raises(ValueError, match="opened for reading only"):
            reader.append(frames, [], [], visit_id)


def test_a_store_may_be_read_and_written_from_several_threads(
    store: Store, begin: Begin, usual_frames: Frames, start_ns: int
) -> None:
    frames = usual_frames(200)
    visit_id = store.begin_visit(begin(), start_ns)
    counts = []

    def read() -> None:
        for _ in range(20):
            counts.append(store.visits()[0].frames)

    readers = [threading.Thread(target=read) for _ in range(3)]
    for reader in readers:
        reader.start()
    for frame in frames:
        store.append([frame], [], [], visit_id)
    for reader in readers:
        reader.join()
    assert list(store.frames(visit_id)) == frames
    assert len(counts) == 60


def test_the_anchor_of_a_boot_is_kept_and_never_changed(store_path: Path) -> None:
    with open_store(store_path) as store:
        assert store.boot_anchor("boot-a") is None
        store.set_boot_anchor("boot-a", 17)
        store.set_boot_anchor("boot-a", 17)
        store.set_boot_anchor("boot-b", -1)
        with pytest.raises(ValueError, match="anchored at 17 ns already"):
            store.set_boot_anchor("boot-a", 18)
    with open_store(store_path) as store:
        assert (store.boot_anchor("boot-a"), store.boot_anchor("boot-b")) == (17, -1)


def test_a_closed_store_says_so(store: Store) -> None:
    store.close()
    store.close()
    with pytest.raises(ValueError, match="is closed: open it again"):
        store.visits()
