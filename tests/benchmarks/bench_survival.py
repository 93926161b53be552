"""How fast the survival estimators are, as ratios to a named reference in the same run; run as a script.

python tests/benchmarks/bench_survival.py [rows]

The reference is lifelines where it can be imported (it needs an environment of its own, with pandas below 3),
and otherwise a generic optimiser of SciPy on the same likelihood written plainly in NumPy. Both are given the
same invented pads: six drivers, horses of five pads, losses seen at visits some weeks apart. Ours run ROUNDS
times and the best is shown; the reference runs once. Answers are compared, so that speed is not bought with a
wrong one.
"""

from __future__ import annotations

import gc
import importlib.util
import math
import sys
import time
import warnings
from collections.abc import Callable
from typing import Any

import numpy as np
from scipy import optimize

from hoofsense.survival.cox import cox
from hoofsense.survival.kaplan_meier import kaplan_meier
from hoofsense.survival.logrank import logrank
from hoofsense.survival.shared_frailty import shared_frailty
from hoofsense.survival.turnbull import turnbull
from hoofsense.survival.weibull_aft import weibull_aft

ROWS = 100_000
ROUNDS = 5
PADS_EACH = 5
DRIVERS = ("cure", "dew", "air", "sole", "thick", "heat")
EFFECTS = np.array([0.25, -0.15, 0.1, 0.0, 0.05, 0.0])
LAST_D = 56.0
FEW_TURNBULL_ROWS = 1_000  # lifelines takes minutes on more distinct bounds
PLAIN_TURNBULL_ROWS = 2_000  # a generic constrained optimiser takes minutes on more
PLAIN_COX_ROWS = 20_000

Columns = dict[str, np.ndarray]


def _invented(rows: int, whole_days: bool) -> Columns:
    rng = np.random.default_rng(2026)
    horse = np.repeat(np.arange(-(-rows // PADS_EACH)), PADS_EACH)[:rows]
    x = rng.normal(0.0, 1.0, (rows, 6))
    life_d = 90.0 * np.exp(x @ EFFECTS + 0.3 * rng.normal(0.0, 1.0, horse[-1] + 1)[horse])
    life_d = life_d * rng.weibull(1.5, rows)
    gap_d = rng.integers(7, 29, rows) if whole_days else rng.uniform(7.0, 29.0, rows)
    seen_d = np.floor(life_d / gap_d) * gap_d
    lost = life_d <= LAST_D
    followed_d = np.minimum(np.ceil(life_d) if whole_days else life_d, LAST_D)
    return {
        "x": x,
        "horse": horse,
        "followed_d": followed_d,
        "lost": lost,
        "on_d": np.where(lost, seen_d, LAST_D),
        "off_d": np.where(lost, seen_d + gap_d, math.inf),
    }


def _best_s(run: Callable[[], object]) -> float:
    best_s = math.inf
    for _ in range(ROUNDS):
        gc.collect()
        start = time.perf_counter()
        run()
        best_s = min(best_s, time.perf_counter() - start)
    return best_s


def _once_s(run: Callable[[], Any]) -> tuple[float, Any]:
    gc.collect()
    start = time.perf_counter()
    answer = run()
    return time.perf_counter() - start, answer


def _show(what: str, own_s: float, other: str, other_s: float, apart: float) -> None:
    ratio = other_s / own_s
    print(
        f"{what:32} {own_s:8.4f} s  ratio {ratio:7.1f}  {other} {other_s:8.3f} s  apart {apart:.0e}",
        flush=True,
    )


def _regressions_against_lifelines(pads: Columns, said: str, other: str) -> None:
    import pandas
    from lifelines import CoxPHFitter, WeibullAFTFitter

    table = pandas.DataFrame(pads["x"], columns=list(DRIVERS))
    right = (pads["followed_d"], pads["lost"], pads["x"], DRIVERS)
    own = [effect.log_ratio for effect in cox(*right).effects]
    dated = table.assign(t=pads["followed_d"], lost=pads["lost"])
    other_s, theirs = _once_s(lambda: CoxPHFitter().fit(dated, "t", "lost"))
    _show(f"Cox, {said}", _best_s(lambda: cox(*right)), other, other_s, _apart(theirs.params_, own))
    dated = dated.assign(horse=pads["horse"])
    own_s = _best_s(lambda: cox(*right, horse=pads["horse"]))
    other_s, theirs = _once_s(lambda: CoxPHFitter().fit(dated, "t", "lost", cluster_col="horse"))
    _show(f"Cox by horse, {said}", own_s, other, other_s, _apart(theirs.params_, own))
    bounds = (pads["on_d"], pads["off_d"])
    own = [effect.log_ratio for effect in weibull_aft(*bounds, pads["x"], DRIVERS, ridge=0.0).time_effects]
    seen = table.assign(on=bounds[0], off=bounds[1])
    own_s = _best_s(lambda: weibull_aft(*bounds, pads["x"], DRIVERS, ridge=0.0))
    other_s, theirs = _once_s(lambda: WeibullAFTFitter().fit_interval_censoring(seen, "on", "off"))
    apart = _apart(theirs.params_["lambda_"][list(DRIVERS)], own)
    _show(f"interval Weibull, {said}", own_s, other, other_s, apart)
    own_s = _best_s(lambda: weibull_aft(*bounds, pads["x"], DRIVERS, horse=pads["horse"]))
    _show(f"the same by horse, {said}", own_s, f"{other} not by horse", other_s, apart)


def _apart(theirs: Any, own: list[float]) -> float:
    return float(np.max(np.abs(theirs.to_numpy() - own)))


def _turnbull_against_lifelines(pads: Columns, said: str, other: str) -> None:
    from lifelines import KaplanMeierFitter

    bounds = (pads["on_d"], pads["off_d"])
    own_s, curve = _best_s(lambda: turnbull(*bounds)), turnbull(*bounds)
    # lifelines takes closed intervals: the last sighting is moved on a little.
    other_s, theirs = _once_s(lambda: KaplanMeierFitter().fit_interval_censoring(bounds[0] + 1e-6, bounds[1]))
    found = theirs.survival_function_["NPMLE_estimate_lower"]
    ends = curve.right_d[np.isfinite(curve.right_d)]
    apart = max(abs(curve.survival_at(day)[0] - float(found.loc[:day].iloc[-1])) for day in ends)
    _show(f"Turnbull, {said}", own_s, other, other_s, apart)


def _against_lifelines(rows: int) -> None:
    import lifelines

    other = f"lifelines {lifelines.__version__}"
    _regressions_against_lifelines(_invented(rows, whole_days=True), "whole days", other)
    _regressions_against_lifelines(_invented(rows, whole_days=False), "fractions", other)
    weekly = _invented(rows, whole_days=True)
    for bound in ("on_d", "off_d"):
        weekly[bound] = 7.0 * np.ceil(weekly[bound] / 7.0)
    _turnbull_against_lifelines(weekly, "visits by the week", other)
    few = min(rows, FEW_TURNBULL_ROWS)
    _turnbull_against_lifelines(_invented(few, whole_days=True), f"any day, {few} rows", other)


def _negative_weibull(point: np.ndarray, pads: Columns) -> float:
    rho = math.exp(point[-1])
    with np.errstate(divide="ignore", over="ignore"):
        z = [rho * (np.log(pads[day]) - point[0] - pads["x"] @ point[1:-1]) for day in ("on_d", "off_d")]
        chance = np.exp(-np.exp(z[0])) - np.exp(-np.exp(z[1]))
    return -float(np.sum(np.log(np.maximum(chance, 1e-300))))


def _negative_cox(beta: np.ndarray, pads: Columns) -> float:
    """Efron's partial likelihood with a loop over days."""
    risk = np.exp(pads["x"] @ beta)
    value = float(np.sum((pads["x"] @ beta)[pads["lost"]]))
    for day in np.unique(pads["followed_d"][pads["lost"]]):
        tied = pads["lost"] & (pads["followed_d"] == day)
        turn = np.arange(tied.sum()) / tied.sum()
        value -= float(np.sum(np.log(np.sum(risk[pads["followed_d"] >= day]) - turn * np.sum(risk[tied]))))
    return -value


def _against_scipy(rows: int) -> None:
    pads = _invented(rows, whole_days=True)
    bounds = (pads["on_d"], pads["off_d"])
    own_s = _best_s(lambda: weibull_aft(*bounds, pads["x"], DRIVERS, ridge=0.0))
    fit = weibull_aft(*bounds, pads["x"], DRIVERS, ridge=0.0)
    start = np.concatenate(([math.log(90.0)], np.zeros(7)))
    other_s, theirs = _once_s(
        lambda: optimize.minimize(_negative_weibull, start, args=(pads,), method="BFGS")
    )
    apart = float(np.max(np.abs(theirs.x[1:-1] - [e.log_ratio for e in fit.time_effects])))
    _show("interval Weibull, whole days", own_s, "scipy BFGS", other_s, apart)

    small = _invented(min(rows, PLAIN_COX_ROWS), whole_days=True)
    right = (small["followed_d"], small["lost"], small["x"], DRIVERS)
    own_s, own = _best_s(lambda: cox(*right)), cox(*right)
    other_s, theirs = _once_s(
        lambda: optimize.minimize(_negative_cox, np.zeros(6), args=(small,), method="BFGS")
    )
    apart = float(np.max(np.abs(theirs.x - [e.log_ratio for e in own.effects])))
    _show(f"Cox, whole days, {right[0].size} rows", own_s, "scipy BFGS", other_s, apart)

    small = _invented(min(rows, PLAIN_TURNBULL_ROWS), whole_days=True)
    curve = turnbull(small["on_d"], small["off_d"])
    own_s = _best_s(lambda: turnbull(small["on_d"], small["off_d"]))
    inside = (small["on_d"][:, None] <= curve.left_d) & (curve.right_d <= small["off_d"][:, None])
    cells = curve.mass.size

    def negative(mass: np.ndarray) -> tuple[float, np.ndarray]:
        chance = np.maximum(inside @ mass, 1e-300)
        return -float(np.sum(np.log(chance))), -(inside / chance[:, None]).sum(axis=0)

    other_s, theirs = _once_s(
        lambda: optimize.minimize(
            negative,
            np.full(cells, 1.0 / cells),
            jac=True,
            bounds=[(0.0, 1.0)] * cells,
            constraints={"type": "eq", "fun": lambda mass: np.sum(mass) - 1.0},
            method="SLSQP",
            options={"maxiter": 500},
        )
    )
    _show(
        f"Turnbull, {small['on_d'].size} rows, support given",
        own_s,
        "scipy SLSQP",
        other_s,
        abs(theirs.fun + curve.log_likelihood),
    )


def _alone(rows: int) -> None:
    pads = _invented(rows, whole_days=True)
    bounds = (pads["on_d"], pads["off_d"])
    fraction = _invented(rows, whole_days=False)
    for what, run in (
        ("Kaplan-Meier", lambda: kaplan_meier(pads["followed_d"], pads["lost"])),
        (
            "Kaplan-Meier by horse",
            lambda: kaplan_meier(pads["followed_d"], pads["lost"], horse=pads["horse"]),
        ),
        ("log-rank", lambda: logrank(pads["followed_d"], pads["lost"], pads["x"][:, 0] > 0.0)),
        ("Turnbull, fractions", lambda: turnbull(fraction["on_d"], fraction["off_d"])),
        ("shared frailty", lambda: shared_frailty(*bounds, pads["x"], DRIVERS, pads["horse"])),
    ):
        print(f"{what:32} {_best_s(run):8.4f} s  (no reference)")


def main() -> None:
    warnings.simplefilter("ignore")
    rows = int(sys.argv[1]) if len(sys.argv) > 1 else ROWS
    print(f"{rows} pads, {len(DRIVERS)} drivers; wall time; apart: greatest difference of the answers")
    if importlib.util.find_spec("lifelines") is not None:
        _against_lifelines(rows)
    else:
        _against_scipy(rows)
    _alone(rows)


if __name__ == "__main__":
    main()
