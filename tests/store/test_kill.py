"""Nothing acknowledged is lost when the program is killed at any instant (kill -9).

A kill cannot prove that a loss of power is survived too: the system still holds what was written. For that
the settings of the live connection are checked, which make SQLite sync the log before each commit returns.
"""

from __future__ import annotations

import random
import shutil
import signal
import subprocess
import sys
import tempfile
from collections.abc import Callable
from pathlib import Path

import pytest

from hoofsense.records import RawFrame
from hoofsense.store import Store, open_store

RUNS = 10
BATCH = 5
SYNCHRONOUS_FULL = 2

# Collects for ever in small commits, ends each visit after some, and says what has been committed.
COLLECTING = """
import json, os, sys
from hoofsense.records import Instant, RawFrame
from hoofsense.store import open_store

def frame(number):
    at_ns = 1_760_000_000_000_000_000 + number * 1_000_000
    return RawFrame(Instant(at_ns, at_ns, number, "boot"), "ir", "gatt:2a1c", b"%d" % number)

def say(word, number):
    os.write(1, f"{word} {number}\\n".encode())

path, run, batch, batches_in_visit = sys.argv[1], *map(int, sys.argv[2:])
with open_store(path) as store:
    left_over = store.unfinished_visit()
    if left_over is not None:
        store.end_visit(left_over, 0)
    number = visit = 0
    while True:
        visit_id = f"{run}-{visit}"
        begin = {"visit_id": visit_id, "horse": "h", "practice": "p", "invented": True}
        store.begin_visit(json.dumps(begin), 0)
        for _ in range(batches_in_visit):
            store.append([frame(number + i) for i in range(batch)], [], [], visit_id)
            number += batch
            say("stored", number)
        store.end_visit(visit_id, 1)
        say("ended", visit)
        visit += 1
"""


def numbers_of_run(store: Store, run: int) -> list[int]:
    visits = [v.visit_id for v in reversed(store.visits()) if v.visit_id.startswith(f"{run}-")]
    visits.sort(key=lambda visit_id: int(visit_id.partition("-")[2]))
    return [int(frame.payload) for visit_id in visits for frame in store.frames(visit_id)]


def collect_and_kill(path: Path, run: int, after_lines: int, batches_in_visit: int) -> tuple[int, int]:
    """Frames acknowledged and visits acknowledged as ended before the kill took effect."""
    command = [sys.executable, "-c", COLLECTING, str(path), str(run), str(BATCH), str(batches_in_visit)]
    stored = ended = 0
    with (
        tempfile.TemporaryFile("w+") as complaints,
        subprocess.Popen(command, stdout=subprocess.PIPE, stderr=complaints, text=True) as child,
    ):
        assert child.stdout is not None
        for count, line in enumerate(child.stdout):
            word, number = line.split()
            if word == "stored":
                stored = int(number)
            else:
                ended = int(number) + 1
            if count == after_lines:
                child.send_signal(signal.SIGKILL)  # lines already in the pipe are still read
        child.wait()
        complaints.seek(0)
        assert child.returncode == -signal.SIGKILL, complaints.read()
    return stored, ended


@pytest.mark.skipif(not hasattr(signal, "SIGKILL"), reason="this system has no kill -9")
def test_no_acknowledged_frame_is_lost_by_kill_9_and_the_visit_is_resumed(store_path: Path) -> None:
    chance = random.Random(9)
    acknowledged: dict[int, tuple[int, int]] = {}
    for run in range(RUNS):
        # with one batch in each visit most kills fall into beginning, packing and ending
        batches_in_visit = 1 if run % 2 else 40
        acknowledged[run] = collect_and_kill(store_path, run, chance.randrange(200), batches_in_visit)
    with open_store(store_path) as store:
        for run, (stored, ended) in acknowledged.items():
            numbers = numbers_of_run(store, run)
            assert numbers == list(range(len(numbers))), "a frame in the middle is missing"
            assert len(numbers) >= stored, f"run {run} lost {stored - len(numbers)} acknowledged frames"
            assert len(numbers) % BATCH == 0, "half of a commit is there"
            done = [v for v in store.visits() if v.visit_id.startswith(f"{run}-") and v.ended_ns == 1]
            assert len(done) >= ended
        open_visits = [visit.visit_id for visit in store.visits() if visit.ended_ns is None]
        assert open_visits in ([], [store.unfinished_visit()])
        for visit_id in open_visits:
            store.append([], [], [], visit_id)
            store.end_visit(visit_id, 2)
    assert sum(stored for stored, _ in acknowledged.values()) > 0


def test_every_commit_is_synced_to_the_disk_before_it_is_acknowledged(store: Store) -> None:
    assert store._connection.execute("PRAGMA journal_mode").fetchone() == ("wal",)
    assert store._connection.execute("PRAGMA synchronous").fetchone() == (SYNCHRONOUS_FULL,)


def test_a_damaged_tail_of_the_log_leaves_a_consistent_beginning(
    tmp_path: Path, begin: Callable[..., str], usual_frames: Callable[..., list[RawFrame]], start_ns: int
) -> None:
    frames = usual_frames(200)
    live = tmp_path / "live.sqlite3"
    with open_store(live) as store:
        store.begin_visit(begin("a"), start_ns)
        for i in range(0, len(frames), BATCH):
            store.append(frames[i : i + BATCH], [], [], "a")
        kept = tmp_path / "kept.sqlite3"
        shutil.copy(live, kept)
        log = live.with_name(live.name + "-wal").read_bytes()
    chance = random.Random(3)
    lengths = set()
    for i in range(20):
        cut = chance.randrange(len(log) // 2, len(log))
        tail = b"" if i % 2 else chance.randbytes(len(log) - cut)
        copy = tmp_path / f"damaged-{i}.sqlite3"
        shutil.copy(kept, copy)
        copy.with_name(copy.name + "-wal").write_bytes(log[:cut] + tail)
        with open_store(copy) as store:
            found = list(store.frames("a"))
            assert found == frames[: len(found)]
            assert len(found) % BATCH == 0
            assert store._connection.execute("PRAGMA integrity_check").fetchone() == ("ok",)
            store.append(frames[len(found) :], [], [], "a")
            store.end_visit("a", start_ns)
            assert list(store.frames("a")) == frames
        lengths.add(len(found))
    assert len(lengths) > 3, "the damage fell on one place only"
