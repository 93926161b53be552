"""Repeated readings of one length: their mean and what their scatter says about it.

source  JCGM 100:2008 (GUM) 4.2.1 to 4.2.4 (type A), 4.3.7 and F.2.2.1 (resolution), Iglewicz and Hoaglin 1993
        (modified z-score; from memory)
"""

from __future__ import annotations

import math
from collections.abc import Sequence
from dataclasses import dataclass
from statistics import median

MODIFIED_Z_SCALE = 0.6745  # 75 % point of the standard normal, so that the median deviation stands for sigma
MODIFIED_Z_LIMIT = 3.5  # Iglewicz and Hoaglin 1993, from memory
LEAST_HISTORY = 3  # earlier values a median deviation needs to mean anything (our choice)


@dataclass(frozen=True, slots=True)
class Repeated:
    """Type A evaluation of n readings of one quantity, in their unit.

    repeatability         experimental standard deviation s(q) of one reading; None for a single reading
    standard_uncertainty  of the mean, s(q)/sqrt(n); None for a single reading, which has none
    degrees_of_freedom    n - 1
    """

    mean: float
    repeatability: float | None
    standard_uncertainty: float | None
    degrees_of_freedom: int


def repeated(values: Sequence[float]) -> Repeated:
    """Mean, repeatability and type A standard uncertainty of 1 or more readings (GUM eqs 3, 4 and 5)."""
    count = len(values)
    if count == 0:
        raise ValueError("no reading to take the mean of: read at least once")
    mean = math.fsum(values) / count
    if count == 1:
        return Repeated(mean, None, None, 0)
    scatter = math.sqrt(math.fsum((value - mean) ** 2 for value in values) / (count - 1))
    return Repeated(mean, scatter, scatter / math.sqrt(count), count - 1)


def pooled_repeatability(groups: Sequence[Sequence[float]]) -> tuple[float, int]:
    """Standard deviation of one reading pooled over several sites, and its degrees of freedom (GUM 4.2.4).

    groups   readings site by site; single readings add nothing
    raises   ValueError when no site was read twice
    """
    squares, freedom = 0.0, 0
    for values in groups:
        if len(values) > 1:
            mean = math.fsum(values) / len(values)
            squares += math.fsum((value - mean) ** 2 for value in values)
            freedom += len(values) - 1
    if freedom == 0:
        raise ValueError("no site was read twice, so nothing is known of the repeatability: repeat one")
    return math.sqrt(squares / freedom), freedom


def resolution_uncertainty(least_count: float) -> float:
    """Standard uncertainty of a display that steps by least_count: half a step over sqrt 3 (GUM F.2.2.1)."""
    if not least_count >= 0.0:
        raise ValueError(f"least count {least_count} must be 0 or more")
    return least_count / math.sqrt(12.0)


def is_outlying(value: float, history: Sequence[float], least_deviation: float) -> bool:
    """Whether value stands out from earlier ones by the modified z-score.

    history          earlier values; fewer than 3 say nothing and nothing stands out
    least_deviation  floor for the median absolute deviation, so that a run of equal values does not make
                     every ordinary change stand out
    source           Iglewicz and Hoaglin 1993: |0.6745 (x - median) / MAD| > 3.5 (from memory); floor our own
    """
    if len(history) < LEAST_HISTORY:
        return False
    middle = median(history)
    deviation = max(median(abs(each - middle) for each in history), least_deviation)
    return MODIFIED_Z_SCALE * abs(value - middle) / deviation > MODIFIED_Z_LIMIT
