"""Benjamini-Hochberg: when many drivers are looked at, keep the share of false alarms among them low.

source  Benjamini and Hochberg, JRSS B 57 (1995) 289
"""

from __future__ import annotations

import numpy as np
import numpy.typing as npt

from hoofsense.survival.censored_times import FloatArray


def adjusted_p_values(p_values: npt.ArrayLike) -> FloatArray:
    """p values to be compared with the accepted share of false alarms, in the order given.

    p_values  shape (drivers,), each 0 to 1; give every driver looked at, also those that showed nothing
    returns   shape (drivers,), each at least its p value and at most 1
    raises    ValueError outside 0 to 1 or for another shape
    """
    given = np.asarray(p_values, dtype=np.float64)
    if given.ndim != 1:
        raise ValueError(f"p values have shape {given.shape}: give one for each driver looked at")
    if not np.all((given >= 0.0) & (given <= 1.0)):
        raise ValueError("a p value must lie from 0 to 1: leave out drivers that could not be tested")
    order = np.argsort(given)
    scaled = given[order] * given.size / np.arange(1, given.size + 1)
    adjusted = np.empty_like(given)
    adjusted[order] = np.minimum(np.minimum.accumulate(scaled[::-1])[::-1], 1.0)
    return adjusted
