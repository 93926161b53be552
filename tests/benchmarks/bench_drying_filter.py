"""What a drying reading costs, as a ratio to one thermal-dose step of the heat guard for the same reading.

python tests/benchmarks/bench_drying_filter.py
"""

from __future__ import annotations

import time

import numpy as np

from hoofsense.estimators import drying_progress, heat_safety
from hoofsense.records import NS_PER_S, SCAN_SITES, AirConditions

READINGS_PER_S = 4
CYCLE_S, PASS_S, BASELINE_S = 40.0, 22.0, 10.0
PASSES = 4


def scan() -> list[tuple[int, int, float, bool]]:
    """(at_ns, site, surface_K, gun on) of a whole scan, each site in turn for two seconds."""
    readings = []
    for i in range(round((BASELINE_S + PASSES * CYCLE_S) * READINGS_PER_S)):
        at_s = i / READINGS_PER_S
        on = at_s >= BASELINE_S and (at_s - BASELINE_S) % CYCLE_S < PASS_S
        warm_K = 290.0 + (20.0 if on else 8.0) * (1.0 - np.exp(-((at_s - BASELINE_S) % CYCLE_S) / 8.0))
        readings.append((round(at_s * NS_PER_S), int(at_s / 2.0) % len(SCAN_SITES), float(warm_K), on))
    return readings


def main() -> None:
    air = AirConditions(air_K=288.15, relative_humidity_ratio=0.6)
    drying = drying_progress.with_air(drying_progress.drying_begun(), air)
    heat = heat_safety.heat_begun()
    spent = {"drying": [], "heat": [], "answer": []}
    gun = False
    for at_ns, place, surface_K, on in scan():
        started = time.perf_counter()
        if on != gun:
            drying = drying_progress.with_heat(drying, at_ns, on)
        drying = drying_progress.with_surface(drying, at_ns, SCAN_SITES[place], surface_K, 0.5)
        spent["drying"].append(time.perf_counter() - started)
        started = time.perf_counter()
        heat = heat_safety.with_surface(heat, at_ns, SCAN_SITES[place], surface_K, 0.5)
        spent["heat"].append(time.perf_counter() - started)
        started = time.perf_counter()
        drying_progress.drying_answer(drying, at_ns)
        spent["answer"].append(time.perf_counter() - started)
        gun = on
    mean = {name: float(np.mean(times)) * 1e3 for name, times in spent.items()}
    worst = float(np.max(spent["drying"])) * 1e3
    print(f"drying reading: mean {mean['drying']:.2f} ms, longest {worst:.1f} ms (limit 10 ms)")
    print(f"drying answer: mean {mean['answer']:.3f} ms")
    print(
        f"heat guard reading: mean {mean['heat']:.3f} ms; "
        f"drying costs {mean['drying'] / mean['heat']:.0f} of these"
    )


if __name__ == "__main__":
    main()
