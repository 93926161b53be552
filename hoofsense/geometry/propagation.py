"""The law of propagation of uncertainty for independent inputs, by central differences.

source  JCGM 100:2008 (GUM) 5.1.2 eq. (10) and the note to 5.1.3 (numerical sensitivities);
        several outputs at once as in JCGM 102:2011 6.2
"""

from __future__ import annotations

import math
from collections.abc import Callable, Sequence
from dataclasses import dataclass

import numpy as np
from numpy.typing import NDArray

COVERAGE_RATIO = 0.90  # probability held by every interval of this program; see records.Estimate
COVERAGE_FACTOR = 1.6448536269514722  # 95 % point of the standard normal: two-sided 90 %


@dataclass(frozen=True, slots=True)
class Input:
    """One input quantity: its name in the practitioner's words, its value and standard uncertainty."""

    name: str
    value: float
    standard_uncertainty: float

    def __post_init__(self) -> None:
        if not (math.isfinite(self.value) and math.isfinite(self.standard_uncertainty)):
            raise ValueError(
                f"{self.name} {self.value} +/- {self.standard_uncertainty} is not a number: measure it again"
            )
        if self.standard_uncertainty < 0.0:
            raise ValueError(
                f"{self.name}: standard uncertainty {self.standard_uncertainty} must be 0 or more"
            )


@dataclass(frozen=True, slots=True)
class Contribution:
    """What one input adds to the standard uncertainty of one output: |dy/dx| u(x), in the output's unit."""

    name: str
    standard_uncertainty: float


@dataclass(frozen=True, slots=True)
class Propagated:
    """One output with its combined standard uncertainty and the inputs' shares, largest first."""

    value: float
    standard_uncertainty: float
    contributions: tuple[Contribution, ...]


def propagated(
    outputs: Callable[[NDArray[np.float64]], Sequence[float]], inputs: Sequence[Input]
) -> tuple[Propagated, ...]:
    """Every output with its combined standard uncertainty.

    outputs  function of the input values, shape (inputs,), giving a fixed number of floats
    inputs   independent inputs; one with standard uncertainty 0 costs no evaluation
    returns  one Propagated for each output, in order
    raises   ValueError when an output is not finite
    accuracy exact for linear functions; each sensitivity is the secant over +/- one standard uncertainty
             (GUM 5.1.3 note 2), so a gentle bend costs a term of third order
    """
    centre = np.array([each.value for each in inputs], dtype=np.float64)
    values = _finite(outputs(centre))
    effects = np.zeros((len(inputs), values.size))
    for number, each in enumerate(inputs):
        if each.standard_uncertainty > 0.0:
            step = np.zeros_like(centre)
            step[number] = each.standard_uncertainty
            effects[number] = (_finite(outputs(centre + step)) - _finite(outputs(centre - step))) / 2.0
    combined = np.sqrt(np.sum(effects**2, axis=0))
    return tuple(
        Propagated(
            float(values[k]),
            float(combined[k]),
            tuple(
                sorted(
                    (Contribution(each.name, abs(float(effects[i, k]))) for i, each in enumerate(inputs)),
                    key=lambda share: -share.standard_uncertainty,
                )
            ),
        )
        for k in range(values.size)
    )


def _finite(outputs: Sequence[float]) -> NDArray[np.float64]:
    values = np.asarray(outputs, dtype=np.float64)
    if not np.all(np.isfinite(values)):
        raise ValueError(
            "a propagated quantity is not a finite number: check the inputs and their uncertainties"
        )
    return values
