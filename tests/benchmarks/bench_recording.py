"""How fast a recording is read, as a ratio to Python's CSV reader passing over the same file.

python tests/benchmarks/bench_recording.py
"""

from __future__ import annotations

import csv
import gc
import tempfile
import time
from collections.abc import Callable
from pathlib import Path

from hoofsense.records import Instant, RawFrame
from hoofsense.sources.recording import read_recording, write_recording

FRAMES = 50_000
REPEATS = 5
START_NS = 1_760_000_000_000_000_000


def best_s(work: Callable[[], int]) -> float:
    taken = []
    for _ in range(REPEATS):
        started = time.perf_counter()
        assert work() == FRAMES
        taken.append(time.perf_counter() - started)
    return min(taken)


def main() -> None:
    frames = [
        RawFrame(Instant(START_NS + i, START_NS + i, i, "boot"), "ir", "gatt:2a1c", i.to_bytes(13, "little"))
        for i in range(FRAMES)
    ]
    gc.freeze()
    with tempfile.TemporaryDirectory() as folder:
        path = Path(folder) / "many"
        started = time.perf_counter()
        write_recording(path, title="Many", frames=frames, invented=True, simulated=True)
        written_s = time.perf_counter() - started

        def by_recording() -> int:
            return sum(1 for _ in read_recording(path).frames())

        def by_csv_reader() -> int:
            with (path / "frames.csv").open(encoding="utf-8", newline="") as opened:
                return sum(1 for _ in csv.reader(opened)) - 1

        recording_s, plain_s = best_s(by_recording), best_s(by_csv_reader)
    print(
        f"{FRAMES:,} frames: read in {recording_s:.3f} s, checked and decoded; the CSV reader alone takes "
        f"{plain_s:.3f} s: {recording_s / plain_s:.1f} x; written in {written_s:.2f} s"
    )


if __name__ == "__main__":
    main()
