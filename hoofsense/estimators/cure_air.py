"""The air over one cure, kept short: a point is added only when the air has materially changed.

Between points the air is linear, after the last it is held. Over a gap in the readings it is taken to have
been the colder of the two ends all along, because that is the side on which a cure is late.
"""

from __future__ import annotations

from dataclasses import dataclass, replace

from hoofsense.estimators.cure_ensemble import AirPoint
from hoofsense.estimators.cure_surroundings import film_W_per_m2_K
from hoofsense.records import NS_PER_S, AirConditions

AIR_STALE_s = 900.0  # engineering choice: weather seldom moves a cure within a quarter of an hour

# What makes a change material; engineering choices. 1.5 K moves a firm time by about 8 %.
_CHANGE_K = 1.5
_DRIFT_K_s = 1200.0  # 1 K for 20 min
_FILM_RATIO = 1.33
_FEWEST_s_BETWEEN = 120.0  # gusts do not make points
_SUDDEN_K = 5.0  # unless they are a door opened on a winter day
_POINTS_MOST = 48
_LEAST_STEP_s = 1.0


@dataclass(frozen=True, slots=True)
class AirHistory:
    """points as the model uses them; last is the latest reading, whether or not it made a point."""

    points: tuple[AirPoint, ...] = ()
    last: AirPoint | None = None
    last_ns: int | None = None
    air_u_K: float = 0.5
    drift_K_s: float = 0.0


def air_begun(poured_at_ns: int, air: AirConditions) -> AirHistory:
    """The history at the pour; empty while no temperature is known."""
    return air_with(AirHistory(), poured_at_ns, poured_at_ns, air)


def air_with(history: AirHistory, poured_at_ns: int, at_ns: int, air: AirConditions) -> AirHistory:
    """The history with one more reading; the same object where it brings nothing new.

    The first reading is held back to the pour. A reading older than the latest, or without a temperature,
    is nothing new.
    """
    if air.air_K is None:
        return history
    measured_ns = at_ns if air.measured_at_ns is None else min(air.measured_at_ns, at_ns)
    if history.last_ns is not None and measured_ns <= history.last_ns:
        return history
    after_s = max((measured_ns - poured_at_ns) / NS_PER_S, 0.0)
    now = AirPoint(after_s, air.air_K, air.wind_m_per_s)
    if history.last is None or not history.points:
        first = AirPoint(0.0, air.air_K, air.wind_m_per_s)
        return AirHistory((first,), now, measured_ns, air.air_u_K)
    assumed, last = history.points[-1], history.last
    gap_s = after_s - last.after_s
    drift_K_s = history.drift_K_s + (last.air_K - assumed.air_K) * gap_s
    seen = replace(history, last=now, last_ns=measured_ns, air_u_K=air.air_u_K, drift_K_s=drift_K_s)
    if not _material(assumed, now, drift_K_s):
        return seen
    points = _joined(history.points, last, now, gap_s)
    return replace(seen, points=points, drift_K_s=0.0)


def _material(assumed: AirPoint, now: AirPoint, drift_K_s: float) -> bool:
    change_K = abs(now.air_K - assumed.air_K)
    if now.after_s - assumed.after_s < _FEWEST_s_BETWEEN and change_K < _SUDDEN_K:
        return False
    films = film_W_per_m2_K(now.wind_m_per_s) / film_W_per_m2_K(assumed.wind_m_per_s)
    windier = not 1.0 / _FILM_RATIO < films < _FILM_RATIO
    return change_K > _CHANGE_K or windier or abs(drift_K_s) > _DRIFT_K_s


def _joined(
    points: tuple[AirPoint, ...], last: AirPoint, now: AirPoint, gap_s: float
) -> tuple[AirPoint, ...]:
    """The points with a corner where the change began and the new value; thinned when there are too many."""
    before = points[-1]
    corner = replace(before, after_s=last.after_s)
    if gap_s > AIR_STALE_s:
        cold_from_start = now.air_K < before.air_K
        corner = replace(now, after_s=last.after_s + _LEAST_STEP_s) if cold_from_start else corner
        if not cold_from_start:
            corner = replace(before, after_s=now.after_s - _LEAST_STEP_s)
    added = [p for p in (corner, now) if p.after_s > before.after_s]
    if len(added) > 1 and added[1].after_s - added[0].after_s < 0.5 * _LEAST_STEP_s:
        added = added[1:]
    joined = (*points, *added)
    if len(joined) <= _POINTS_MOST:
        return joined
    half = _POINTS_MOST // 2
    return (*joined[:half:2], *joined[half:])
