"""What this folder asks of a source of chance. A numpy Generator has it all; the caller seeds it."""

from __future__ import annotations

from typing import Any, Protocol

import numpy as np

from hoofsense.survival.censored_times import FloatArray, IndexArray


class Chance(Protocol):
    """The draws used here; numpy's Generator fits."""

    def permutation(self, x: int, /) -> Any: ...

    def multinomial(self, n: int, pvals: Any, /) -> Any: ...


def shuffled(chance: Chance, count: int) -> IndexArray:
    """The numbers 0 to count - 1 in an order left to chance."""
    return np.asarray(chance.permutation(count), dtype=np.intp)


def drawn_again(chance: Chance, count: int) -> FloatArray:
    """How often each of count units is drawn when count are drawn with replacement, shape (count,)."""
    return np.asarray(chance.multinomial(count, np.full(count, 1.0 / count)), dtype=np.float64)
