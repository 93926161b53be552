"""What chance alone would do: the same search on data whose exposures were dealt to other horses.

However a difference was found (the best of many cut-points, the strongest of many drivers), its statistic is
compared with those of permuted data searched in the same way. Whole horses are permuted, so that pads of one
horse keep their exposures together and their fates together: only the tie between the two is cut.

Horses are laid end to end in an order left to chance, each with its exposures in their own order; what then
lies at a pad's place is dealt to it. This is exact when every horse has as many pads. When not, runs of
exposures are dealt across horses' borders, and the reference is close rather than exact.

source  Good, Permutation Tests, 2nd ed., 2000, on blocks (from memory); p value with the observed one counted
        in: Phipson and Smyth, Stat. Appl. Genet. Mol. Biol. 9 (2010) 39
"""

from __future__ import annotations

from collections.abc import Callable
from dataclasses import dataclass

import numpy as np
import numpy.typing as npt
from scipy import special

from hoofsense.survival.censored_times import (
    DEFAULT_CONFIDENCE_RATIO,
    FloatArray,
    IndexArray,
    NotEstimable,
    numbered,
    read_only,
)
from hoofsense.survival.chance import Chance, shuffled

USUAL_PERMUTATIONS = 999
ROUNDING = 1e-12  # sums in another order may differ by this share
FEWEST_HORSES = 6  # 6! = 720 orders: fewer horses cannot give a p value below about 0.01


@dataclass(frozen=True, slots=True)
class PermutationReference:
    """An observed statistic among those of permuted data.

    p_value    (1 + as_great) / (1 + permutations)
    low, high  95 % Monte Carlo interval of the p value that all permutations would give (Clopper-Pearson)
    permuted   the statistics of the permuted data, in the order drawn
    """

    observed: float
    as_great: int
    permutations: int
    p_value: float
    low: float
    high: float
    permuted: FloatArray


def permutation_reference(
    statistic: Callable[[IndexArray], float],
    horse: npt.ArrayLike,
    chance: Chance,
    *,
    strata: npt.ArrayLike | None = None,
    permutations: int = USUAL_PERMUTATIONS,
) -> PermutationReference:
    """The p value of a statistic, great values being the remarkable ones, when whole horses are permuted.

    statistic     gets row numbers, shape (pads,): pad i is to be given the exposures of pad rows[i]; it must
                  do the whole search again and return its statistic
    horse         shape (pads,), labels
    chance        a numpy Generator the caller has seeded
    strata        labels, the same for all pads of a horse (say, its practice): horses only trade within one
    raises        NotEstimable for fewer than FEWEST_HORSES horses; ValueError for bad arguments
    """
    given = np.asarray(horse)
    horses, which = numbered(given, given.size, "horse")
    if horses < FEWEST_HORSES:
        raise NotEstimable(
            f"{horses} horses are too few to permute, {FEWEST_HORSES} is the least: gather more horses"
        )
    if permutations < 1:
        raise ValueError(f"{permutations} permutations are none: use {USUAL_PERMUTATIONS}")
    blocks = _blocks(which, horses, strata)
    observed = float(statistic(np.arange(given.size, dtype=np.intp)))
    permuted = np.empty(permutations)
    for number in range(permutations):
        permuted[number] = statistic(_dealt(blocks, given.size, chance))
    # Sums in another order round otherwise: as great means as great within that.
    slack = ROUNDING * max(abs(observed), 1.0)
    as_great = int(np.count_nonzero(permuted >= observed - slack))
    outside = 0.5 * (1.0 - DEFAULT_CONFIDENCE_RATIO)
    low = special.betaincinv(as_great, permutations - as_great + 1, outside) if as_great else 0.0
    missed = permutations - as_great
    high = special.betaincinv(as_great + 1, missed, 1.0 - outside) if missed else 1.0
    return PermutationReference(
        observed,
        as_great,
        permutations,
        (1.0 + as_great) / (1.0 + permutations),
        float(low),
        float(high),
        read_only(permuted),
    )


def _blocks(which: IndexArray, horses: int, strata: npt.ArrayLike | None) -> list[_Block]:
    """The horses of each stratum, each with its rows."""
    order = np.argsort(which, kind="stable").astype(np.intp)
    rows = np.split(order, np.searchsorted(which[order], np.arange(1, horses)))
    if strata is None:
        return [_block(rows)]
    count, stratum = numbered(strata, which.size, "strata")
    by_stratum: list[list[IndexArray]] = [[] for _ in range(count)]
    for own in rows:
        if np.any(stratum[own] != stratum[own[0]]):
            raise ValueError("a horse has pads in two strata: it cannot be permuted within one")
        by_stratum[int(stratum[own[0]])].append(own)
    return [_block(rows) for rows in by_stratum]


@dataclass(frozen=True, slots=True)
class _Block:
    """Rows of the horses of one stratum end to end, and where each horse starts and how many rows it has."""

    rows: IndexArray
    start: IndexArray
    length: IndexArray


def _block(rows: list[IndexArray]) -> _Block:
    length = np.array([own.size for own in rows], dtype=np.intp)
    return _Block(np.concatenate(rows), np.cumsum(length) - length, length)


def _dealt(blocks: list[_Block], pads: int, chance: Chance) -> IndexArray:
    dealt = np.empty(pads, dtype=np.intp)
    for block in blocks:
        order = shuffled(chance, block.length.size)
        length = block.length[order]
        shift = block.start[order] - (np.cumsum(length) - length)
        dealt[block.rows] = block.rows[np.repeat(shift, length) + np.arange(block.rows.size)]
    return dealt
