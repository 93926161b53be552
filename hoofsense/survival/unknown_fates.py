"""Pads of which nobody knows what became of them: what the curve could be at worst and at best.

The curve itself takes such a pad as still on when it was last seen (right-censored). That is right only if
not knowing has nothing to do with losing. The bounds make no such supposition.
"""

from __future__ import annotations

from dataclasses import dataclass

import numpy as np
import numpy.typing as npt

from hoofsense.survival.censored_times import interval_censored
from hoofsense.survival.turnbull import TurnbullCurve, turnbull


@dataclass(frozen=True, slots=True)
class FateBounds:
    """Three curves: every unknown pad lost right after it was last seen, censored there, or on to until_d."""

    worst: TurnbullCurve
    censored: TurnbullCurve
    best: TurnbullCurve
    unknown: int
    until_d: float


def unknown_fate_bounds(
    last_on_d: npt.ArrayLike, noticed_off_d: npt.ArrayLike, unknown: npt.ArrayLike, until_d: float
) -> FateBounds:
    """The curve of interval-censored lives with its worst and best case.

    unknown  shape (pads,), True where nobody knows what became of the pad; its noticed_off_d must be infinity
    until_d  the day up to which such a pad would have stayed on at best (when it was due to come off)
    raises   ValueError for bad arguments
    """
    lower_d, upper_d = interval_censored(last_on_d, noticed_off_d)
    lost_sight = np.asarray(unknown, dtype=np.bool_)
    if lost_sight.shape != lower_d.shape:
        raise ValueError(f"{lost_sight.size} marks for {lower_d.size} pads: give one for each pad")
    if np.any(np.isfinite(upper_d[lost_sight])):
        raise ValueError("a pad noticed off is marked unknown: it is one or the other, check its record")
    if not 0.0 < until_d < np.inf:
        raise ValueError(f"a best case up to day {until_d} cannot be: give the day pads are due to come off")
    return FateBounds(
        turnbull(lower_d, np.where(lost_sight, lower_d, upper_d)),
        turnbull(lower_d, upper_d),
        turnbull(np.where(lost_sight, np.maximum(lower_d, until_d), lower_d), upper_d),
        int(np.count_nonzero(lost_sight)),
        float(until_d),
    )
