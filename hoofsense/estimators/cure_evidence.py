"""Prediction, readings and touches of one fill put together, apart from the time of asking.

A pure function of what was said about the fill, so it is remembered: an answer is asked for every second,
evidence comes less often.
"""

from __future__ import annotations

from dataclasses import dataclass, replace
from functools import lru_cache

import numpy as np

from hoofsense.estimators.cure_ensemble import LOCATIONS, AirPoint, CureForecast, FloatArray, forecast
from hoofsense.estimators.cure_material import curing_part
from hoofsense.estimators.cure_smoother import (
    FEWEST_READINGS,
    Touch,
    smoothed,
    touch_weights,
    weighted_quantiles,
)
from hoofsense.estimators.cure_surface import SurfaceBins, predicted_K, surface_aged_s
from hoofsense.records import MaterialProfile, PourConditions

EARNED_POURS = 10  # logged pours before a reading may advance an answer; engineering choice
# Share of them that the 90 % intervals must have covered: of ten, eight or more are covered in 93 % of cases
# when the intervals are honest.
EARNED_COVER_ratio = 0.8

# How much of the way back to what was predicted at the pour safe-by keeps (in ln time) when readings would
# advance it: they move "not before" and "likely" all the way, safe-by only a third. The study of synthetic
# pours: late-tailed materials are then later than safe-by in 9 % of cases, with the whole way in 12 to 17 %.
SAFE_BY_KEPT_share = 2.0 / 3.0

SHARES = (0.05, 0.5, 0.95)
_NEEDED_SHARE = 0.05
_GENEROUS_K = 2.0  # an infrared reading is hardly ever more than this too cold: two standard uncertainties

Times = tuple[float, float, float]


@dataclass(frozen=True, slots=True)
class CureEvidence:
    """Not before, likely and safe by (s after the pour) for each question, and what they rest on.

    slowest  one of LOCATIONS
    used     bins of readings behind the answer; 0 when distrusted or too few
    trusted  False when the readings failed the residual test
    refused  readings or bins left out as not of this pad
    earned   whether readings were allowed to advance the answer
    """

    work: Times
    firm: Times
    load: Times
    slowest: str
    used: int
    trusted: bool
    refused: int
    earned: bool


def remembered_forecast(
    profile: MaterialProfile, pour: PourConditions, air: tuple[AirPoint, ...], air_u_K: float
) -> CureForecast:
    """The members' run; the same pour at another hour, or with a longer log, is the same run."""
    return _remembered(curing_part(profile), replace(pour, poured_at_ns=0), air, air_u_K)


@lru_cache(maxsize=16)
def _remembered(
    profile: MaterialProfile, pour: PourConditions, air: tuple[AirPoint, ...], air_u_K: float
) -> CureForecast:
    return forecast(profile, pour, air, air_u_K=air_u_K)


@lru_cache(maxsize=64)
def cure_evidence(
    profile: MaterialProfile,
    pour: PourConditions,
    air: tuple[AirPoint, ...],
    air_u_K: float,
    surface: SurfaceBins,
    touches: tuple[Touch, ...],
) -> CureEvidence:
    """All evidence of one fill in one place.

    Readings move the members' times (smoother), touches weigh them. Unless the profile has earned it, each
    time is the later of what was predicted at the pour and what the readings say, and the working time the
    earlier; if it has, only safe-by keeps most of what was predicted. When the readings do not fit, the
    prediction stands. Whether they fit or not, safe-by is no earlier than the surface as read, taken
    generously, has the equivalent age it needs: a necessary sign, never a sufficient one.
    """
    members = remembered_forecast(profile, pour, air, air_u_K)
    before = stacked_times(members)
    times_s, values_K, u_K = surface.arrays()
    result = smoothed(before, predicted_K(members, times_s), values_K, u_K, times_s)
    prior, prior_slowest = _summary(before, touches)
    earned = has_earned(profile, air)
    if not result.trusted:
        chosen, slowest = prior, prior_slowest
    else:
        live, slowest = _summary(result.ln_times, touches)
        chosen = (live[0], _held_back(live[1], prior[1]), _held_back(live[2], prior[2]))
        if not earned:
            if live[1][1] < prior[1][1]:
                slowest = prior_slowest
            chosen = (_earlier(prior[0], live[0]), _later(prior[1], live[1]), _later(prior[2], live[2]))
    work, firm, load = chosen
    if times_s.size >= FEWEST_READINGS:
        needed_s = float(np.quantile(members.surface_needs_s, _NEEDED_SHARE))
        aged_s = surface_aged_s(members, profile, needed_s, times_s, values_K, _GENEROUS_K)
        firm, load = _not_before(firm, aged_s), _not_before(load, aged_s)
    return CureEvidence(
        work, firm, load, slowest, result.used, result.trusted, result.refused + surface.refused, earned
    )


def has_earned(profile: MaterialProfile, air: tuple[AirPoint, ...]) -> bool:
    """Whether this profile's logged pours let a reading advance an answer in this air."""
    if profile.logged_pours < EARNED_POURS or profile.logged_covered_ratio < EARNED_COVER_ratio:
        return False
    if profile.logged_low_K is None or profile.logged_high_K is None:
        return False
    return all(profile.logged_low_K <= point.air_K <= profile.logged_high_K for point in air)


def times_of(ln_times: FloatArray, weights: FloatArray) -> Times:
    """Not before, likely, safe by of weighted members, s."""
    low, likely, high = np.exp(weighted_quantiles(ln_times, weights, SHARES))
    return float(low), float(likely), float(high)


def place_times(ln_times: FloatArray) -> tuple[FloatArray, FloatArray, FloatArray]:
    """Split the stacked members' times: ln work (M,), ln firm at LOCATIONS (3, M), ln load of the pad (M,).

    The pad bears weight once its middle does, from surface to bond line, and its rim is firm: the rim carries
    nothing that the middle does not.
    """
    places = len(LOCATIONS)
    firm, load = ln_times[1 : 1 + places], ln_times[1 + places :]
    rim = LOCATIONS.index("rim")
    middle = np.max(np.delete(load, rim, axis=0), axis=0)
    return ln_times[0], firm, np.maximum(middle, firm[rim])


def stacked_times(members: CureForecast) -> FloatArray:
    """Work, firm at LOCATIONS and load at LOCATIONS of the members, shape (7, M), ln s."""
    return np.vstack([members.ln_work[None], members.ln_firm, members.ln_load])


def _summary(ln_times: FloatArray, touches: tuple[Touch, ...]) -> tuple[tuple[Times, Times, Times], str]:
    work, firm, load = place_times(ln_times)
    weights = touch_weights(firm[LOCATIONS.index("rim")], touches)
    times = (times_of(work, weights), times_of(np.max(firm, axis=0), weights), times_of(load, weights))
    return times, slowest_place(firm, weights)


def slowest_place(ln_firm: FloatArray, weights: FloatArray) -> str:
    """Which of LOCATIONS most of the members, by weight, have firm last."""
    shares = np.bincount(np.argmax(ln_firm, axis=0), weights=weights, minlength=len(LOCATIONS))
    return LOCATIONS[int(np.argmax(shares))]


def _later(one: Times, other: Times) -> Times:
    return max(one[0], other[0]), max(one[1], other[1]), max(one[2], other[2])


def _earlier(one: Times, other: Times) -> Times:
    return min(one[0], other[0]), min(one[1], other[1]), min(one[2], other[2])


def _held_back(live: Times, prior: Times) -> Times:
    """The live times, safe-by advanced only part of the way."""
    if live[2] >= prior[2]:
        return live
    return live[0], live[1], prior[2] ** SAFE_BY_KEPT_share * live[2] ** (1.0 - SAFE_BY_KEPT_share)


def _not_before(times: Times, least_s: float) -> Times:
    return times[0], times[1], max(times[2], least_s)
