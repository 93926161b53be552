"""How much processor time a pour plan takes, as a ratio to a Monte Carlo of the same volume with 400 draws.

python tests/benchmarks/bench_pour_plan.py
"""

from __future__ import annotations

import time
from collections.abc import Callable

import numpy as np

from hoofsense.estimators.pour_plan import PourSettings, pour_plan
from hoofsense.estimators.pour_words import PourTemperatures
from hoofsense.estimators.sheet_sites import BEFORE_POUR, DEPTH_SITES, SheetSite, depth_place
from hoofsense.geometry.depth_surface import Station, depth_surface, places_xy_m
from hoofsense.geometry.fill_volume import Fill, pad
from hoofsense.geometry.sole_outline import Length, outline_from, outline_inputs
from hoofsense.materials import load_profile
from hoofsense.records import Foot

REPEATS = 20
DRAWS = 400
MM = dict(zip(BEFORE_POUR, (135, 128, 88, 48, 9, 13, 7, 8, 7.5, 9, 8.5, 60, 60), strict=True))
LENGTHS = {site: Length(1e-3 * mm, 5e-5) for site, mm in MM.items()}
MATERIAL = load_profile("standard")


def median_s(run: Callable[[], None]) -> float:
    taken = []
    for _ in range(REPEATS):
        started = time.process_time()
        run()
        taken.append(time.process_time() - started)
    return float(np.median(taken))


def plan(trim_m: float) -> None:
    settings = PourSettings(unit_m3=50e-6, share_ratio=0.8, trim_m=trim_m)
    pour_plan(Foot.LF, LENGTHS, MATERIAL, settings, PourTemperatures(294.0, 295.0, 294.0))


def monte_carlo() -> None:
    rng = np.random.default_rng(0)
    outline_sites = (SheetSite.FOOT_LENGTH, SheetSite.FOOT_WIDTH, SheetSite.FROG_LENGTH, SheetSite.FROG_WIDTH)
    inputs = outline_inputs(Foot.LF, *(LENGTHS[site] for site in outline_sites))
    for _ in range(DRAWS):
        outline = outline_from([e.value + e.standard_uncertainty * rng.standard_normal() for e in inputs])
        xy = places_xy_m(outline)
        stations = [
            Station(*(np.array(xy[depth_place(s)]) + 0.003 * rng.standard_normal(2)), LENGTHS[s].value_m)
            for s in DEPTH_SITES
        ]
        pad(outline, depth_surface(outline, stations), Fill(0.8))


if __name__ == "__main__":
    alone, both = median_s(lambda: plan(0.0)), median_s(lambda: plan(0.004))
    started = time.process_time()
    monte_carlo()
    reference = time.process_time() - started
    print(f"plan without a trim {1e3 * alone:.1f} ms, with both orders {1e3 * both:.1f} ms")
    print(f"Monte Carlo of the volume, {DRAWS} draws: {1e3 * reference:.1f} ms")
    print(f"ratio {reference / both:.1f}: the plan with both orders against the Monte Carlo")
