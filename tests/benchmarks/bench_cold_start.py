"""How much later than bare Python does `hoofsense --help` answer?

Run: python tests/benchmarks/bench_cold_start.py
"""

from __future__ import annotations

import statistics
import subprocess
import sys
import time

RUNS = 15
BARE = [sys.executable, "-c", "pass"]
HELP = [sys.executable, "-m", "hoofsense.cli", "--help"]


def seconds(command: list[str]) -> float:
    began = time.perf_counter()
    subprocess.run(command, check=True, stdout=subprocess.DEVNULL)
    return time.perf_counter() - began


def main() -> None:
    for command in (BARE, HELP):
        seconds(command)  # files into the page cache
    pairs = [(seconds(BARE), seconds(HELP)) for _ in range(RUNS)]
    bare, told = (statistics.median(column) for column in zip(*pairs, strict=True))
    extra_ms = statistics.median((b - a) * 1e3 for a, b in pairs)
    print(f"python -c pass            {bare * 1e3:7.1f} ms")
    print(f"hoofsense --help          {told * 1e3:7.1f} ms   ratio {told / bare:.2f} to bare python")
    print(f"beyond bare python        {extra_ms:7.1f} ms   (goal: 150 ms or less)")


if __name__ == "__main__":
    main()
