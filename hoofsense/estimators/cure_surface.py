"""Infrared readings of one curing pad in a bounded list of bins, and the equivalent age they allow.

A bin holds the mean of what was read in its span. When the list is full, neighbours are merged and the span
doubles, so an hour of readings ten times a second takes no more room than a minute.
"""

from __future__ import annotations

from dataclasses import dataclass, replace

import numpy as np

from hoofsense.estimators.cure_ensemble import CureForecast, FloatArray
from hoofsense.physics.equivalent_age import age_factor
from hoofsense.records import MaterialProfile

SURFACE_VALID_K = (233.15, 393.15)  # a pad in frost to a pad being warmed; else the reading is not of a pad
BIN_s = 20.0
BINS_MOST = 64
# Readings in one bin come from one instrument at one aim: their error does not average out beyond this many.
_INDEPENDENT_MOST = 4
# A reading speaks for the surface this long before and after; a pad's surface moves about 1 K in that time.
_HOLD_s = 120.0


@dataclass(frozen=True, slots=True)
class SurfaceBin:
    slot: int
    count: int
    mean_s: float
    mean_K: float
    u_K: float


@dataclass(frozen=True, slots=True)
class SurfaceBins:
    """Bins in time order; refused counts readings no pad can have given."""

    bins: tuple[SurfaceBin, ...] = ()
    width_s: float = BIN_s
    refused: int = 0

    def closed(self, after_s: float) -> SurfaceBins:
        """Without the bin still being filled: evidence then changes once a bin, not once a reading."""
        if self.bins and after_s < (self.bins[-1].slot + 1) * self.width_s:
            return replace(self, bins=self.bins[:-1])
        return self

    def arrays(self) -> tuple[FloatArray, FloatArray, FloatArray]:
        """Times (s after the pour), temperatures and their standard uncertainties, each of shape (B,)."""
        table = np.array([(b.mean_s, b.mean_K, b.u_K / _independent(b.count)) for b in self.bins])
        table = table.reshape(len(self.bins), 3)
        return table[:, 0], table[:, 1], table[:, 2]


def _independent(count: int) -> float:
    return float(np.sqrt(min(count, _INDEPENDENT_MOST)))


def bins_with(bins: SurfaceBins, after_s: float, surface_K: float, u_K: float) -> SurfaceBins:
    """The bins with one more reading; one that is older than the last bin changes nothing."""
    if not SURFACE_VALID_K[0] <= surface_K <= SURFACE_VALID_K[1]:
        return replace(bins, refused=bins.refused + 1)
    slot = int(after_s // bins.width_s)
    new = SurfaceBin(slot, 1, after_s, surface_K, u_K)
    if not bins.bins:
        return replace(bins, bins=(new,))
    last = bins.bins[-1]
    if slot < last.slot:
        return bins
    if slot == last.slot:
        return replace(bins, bins=(*bins.bins[:-1], _merged(last, new, slot)))
    longer = (*bins.bins, new)
    if len(longer) <= BINS_MOST:
        return replace(bins, bins=longer)
    wider: list[SurfaceBin] = []
    for one in longer:
        half = one.slot // 2
        if wider and wider[-1].slot == half:
            wider[-1] = _merged(wider[-1], one, half)
        else:
            wider.append(replace(one, slot=half))
    return SurfaceBins(tuple(wider), 2.0 * bins.width_s, bins.refused)


def _merged(first: SurfaceBin, second: SurfaceBin, slot: int) -> SurfaceBin:
    count = first.count + second.count
    share = second.count / count
    return SurfaceBin(
        slot,
        count,
        first.mean_s + share * (second.mean_s - first.mean_s),
        first.mean_K + share * (second.mean_K - first.mean_K),
        first.u_K + share * (second.u_K - first.u_K),
    )


def predicted_K(members: CureForecast, times_s: FloatArray) -> FloatArray:
    """What every member expects an infrared thermometer to read, shape (B, M); held after the run's end."""
    right = np.clip(np.searchsorted(members.time_s, times_s), 1, members.time_s.size - 1)
    left = right - 1
    span_s = members.time_s[right] - members.time_s[left]
    share = np.clip((times_s - members.time_s[left]) / span_s, 0.0, 1.0)[:, None]
    low = members.surface_K[left].astype(np.float64)
    return np.asarray(low + share * (members.surface_K[right] - low))


def surface_aged_s(
    members: CureForecast,
    profile: MaterialProfile,
    needed_s: float,
    times_s: FloatArray,
    values_K: FloatArray,
    generous_K: float,
) -> float:
    """When, at the earliest, the surface has the equivalent age it needs, s after the pour.

    Generous on purpose, for this sign is only a necessary one: a reading counts generous_K warmer than it
    was, and where nothing was read the surface is as warm as the warmest members make it.
    """
    warmest = members.warmest_surface_K
    if times_s.size:
        read = np.interp(members.time_s, times_s, values_K) + generous_K
        nearest = np.min(np.abs(members.time_s[:, None] - times_s[None, :]), axis=1)
        warmest = np.where(nearest <= _HOLD_s, read, warmest)
    factor = age_factor(warmest, profile.activation_energy_J_per_mol, profile.reference_air_K)
    steps_s = np.diff(members.time_s)
    age_s = np.concatenate([[0.0], np.cumsum(0.5 * (factor[1:] + factor[:-1]) * steps_s)])
    if age_s[-1] < needed_s:
        return float(members.time_s[-1] + (needed_s - age_s[-1]) / factor[-1])
    return float(np.interp(needed_s, age_s, members.time_s))
