"""How fast and how exact the cure engine is, as ratios to scipy's BDF on the same equations.

python tests/benchmarks/bench_cure.py

Prints the error of firm times against an extrapolated BDF; processor time of one run and of 256 members to
BDF's at equal accuracy (the loosest tolerance whose firm time is as good), at the reference's tolerance and
to the reference itself; the share of it that exp, log and division alone take; and the time from a reading to
a new answer against one run of all members.
"""

from __future__ import annotations

import importlib.util
import time
from collections.abc import Callable
from functools import partial
from pathlib import Path

import numpy as np

from hoofsense.estimators.cure_ensemble import MEMBERS, AirPoint, STEPS_s, inputs_of
from hoofsense.estimators.cure_evidence import remembered_forecast
from hoofsense.estimators.cure_material import column_of, solved_material, with_rate
from hoofsense.estimators.cure_readiness import cure_answer, cure_begun, with_air, with_surface
from hoofsense.materials import load_profile
from hoofsense.physics.pad_cure import cure_course, reached_s
from hoofsense.physics.poured_pad import Ambient, Fill
from hoofsense.records import NS_PER_S, AirConditions, PourConditions

REPEATS = 5
HOUR_s = 3600.0
HOUR_STEPS_s = STEPS_s[STEPS_s <= HOUR_s]
Grid = tuple[int, int, np.ndarray]
SINGLE: Grid = (12, 8, np.arange(0.0, HOUR_s + 5.0, 5.0))  # pad cells, horn cells, times in s
ENSEMBLE: Grid = (8, 8, HOUR_STEPS_s)
REFERENCE_CELLS = (48, 32)
PROFILE = load_profile("standard")
CASES = {
    "21 degC": (294.15, 297.65, 294.15),
    "0 degC, warmed": (273.15, 303.15, 298.15),
}  # air, sole, material K


def bdf() -> Callable[..., float]:
    """The independent BDF solution that the tests use."""
    path = Path(__file__).parents[1] / "physics" / "bdf_reference.py"
    spec = importlib.util.spec_from_file_location("bdf_reference", path)
    assert spec is not None and spec.loader is not None
    module = importlib.util.module_from_spec(spec)
    spec.loader.exec_module(module)
    return module.slowest_reaches_s


def best_s(run: Callable[[], object], repeats: int = REPEATS) -> float:
    """Least processor time of several runs."""
    taken = []
    for _ in range(repeats):
        started = time.process_time()
        run()
        taken.append(time.process_time() - started)
    return min(taken)


def inputs(case: tuple[float, float, float], members: int) -> tuple[Fill, Ambient]:
    air_K, sole_K, material_K = case
    pour = PourConditions(0, 0.008, material_K, sole_K, cover_m2_K_per_W=3e-4)
    solved, heat, _ = solved_material(PROFILE, members)
    kinetics = with_rate(solved, np.log(solved.rate_per_s) + 0.3 * column_of(members, "ln_rate"))
    return inputs_of(
        PROFILE, pour, (AirPoint(0.0, air_K),), kinetics, heat, lambda name: column_of(members, name)
    )


def firm_s(made: tuple[Fill, Ambient], grid: Grid) -> float:
    fill, ambient = made
    pad, horn, times = grid
    course = cure_course(
        fill, ambient, times, pad_cells=pad, horn_cells=horn, stop_degree=PROFILE.firm_degree
    )
    reached = reached_s(
        course.time_s, course.lowest_degree, PROFILE.firm_degree, fill.kinetics, course.last_K, 1e6
    )
    return float(reached[0])


def exactness(reference: Callable[..., float]) -> None:
    """Errors against BDF, and processor time against the cheapest BDF that is no worse."""
    for name, case in CASES.items():
        made = inputs(case, 1)
        coarse, fine = (
            reference(*made, PROFILE.firm_degree, p, h, HOUR_s) for p, h in ((24, 16), REFERENCE_CELLS)
        )
        exact = fine + (fine - coarse) / 3.0
        print(f"{name}: firm at {exact:.2f} s (BDF, 48 + 32 cells, rtol 1e-8, extrapolated)")
        for label, grid in (("single", SINGLE), ("ensemble", ENSEMBLE)):
            error = abs(firm_s(made, grid) - exact)
            rtol, theirs = loosest(reference, made, grid, exact, error)
            ours_s = best_s(partial(firm_s, made, grid))
            theirs_s = best_s(partial(reference, *made, PROFILE.firm_degree, *grid[:2], HOUR_s, rtol))
            print(
                f"  {label} grid {grid[0]}+{grid[1]}, {grid[2].size - 1} steps an hour: error {error:.2f} s; "
                f"BDF with rtol {rtol:.0e} errs {theirs:.2f} s; "
                f"BDF's time over one run's: {theirs_s / ours_s:.1f}"
            )


def loosest(
    reference: Callable[..., float],
    made: tuple[Fill, Ambient],
    grid: Grid,
    exact: float,
    error: float,
) -> tuple[float, float]:
    """The loosest of a few tolerances at which BDF on the same cells errs no more, and its error."""
    for rtol in (1e-3, 1e-4, 1e-5, 1e-6, 1e-7, 1e-8):
        theirs = abs(reference(*made, PROFILE.firm_degree, *grid[:2], HOUR_s, rtol) - exact)
        if theirs <= max(error, 1.0):
            return rtol, theirs
    return rtol, theirs


def ensemble_cost(reference: Callable[..., float]) -> None:
    """256 members over an hour, against as many BDF runs over the same hour."""
    case = CASES["0 degC, warmed"]
    made, one = inputs(case, MEMBERS), inputs(case, 1)
    tens = np.arange(0.0, HOUR_s + 10.0, 10.0)
    for what, times in (("every 10 s", tens), ("the engine's steps", HOUR_STEPS_s)):
        for cells in (6, 8):
            middle_s = best_s(partial(cure_course, *made, times, horn_cells=cells))
            rim_s = best_s(partial(cure_course, *made, times, horn_cells=cells, rim=True))
            print(
                f"256 members x 60 min, 8+{cells} cells, {what} ({times.size - 1}): {middle_s:.3f} s of "
                f"processor time (limit 0.08), {rim_s:.3f} with the rim"
            )
    each_s = middle_s / MEMBERS
    for rtol, cells, what in (
        (1e-4, (8, 8), "equal accuracy"),
        (1e-8, (8, 8), "the reference's tolerance on the same cells"),
        (1e-8, REFERENCE_CELLS, "the reference itself"),
    ):
        # A degree that is not reached within the hour makes BDF run all of it.
        bdf_s = best_s(partial(_whole_hour, reference, one, rtol, cells), 3)
        print(f"  BDF's time over one member's ({each_s * 1e3:.2f} ms), {what}: {bdf_s / each_s:.0f}")
    state = np.full((9, MEMBERS), 0.5)
    nothing_but_s = best_s(lambda: [_transcendental(state) for _ in range(2 * HOUR_STEPS_s.size)])
    print(f"  of it exp, log and division of the reaction alone: {nothing_but_s / middle_s:.2f}")


def _transcendental(state: np.ndarray) -> None:
    """What the reaction cannot do without at every node: one exp, one log, one division."""
    np.exp(state)
    np.log(state)
    np.divide(1.0, state)


def _whole_hour(
    reference: Callable[..., float], made: tuple[Fill, Ambient], rtol: float, cells: tuple[int, int]
) -> None:
    try:
        reference(*made, 0.999, *cells, HOUR_s, rtol)
    except IndexError:
        return  # the event never came: the run went to its end


def latency() -> None:
    """From a reading to a new answer, over an hour with a reading every 2 s."""
    pour = PourConditions(0, 0.008, 294.15, 297.65, cover_m2_K_per_W=3e-4)
    trace = cure_begun(PROFILE, pour, AirConditions(air_K=294.15, measured_at_ns=0))
    started = time.perf_counter()
    cure_answer(trace, 1)
    first_s = time.perf_counter() - started
    members = remembered_forecast(PROFILE, pour, trace.air.points, trace.air.air_u_K)
    taken, read = [], []
    for second in range(2, 3600, 2):
        at_ns = second * NS_PER_S
        seen_K = float(np.interp(second, members.time_s, members.surface_K[:, 7]))
        if second % 60 == 0:
            trace = with_air(trace, at_ns, AirConditions(air_K=294.15, measured_at_ns=at_ns))
        started = time.perf_counter()
        trace = with_surface(trace, at_ns, seen_K, 0.5)
        read.append(time.perf_counter() - started)
        cure_answer(trace, at_ns)
        taken.append(time.perf_counter() - started)
    p50, p95 = (float(np.quantile(taken, q)) for q in (0.5, 0.95))
    print(
        f"reading to answer: median {p50 * 1e3:.2f} ms, 95 % within {p95 * 1e3:.2f} ms (limit 50), "
        f"1/{first_s / p95:.0f} of the first answer ({first_s:.2f} s: all members run)"
    )
    print(f"  taking a reading alone: mean {np.mean(read) * 1e6:.0f} us")


def main() -> None:
    reference = bdf()
    exactness(reference)
    ensemble_cost(reference)
    latency()


if __name__ == "__main__":
    main()
