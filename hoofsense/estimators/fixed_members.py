"""Normal numbers that are the same every time: the fixed members of an ensemble.

Every dimension is a permutation of as many equal strata as there are members: the ranks of a Weyl sequence,
the fractional parts of i * sqrt(prime). Its image under the normal quantile is then brought to exactly zero
mean and unit covariance, so that no two dimensions are correlated by accident. There is no generator and no
seed.

source: L. Kuipers and H. Niederreiter, Uniform Distribution of Sequences, 1974 (Weyl; from memory)
"""

from __future__ import annotations

from functools import lru_cache

import numpy as np
import numpy.typing as npt
from scipy.special import ndtri

FloatArray = npt.NDArray[np.float64]

# One prime for each dimension; the square roots of primes are independent over the rationals.
_PRIMES = (2, 3, 5, 7, 11, 13, 17, 19, 23, 29, 31, 37, 41, 43, 47, 53, 59, 61, 67, 71, 73, 79, 83, 89)
DIMENSIONS_MOST = len(_PRIMES)
FEWEST_MEMBERS = 64


@lru_cache(maxsize=16)
def fixed_normals(members: int, dimensions: int) -> FloatArray:
    """Read-only array of shape (members, dimensions); one member is the centre, all 0.

    members     1, or at least 64
    dimensions  1 to 24
    raises      ValueError for other numbers of members or dimensions
    """
    if not 1 <= dimensions <= DIMENSIONS_MOST:
        raise ValueError(f"{dimensions} dimensions are outside 1 to {DIMENSIONS_MOST}: extend the primes")
    if members == 1:
        centre = np.zeros((1, dimensions))
        centre.setflags(write=False)
        return centre
    if members < FEWEST_MEMBERS:
        raise ValueError(f"{members} members cannot be laid out: use 1, or at least {FEWEST_MEMBERS}")
    index = np.arange(1.0, members + 1.0)[:, None]
    weyl = np.mod(index * np.sqrt(np.array(_PRIMES[:dimensions], dtype=np.float64)), 1.0)
    strata = np.argsort(np.argsort(weyl, axis=0), axis=0)
    normals = ndtri((strata + 0.5) / members)
    values, vectors = np.linalg.eigh(normals.T @ normals / members)
    whitened: FloatArray = normals @ (vectors / np.sqrt(values)) @ vectors.T
    whitened.setflags(write=False)
    return whitened
