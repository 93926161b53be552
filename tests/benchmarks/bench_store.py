"""How fast the store writes and reads, each as a ratio to a plainer way measured in the same run.

python tests/benchmarks/bench_store.py
"""

from __future__ import annotations

import gc
import json
import tempfile
import time
from collections.abc import Callable
from pathlib import Path

from hoofsense.records import Instant, RawFrame
from hoofsense.store import Point, open_store
from hoofsense.store.frame_chunks import unpack_columns
from hoofsense.store.frame_rows import chunks_of

START_NS = 1_760_000_000_000_000_000
READINGS = 288_000  # 10 h of 8 readings/s
SERIES = 1  # one curve is drawn at a time
SINGLES = 2000
BATCH = 100
REPEATS = 5


def made_frames(count: int) -> list[RawFrame]:
    frames = []
    for i in range(count):
        at_ns = START_NS + i * 125_000_000
        stamp = Instant(at_ns, at_ns + i % 7, i * 125_000_000, "boot")
        source, channel = (("ir", "gatt:2a1c"), ("air", "line:hs1"), ("program", "tick"))[i % 3]
        frames.append(RawFrame(stamp, source, channel, b"%05d" % (i * 7919 % 100_000)))
    return frames


def begin(visit_id: str) -> str:
    return json.dumps({"visit_id": visit_id, "horse": "h", "practice": "p", "invented": True})


def seconds(work: Callable[[], object]) -> float:
    """Best of REPEATS runs, which other work on the machine disturbs least."""
    taken = []
    for _ in range(REPEATS):
        started = time.perf_counter()
        work()
        taken.append(time.perf_counter() - started)
    return min(taken)


def main() -> None:
    frames = made_frames(READINGS)
    gc.freeze()  # the collector's passes over this list would be counted as reading
    with tempfile.TemporaryDirectory() as folder, open_store(Path(folder) / "s.sqlite3") as store:
        store.begin_visit(begin("write"), START_NS)

        def singly() -> None:
            for frame in frames[:SINGLES]:
                store.append([frame], [], [], "write")

        def in_batches() -> None:
            for i in range(0, SINGLES, BATCH):
                store.append(frames[i : i + BATCH], [], [], "write")

        single_s, batched_s = seconds(singly), seconds(in_batches)
        store.end_visit("write", START_NS)
        print(
            f"append, synchronous FULL: {SINGLES / single_s:,.0f} frames/s one a commit, "
            f"{SINGLES / batched_s:,.0f} frames/s {BATCH} a commit: {single_s / batched_s:.1f} x"
        )

        store.begin_visit(begin("read"), START_NS)
        for i in range(0, READINGS, 1000):
            group = frames[i : i + 1000]
            points = [Point(f"series {j % SERIES}", frame.at_ns, j % 97) for j, frame in enumerate(group)]
            store.append(group, points, [], "read")

        def every_row() -> None:
            columns = "stream_no, steady_ns, wall_ns, monotonic_ns, payload"
            assert len(store._connection.execute(f"SELECT {columns} FROM frame").fetchall()) == READINGS

        def every_column() -> None:
            (visit_no,) = store._connection.execute(
                "SELECT visit_no FROM visit WHERE visit_id = 'read'"
            ).fetchone()
            chunks = chunks_of(store._connection, visit_no)
            assert sum(len(unpack_columns(chunk).payloads) for chunk in chunks) == READINGS

        def every_frame() -> None:
            assert sum(1 for _ in store.frames("read")) == READINGS

        rows_s = seconds(every_frame)
        plain_rows_s = seconds(every_row)
        size_before = sum(len(frame.payload) + 24 for frame in frames)
        started = time.perf_counter()
        store.end_visit("read", START_NS)
        packing_s = time.perf_counter() - started
        chunks_s = seconds(every_frame)
        columns_s = seconds(every_column)
        (packed,) = store._connection.execute(
            "SELECT sum(length(body)) FROM chunk JOIN visit USING (visit_no) WHERE visit_id = 'read'"
        ).fetchone()
        print(
            f"read {READINGS:,} frames: {rows_s:.3f} s from rows, {chunks_s:.3f} s from chunks: "
            f"{rows_s / chunks_s:.1f} x; packed in {packing_s:.2f} s to {packed / READINGS:.2f} bytes a "
            f"frame (times and payload alone: {size_before / READINGS:.1f})"
        )

        print(
            f"the same without making frames of them: {plain_rows_s:.3f} s from rows, {columns_s:.3f} s from "
            f"chunks into columns: {plain_rows_s / columns_s:.1f} x"
        )

        end_ns = frames[-1].at_ns + 1
        bins = 0

        def drawn() -> None:
            nonlocal bins
            bins = sum(len(store.trace("read", f"series {j}", START_NS, end_ns)) for j in range(SERIES))

        drawn_s = seconds(drawn)
        print(
            f"draw {READINGS:,} readings of {SERIES} series: {drawn_s * 1000:.1f} ms from {bins:,} bins, "
            f"{chunks_s / drawn_s:.0f} x faster than reading the frames"
        )


if __name__ == "__main__":
    main()
