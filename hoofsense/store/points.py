"""Points of a trace and the 10 s bins they are rolled up into, so that hours draw from few rows."""

from __future__ import annotations

import math
from collections.abc import Iterable
from dataclasses import dataclass

from hoofsense.records import NS_PER_S

BIN_S = 10  # our choice: 4 h at 8 readings/s draw from 1440 bins a series instead of 115 200 rows
BIN_NS = BIN_S * NS_PER_S


@dataclass(frozen=True, slots=True)
class Point:
    """One value of a named series; the series' name carries its unit, e.g. "LF surface_K"."""

    series: str
    at_ns: int
    value: float

    def __post_init__(self) -> None:
        if not self.series:
            raise ValueError("a point needs the name of its series")
        if not math.isfinite(self.value):
            raise ValueError(f"series {self.series!r}: {self.value} is not a number that can be drawn")


@dataclass(frozen=True, slots=True)
class TraceBin:
    """Lowest, highest and mean value of the n points from t0_ns on, until 10 s later (exclusive)."""

    t0_ns: int
    lo: float
    hi: float
    mean: float
    n: int


@dataclass(slots=True)
class BinSum:
    """Running lo, hi, sum and n of one bin."""

    lo: float
    hi: float
    sum: float
    n: int


def bin_sums(points: Iterable[Point]) -> dict[tuple[str, int], BinSum]:
    """(series, t0_ns) -> sums of the points that fall into that bin, in their order."""
    sums: dict[tuple[str, int], BinSum] = {}
    for point in points:
        key = (point.series, point.at_ns // BIN_NS * BIN_NS)
        value = float(point.value)
        held = sums.get(key)
        if held is None:
            sums[key] = BinSum(value, value, value, 1)
        else:
            held.lo = min(held.lo, value)
            held.hi = max(held.hi, value)
            held.sum += value
            held.n += 1
    return sums
