"""Do 95 % intervals hold 92 to 97 %, and are planted nulls flagged in at most 5 %? Run as a script, some
minutes.

python tests/survival/coverage_study.py [trials]

Invented horses of six pads keep them for longer or shorter (a normal term on ln time, standard deviation
0.4); pads are looked at every 3 to 28 days until they are due after 35 to 56. One driver belongs to the
horse, one to the pad. For the Cox regression the planted truth is known only within horses, so its effects
are asked against their own mean over the trials, and a loss is dated to the middle of its interval.
"""

from __future__ import annotations

import math
import sys
from collections import defaultdict

import numpy as np

from hoofsense.survival.cox import cox
from hoofsense.survival.effects import Effect
from hoofsense.survival.false_discovery import adjusted_p_values
from hoofsense.survival.log_logistic_aft import log_logistic_aft
from hoofsense.survival.shared_frailty import shared_frailty
from hoofsense.survival.weibull_aft import weibull_aft

TRIALS = 400
PADS_EACH = 6
HORSE_SPREAD = 0.4
SHAPE = 1.5
SCALE_D = 110.0
DRIVERS = ("horse's", "pad's")
NULL_DRIVERS = 10
ACCEPTED = 0.05

Columns = dict[str, np.ndarray]


def _pads(rng: np.random.Generator, horses: int, effect: float, in_two: bool, nulls: int) -> Columns:
    horse = np.repeat(np.arange(horses), PADS_EACH)
    pads = horse.size
    x = np.stack((rng.normal(0.0, 1.0, horses)[horse], rng.normal(0.0, 1.0, pads)), axis=1)
    if in_two:
        x = (x > 0.0).astype(np.float64)
    location = math.log(SCALE_D) + effect * x.sum(axis=1) + HORSE_SPREAD * rng.normal(0.0, 1.0, horses)[horse]
    life_d = np.exp(location) * rng.weibull(SHAPE, pads)
    gap_d, due_d = rng.integers(3, 29, pads), rng.integers(35, 57, pads)
    on_d = np.floor(life_d / gap_d) * gap_d
    lost = life_d <= due_d
    # Half of the drivers that do nothing belong to the horse, half to the pad.
    nothing = np.concatenate(
        (rng.normal(0.0, 1.0, (horses, nulls // 2))[horse], rng.normal(0.0, 1.0, (pads, nulls - nulls // 2))),
        axis=1,
    )
    return {
        "horse": horse,
        "x": np.concatenate((x, nothing), axis=1),
        "on_d": np.where(lost, on_d, due_d).astype(np.float64),
        "off_d": np.where(lost, np.minimum(on_d + gap_d, due_d), math.inf),
        "lost": lost,
    }


def _effects(pads: Columns) -> dict[str, tuple[Effect, ...]]:
    arguments = (pads["on_d"], pads["off_d"], pads["x"], DRIVERS)
    middle_d = np.where(
        pads["lost"], 0.5 * (pads["on_d"] + np.where(pads["lost"], pads["off_d"], 0.0)), pads["on_d"]
    )
    return {
        "Weibull by horse": weibull_aft(*arguments, horse=pads["horse"]).time_effects,
        "Weibull by pad": weibull_aft(*arguments).time_effects,
        "log-logistic by horse": log_logistic_aft(*arguments, horse=pads["horse"]).time_effects,
        "Weibull with a term": shared_frailty(*arguments, pads["horse"]).within.time_effects,
        "Cox by horse": cox(middle_d, pads["lost"], pads["x"], DRIVERS, horse=pads["horse"]).effects,
    }


def _coverage(trials: int, horses: int, effect: float, in_two: bool) -> None:
    rng = np.random.default_rng([horses, round(-100 * effect), in_two])
    found: dict[str, list[tuple[Effect, ...]]] = defaultdict(list)
    losses = 0.0
    for _ in range(trials):
        pads = _pads(rng, horses, effect, in_two, nulls=0)
        losses += pads["lost"].sum() / trials
        for method, effects in _effects(pads).items():
            found[method].append(effects)
    kind = "two groups" if in_two else "a number"
    print(f"{horses} horses, {losses:.0f} losses, drivers are {kind}, ln time ratio {effect}:")
    for method, all_effects in found.items():
        said = []
        for number, driver in enumerate(DRIVERS):
            own = [effects[number] for effects in all_effects]
            truth = float(np.mean([one.log_ratio for one in own])) if method.startswith("Cox") else effect
            held = np.mean([one.low <= truth <= one.high for one in own])
            wide = np.mean([one.standard_error for one in own]) / np.std([one.log_ratio for one in own])
            said.append(f"{driver} {100 * held:5.1f} % (standard error over true {wide:.2f})")
        print(f"  {method:22} {'   '.join(said)}", flush=True)


def _false_alarms(trials: int, horses: int) -> None:
    rng = np.random.default_rng([horses, 5])
    names = (*DRIVERS, *(f"nothing {number}" for number in range(NULL_DRIVERS)))
    alarms, share = 0, []
    for _ in range(trials):
        pads = _pads(rng, horses, -0.4, False, NULL_DRIVERS)
        p_values = []
        for number, name in enumerate(names):
            x = pads["x"][:, number]
            fit = weibull_aft(pads["on_d"], pads["off_d"], x, (name,), horse=pads["horse"])
            p_values.append(fit.loss_effects[0].p_value)
        flagged = adjusted_p_values(p_values) <= ACCEPTED
        alarms += int(flagged[2:].sum())
        share.append(flagged[2:].sum() / max(1, flagged.sum()))
    print(
        f"{horses} horses, two real drivers and {NULL_DRIVERS} that do nothing, held to 5 %: "
        f"of the idle ones {100 * alarms / (trials * NULL_DRIVERS):.1f} % are flagged; of those flagged "
        f"{100 * np.mean(share):.1f} % do nothing"
    )


def main() -> None:
    trials = int(sys.argv[1]) if len(sys.argv) > 1 else TRIALS
    error = 100.0 * math.sqrt(0.95 * 0.05 / trials)
    print(f"{trials} trials; Monte Carlo error of a share near 95 %: {error:.1f} %")
    for horses in (40, 150):
        for effect, in_two in ((0.0, False), (-0.4, False), (-0.5, True)):
            _coverage(trials, horses, effect, in_two)
        _false_alarms(trials // 4, horses)


if __name__ == "__main__":
    main()
