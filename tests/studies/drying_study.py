"""How often does the drying estimator pass a wet sole, and how often a dry one? Prints the confusion table.

    python tests/studies/drying_study.py --feet 500            # the whole study: hours on one core
    python tests/studies/drying_study.py --feet 20             # a quick look
    python tests/studies/drying_study.py --feet 30 --calibrate # refit the filter's recalibration

Each foot is heated pass after pass until the estimator finds no film, or eight passes are over; it is asked
once a second, as the program asks. Wet: more than 2 g/m2 (2 um) of liquid as the mean of any required site;
dry: less than 0.2 g/m2 at every site; between the two a foot counts as neither.
  wet passed   feet called free of film while wet, of all wet at the end of any gap from the third on
  dry passed   feet called free of film while dry, of all that were dry at the end
"""

from __future__ import annotations

import argparse
import math
from collections import Counter
from dataclasses import dataclass, field

import numpy as np
from drying_truth import (
    BASELINE_S,
    GAP_S,
    PASS_S,
    SCENARIOS,
    Scenario,
    Truth,
    simulated,
    site_under_thermometer,
)
from scipy.optimize import minimize

from hoofsense.estimators.drying_progress import (
    PASSES_NEEDED,
    DryingTrace,
    FilmClass,
    drying_answer,
    drying_begun,
    with_air,
    with_heat,
    with_surface,
)
from hoofsense.estimators.film_filter import stories_without_film
from hoofsense.records import NS_PER_S, SCAN_SITES, AirConditions

WET_kg_per_m2, DRY_kg_per_m2 = 2e-3, 2e-4
PASSES = 8
READING_u_K = 0.6
SEED = 20240501
BLOCK = 50  # feet simulated at once: bounds the memory
CYCLE_S = PASS_S + GAP_S
_Z_95 = 1.96  # standard deviations either side that hold 95 % of a normal distribution


@dataclass(slots=True)
class Outcome:
    """One foot: what it was whenever it was judged, and what the estimator said.

    shares  (share of stories without film, wet) of each site at each gap's end; kept when calibrating
    """

    was_wet_when_judged: bool = False
    passed_wet: bool = False
    passed_between: bool = False
    passed_dry: bool = False
    ended_dry: bool = False
    passes: int = 0
    rules: Counter[str] = field(default_factory=Counter)
    shares: list[tuple[float, bool]] = field(default_factory=list)


def wilson(hits: int, of: int) -> tuple[float, float]:
    """Wilson's 95 % interval of a share (E. B. Wilson, J. Am. Stat. Assoc. 22 (1927) 209)."""
    if of == 0:
        return 0.0, 1.0
    share, z = hits / of, _Z_95
    centre = (share + z * z / (2 * of)) / (1 + z * z / of)
    half = z * math.sqrt(share * (1 - share) / of + z * z / (4 * of * of)) / (1 + z * z / of)
    return max(0.0, centre - half), min(1.0, centre + half)


def _known_air(truth: Truth, foot: int, scenario: Scenario, generator: np.random.Generator) -> AirConditions:
    humidity = float(np.clip(truth.humidity[foot] + generator.normal(0.0, 0.03), 0.02, 1.0))
    return AirConditions(
        air_K=float(truth.air_K[foot] + generator.normal(0.0, 0.5)),
        relative_humidity_ratio=humidity if scenario.humidity_known else None,
    )


def _shares(trace: DryingTrace, film: np.ndarray) -> list[tuple[float, bool]]:
    known = ((trace.films.of(site), film[i]) for i, site in enumerate(SCAN_SITES))
    return [(stories_without_film(f.belief), bool(m > WET_kg_per_m2)) for f, m in known if f is not None]


def judged(
    truth: Truth, foot: int, scenario: Scenario, generator: np.random.Generator, calibrate: bool = False
) -> Outcome:
    """Let the estimator follow one foot reading by reading until it finds no film or the passes run out."""
    outcome = Outcome()
    trace = with_air(drying_begun(), _known_air(truth, foot, scenario, generator))
    gun = False
    for row, at_s in enumerate(truth.at_s):
        at_ns = round(float(at_s) * NS_PER_S)
        if bool(truth.gun_on[row]) != gun:
            gun = not gun
            if scenario.gun_marked:
                trace = with_heat(trace, at_ns, gun)
        place = site_under_thermometer(float(at_s))
        shown = float(truth.shown_K[row, foot, place])
        if not math.isnan(shown):
            trace = with_surface(trace, at_ns, SCAN_SITES[place], shown, READING_u_K)
        into_cycle = (float(at_s) - BASELINE_S) % CYCLE_S
        number = int((float(at_s) - BASELINE_S) // CYCLE_S) + 1
        if at_s % 1.0 != 0.0 or gun or number < PASSES_NEEDED:
            continue
        film = truth.film[row, foot]
        wet, dry = bool(np.any(film > WET_kg_per_m2)), bool(np.all(film < DRY_kg_per_m2))
        answer = drying_answer(trace, at_ns)
        outcome.rules[answer.rule] += 1
        if answer.film is FilmClass.NO_FILM and not calibrate:
            outcome.passed_wet, outcome.passed_dry = wet, dry
            outcome.passed_between = not wet and not dry
            outcome.was_wet_when_judged |= wet
            outcome.ended_dry, outcome.passes = dry, number
            return outcome
        if into_cycle >= CYCLE_S - 1.0:
            outcome.was_wet_when_judged |= wet
            outcome.ended_dry, outcome.passes = dry, number
            if calibrate:
                outcome.shares += _shares(trace, film)
    return outcome


def scenario_outcomes(
    scenario: Scenario, feet: int, seed: int = SEED, passes: int = PASSES, calibrate: bool = False
) -> list[Outcome]:
    """The outcomes of a number of feet of one scenario, in blocks small enough for memory."""
    generator = np.random.default_rng([seed, SCENARIOS.index(scenario)])
    outcomes: list[Outcome] = []
    while len(outcomes) < feet:
        block = min(BLOCK, feet - len(outcomes))
        truth = simulated(scenario, block, passes, generator)
        outcomes += [judged(truth, foot, scenario, generator, calibrate) for foot in range(block)]
    return outcomes


def row_of(name: str, outcomes: list[Outcome]) -> str:
    """One row of the confusion table."""
    wet = sum(o.was_wet_when_judged for o in outcomes)
    wet_passed = sum(o.passed_wet for o in outcomes)
    dry = sum(o.ended_dry for o in outcomes)
    dry_passed = sum(o.passed_dry for o in outcomes)
    between = sum(o.passed_between for o in outcomes)
    low, high = wilson(wet_passed, wet)
    dry_low, dry_high = wilson(dry_passed, dry)
    share = f"{100 * dry_passed / dry:.0f} %" if dry else "none"
    mean = sum(o.passes for o in outcomes) / max(len(outcomes), 1)
    return (
        f"| {name} | {wet_passed}/{wet} | {100 * low:.1f} to {100 * high:.1f} | {dry_passed}/{dry} ({share}) "
        f"| {100 * dry_low:.0f} to {100 * dry_high:.0f} | {between} | {mean:.1f} |"
    )


def recalibration(outcomes: list[Outcome]) -> tuple[float, float]:
    """Slope and offset of the log odds, by maximum likelihood over every site of every gap."""
    shares = [pair for outcome in outcomes for pair in outcome.shares]
    share = np.clip(np.array([value for value, _ in shares]), 1e-4, 1 - 1e-4)
    log_odds, dry = np.log(share / (1 - share)), ~np.array([wet for _, wet in shares])

    def cost(both: np.ndarray) -> float:
        signed = np.where(dry, 1.0, -1.0) * (both[0] * log_odds + both[1])
        return float(np.sum(np.logaddexp(0.0, -signed)))

    found = minimize(cost, np.array([1.0, 0.0]), method="Nelder-Mead")
    return float(found.x[0]), float(found.x[1])


def main() -> None:
    parser = argparse.ArgumentParser(description=__doc__, formatter_class=argparse.RawTextHelpFormatter)
    parser.add_argument("--feet", type=int, default=500, help="feet per scenario")
    parser.add_argument("--scenario", action="append", help="only this scenario, may be repeated")
    parser.add_argument("--seed", type=int, default=SEED)
    parser.add_argument("--calibrate", action="store_true", help="refit the recalibration instead")
    arguments = parser.parse_args()
    chosen = [s for s in SCENARIOS if not arguments.scenario or s.name in arguments.scenario]
    pooled: list[Outcome] = []
    if not arguments.calibrate:
        print("| scenario | wet passed | 95 % | dry passed | 95 % | neither passed | passes |")
        print("|---|---|---|---|---|---|---|")
    for scenario in chosen:
        outcomes = scenario_outcomes(scenario, arguments.feet, arguments.seed, calibrate=arguments.calibrate)
        if not arguments.calibrate:
            print(row_of(scenario.name, outcomes), flush=True)
        if not scenario.limitation:
            pooled += outcomes
    if arguments.calibrate:
        print("slope {:.2f}, offset {:.2f}".format(*recalibration(pooled)))
    else:
        print(row_of("pooled, without the limitations", pooled))


if __name__ == "__main__":
    main()
