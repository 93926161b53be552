"""The term for each horse: its likelihood by brute integration, planted spreads, and the awkward cases."""

from __future__ import annotations

import math
from collections.abc import Callable

import numpy as np
import pytest
from scipy import integrate

from hoofsense.survival.censored_likelihood import LOG_LOGISTIC
from hoofsense.survival.censored_times import NotEstimable
from hoofsense.survival.shared_frailty import FrailtyFit, shared_frailty
from hoofsense.survival.weibull_aft import weibull_aft

Columns = dict[str, np.ndarray]


def _integrated_log_likelihood(fit: FrailtyFit, pads: Columns, law: str) -> float:
    """The log-likelihood at a fit by adaptive integration, horse by horse, straight from the model."""
    rho, intercept = math.exp(fit.within.log_shape), fit.within.intercepts[0]
    location = intercept + fit.within.time_effects[0].log_ratio * pads["x"]
    total = 0.0
    for horse in np.unique(pads["horse"]):
        own = pads["horse"] == horse
        on, off, centre = pads["last_on_d"][own], pads["noticed_off_d"][own], location[own]

        def share_on(day: np.ndarray, term: float, centre: np.ndarray = centre) -> np.ndarray:
            with np.errstate(divide="ignore"):
                z = rho * (np.log(day) - centre - fit.spread * term)
            return np.exp(-np.exp(z)) if law == "Weibull" else 1.0 / (1.0 + np.exp(z))

        def joint(term: float, on: np.ndarray = on, off: np.ndarray = off) -> float:
            chance = share_on(on, term) - np.where(np.isinf(off), 0.0, share_on(np.minimum(off, 1e9), term))
            return float(np.prod(chance)) * math.exp(-0.5 * term**2) / math.sqrt(2.0 * math.pi)

        total += math.log(integrate.quad(joint, -8.0, 8.0, epsabs=0.0, epsrel=1e-10)[0])
    return total


@pytest.mark.parametrize("law", ["Weibull", "log-logistic"])
def test_the_likelihood_is_the_one_integrated_by_brute_force(
    invented_pads: Callable[..., Columns], law: str
) -> None:
    pads = invented_pads(41, horses=30, pads_each=6, log_time_ratio=-0.4, horse_spread=0.7)
    chosen = {"law": LOG_LOGISTIC} if law == "log-logistic" else {}
    arguments = (pads["last_on_d"], pads["noticed_off_d"], pads["x"], ("x",), pads["horse"])
    fit = shared_frailty(*arguments, ridge=0.0, **chosen)
    assert fit.within.log_likelihood == pytest.approx(_integrated_log_likelihood(fit, pads, law), abs=1e-4)
    finer = shared_frailty(*arguments, ridge=0.0, nodes=41, **chosen)
    assert finer.within.log_likelihood == pytest.approx(
        _integrated_log_likelihood(finer, pads, law), abs=1e-7
    )
    assert finer.spread == pytest.approx(fit.spread, abs=1e-3)


def test_no_neighbouring_parameters_have_a_higher_likelihood(invented_pads: Callable[..., Columns]) -> None:
    pads = invented_pads(42, horses=20, pads_each=6, log_time_ratio=-0.4, horse_spread=0.7)
    fit = shared_frailty(
        pads["last_on_d"], pads["noticed_off_d"], pads["x"], ("x",), pads["horse"], ridge=0.0, nodes=31
    )
    best = _integrated_log_likelihood(fit, pads, "Weibull")
    for name, step in (("spread", 0.02), ("spread", -0.02)):
        moved = FrailtyFit(
            fit.within, fit.spread + step, *(getattr(fit, field) for field in FrailtyFit.__slots__[2:])
        )
        assert _integrated_log_likelihood(moved, pads, "Weibull") < best, name


def test_a_planted_spread_and_effect_lie_in_their_intervals(invented_pads: Callable[..., Columns]) -> None:
    pads = invented_pads(43, horses=150, pads_each=8, log_time_ratio=-0.4, horse_spread=0.6)
    bounds = pads["last_on_d"], pads["noticed_off_d"]
    fit = shared_frailty(*bounds, pads["x"], ("x",), pads["horse"])
    effect = fit.within.time_effects[0]
    assert effect.low < -0.4 < effect.high
    assert fit.spread_low < 0.6 < fit.spread_high
    assert fit.p_value < 1e-6
    assert fit.log_likelihood_without == pytest.approx(
        weibull_aft(*bounds, pads["x"], ("x",)).log_likelihood, abs=1e-8
    )
    # Horses that lost more have the lower terms, shrunk towards none.
    share = np.bincount(pads["horse"], weights=pads["lost"]) / 8.0
    assert np.corrcoef(fit.log_time_ratio, share)[0, 1] < -0.8
    assert 0.0 < np.std(fit.log_time_ratio) < 0.6
    assert np.all(fit.log_time_ratio_sd < fit.spread)
    assert len(fit.horses) == 150


def test_pads_that_do_not_go_together_give_a_spread_whose_interval_begins_at_none(
    invented_pads: Callable[..., Columns],
) -> None:
    pads = invented_pads(44, horses=60, pads_each=6, log_time_ratio=-0.4)
    fit = shared_frailty(pads["last_on_d"], pads["noticed_off_d"], pads["x"], ("x",), pads["horse"])
    alone = weibull_aft(pads["last_on_d"], pads["noticed_off_d"], pads["x"], ("x",))
    assert fit.spread_low == 0.0 < fit.spread_high
    assert fit.p_value > 0.05
    assert fit.within.log_likelihood >= fit.log_likelihood_without - 1e-9
    assert fit.within.time_effects[0].log_ratio == pytest.approx(alone.time_effects[0].log_ratio, abs=0.02)


def test_what_cannot_be_fitted_is_refused() -> None:
    x = [0.0, 1.0, 0.0, 1.0]
    horses = ["a", "a", "b", "b"]
    with pytest.raises(NotEstimable, match="no pad was lost"):
        shared_frailty([5.0] * 4, [math.inf] * 4, x, ("x",), horses)
    with pytest.raises(NotEstimable, match="do not tell the shape"):
        shared_frailty([5.0, 6.0, 7.0, 8.0], [9.0, 9.0, math.inf, 12.0], x, ("x",), horses)
    with pytest.raises(ValueError, match="too few to hold"):
        shared_frailty([5.0] * 4, [9.0] * 4, x, ("x",), horses, nodes=1)
