"""A small run of the drying study: its truths are sound, its counting right, and no wet foot passes in it."""

from __future__ import annotations

from pathlib import Path
from typing import Any

import numpy as np
import pytest


@pytest.fixture
def study(monkeypatch: pytest.MonkeyPatch) -> Any:
    monkeypatch.syspath_prepend(str(Path(__file__).parent))
    import drying_study

    return drying_study


def test_in_a_dozen_feet_no_wet_one_passes_and_most_dry_ones_do(study: Any) -> None:
    dry = passed = judged_wet = 0
    for name, feet in (("nominal", 5), ("groove scanned", 2), ("already dry", 5)):
        scenario = next(s for s in study.SCENARIOS if s.name == name)
        outcomes = study.scenario_outcomes(scenario, feet, seed=11, passes=7)
        assert not any(o.passed_wet for o in outcomes), name
        judged_wet += sum(o.was_wet_when_judged for o in outcomes)
        dry += sum(o.ended_dry for o in outcomes)
        passed += sum(o.passed_dry for o in outcomes)
    assert judged_wet >= 2, "the run must hold wet feet, or it tests nothing"
    assert passed >= 0.5 * dry >= 4


def test_a_foot_whose_groove_is_not_read_never_passes(study: Any, monkeypatch: pytest.MonkeyPatch) -> None:
    def skipping(at_s: float) -> int:
        return min(read_in_turn(at_s), 3)  # the last site, a sulcus, is never under the thermometer

    read_in_turn = study.site_under_thermometer
    monkeypatch.setattr(study, "site_under_thermometer", skipping)
    dry = next(s for s in study.SCENARIOS if s.name == "already dry")
    for outcome in study.scenario_outcomes(dry, 2, seed=5, passes=4):
        assert not outcome.passed_dry and outcome.ended_dry
        assert set(outcome.rules) == {"site not read"}


def test_the_truth_keeps_its_water_and_dries_only_by_heat(study: Any) -> None:
    nominal = study.SCENARIOS[0]
    truth = study.simulated(nominal, 10, 3, np.random.default_rng(3))
    before = truth.film[round(study.BASELINE_S * 4) - 2]
    assert np.all(before > 0.0)
    assert np.all(np.diff(truth.film, axis=0) <= 1e-9)  # nothing creeps in, and no dew settles, in this kind
    heated = truth.film[round((study.BASELINE_S + study.PASS_S) * 4)]
    assert np.all(heated < before)
    assert np.all((truth.surface_K > 260.0) & (truth.surface_K < 345.0))


def test_wilsons_interval_is_the_published_one(study: Any) -> None:
    # E. B. Wilson 1927 as worked in the usual texts: 0 of 50 gives 0 to 7.1 %, 10 of 50 gives 11.2 to 33.0 %
    assert study.wilson(0, 50) == (pytest.approx(0.0), pytest.approx(0.0713, abs=5e-4))
    assert study.wilson(10, 50) == (pytest.approx(0.112, abs=5e-4), pytest.approx(0.330, abs=5e-4))
    assert study.wilson(0, 0) == (0.0, 1.0)


def test_recalibration_finds_the_odds_it_was_made_with(study: Any) -> None:
    generator = np.random.default_rng(1)
    share = generator.uniform(0.02, 0.98, 20000)
    log_odds = 1.7 * np.log(share / (1 - share)) - 0.8
    wet = generator.random(share.size) > 1.0 / (1.0 + np.exp(-log_odds))
    outcome = study.Outcome(shares=[(float(s), bool(w)) for s, w in zip(share, wet, strict=True)])
    slope, offset = study.recalibration([outcome])
    assert slope == pytest.approx(1.7, abs=0.08) and offset == pytest.approx(-0.8, abs=0.08)
