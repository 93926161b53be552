"""Which questions so many losses on so many horses can answer, and the sentence that says so.

| losses            | what may be shown                                                        |
|-------------------|--------------------------------------------------------------------------|
| below 10          | counts and the curve: not enough yet                                     |
| 10 and more       | also mean days on to a fixed day, and one comparison stated beforehand   |
| 10 per parameter  | a regression; its intercept and shape are parameters, so 30 at least     |
| and on 40 horses  | a regression with a term for each horse                                  |

source  losses per parameter: Peduzzi et al., J. Clin. Epidemiol. 48 (1995) 1503 (from memory); the other
        limits are common practice, no source
"""

from __future__ import annotations

from dataclasses import dataclass
from enum import Enum

FEWEST_LOSSES_TO_COMPARE = 10
LOSSES_PER_PARAMETER = 10
PARAMETERS_BESIDE_DRIVERS = 2  # the intercept and the shape
FEWEST_HORSES_TO_COMPARE = 6  # below this whole horses cannot be permuted to any purpose
FEWEST_HORSES_BEYOND_PARAMETERS = 10  # standard errors by horse are untrustworthy with fewer
FEWEST_HORSES_FOR_FRAILTY = 40


class Method(Enum):
    """What an audit may want to show, from the plainest to the most demanding."""

    CURVE = "counts and the curve"
    MEAN = "mean days on up to a fixed day"
    COMPARISON = "one comparison stated beforehand"
    REGRESSION = "regression on several drivers"
    FRAILTY = "regression with a term for each horse"


@dataclass(frozen=True, slots=True)
class Permission:
    """Whether a method may be used; the reason is one sentence with the numbers, either way."""

    method: Method
    granted: bool
    reason: str


def permission(method: Method, *, losses: int, horses: int, drivers: int = 1) -> Permission:
    """Whether so many losses on so many horses allow a method.

    losses   pads noticed off before they were due, 0 or more
    horses   horses with at least one pad in the data, 0 or more
    drivers  columns of the regression beside its intercept, 1 or more; not used for the plainer methods
    raises   ValueError for negative counts
    """
    if losses < 0 or horses < 0 or drivers < 1:
        raise ValueError(
            f"{losses} losses, {horses} horses and {drivers} drivers cannot be: count again, "
            "with one driver at least"
        )
    have = f"{_counted(losses, 'loss', 'losses')} on {_counted(horses, 'horse', 'horses')}"
    needed = _least_losses(method, drivers)
    if method is Method.CURVE:
        enough = "enough for the curve"
        if losses < FEWEST_LOSSES_TO_COMPARE:
            enough = (
                f"counts and the curve only, not enough yet to compare ({FEWEST_LOSSES_TO_COMPARE} needed)"
            )
        return Permission(method, True, f"{have}: {enough}")
    if losses < FEWEST_LOSSES_TO_COMPARE:
        reason = f"not enough yet for {_called(method, drivers)}, which needs {needed} losses"
    elif horses < FEWEST_HORSES_TO_COMPARE:
        reason = (
            f"too few horses for {_called(method, drivers)}, which needs {FEWEST_HORSES_TO_COMPARE} "
            "since pads of one horse go together"
        )
    elif losses < needed:
        most = most_drivers(losses)
        instead = f"ask for {most} at most" if most else "make one comparison stated beforehand"
        reason = f"not enough for {_called(method, drivers)}, which needs {needed} losses; {instead}"
    elif horses < _least_horses(method, drivers):
        reason = (
            f"too few horses for {_called(method, drivers)}, which needs {_least_horses(method, drivers)}; "
            + ("leave that term out" if method is Method.FRAILTY else "make one comparison stated beforehand")
        )
    else:
        return Permission(method, True, f"{have}: enough for {_called(method, drivers)}")
    return Permission(method, False, f"{have}: {reason}")


def most_drivers(losses: int) -> int:
    """How many drivers a regression on so many losses may have; 0 when none."""
    return max(0, losses // LOSSES_PER_PARAMETER - PARAMETERS_BESIDE_DRIVERS)


def _least_losses(method: Method, drivers: int) -> int:
    if method in (Method.REGRESSION, Method.FRAILTY):
        return LOSSES_PER_PARAMETER * (drivers + PARAMETERS_BESIDE_DRIVERS)
    return FEWEST_LOSSES_TO_COMPARE


def _least_horses(method: Method, drivers: int) -> int:
    if method not in (Method.REGRESSION, Method.FRAILTY):
        return FEWEST_HORSES_TO_COMPARE
    beyond = drivers + PARAMETERS_BESIDE_DRIVERS + FEWEST_HORSES_BEYOND_PARAMETERS
    return max(beyond, FEWEST_HORSES_FOR_FRAILTY) if method is Method.FRAILTY else beyond


def _called(method: Method, drivers: int) -> str:
    if method is Method.REGRESSION:
        return f"a regression on {_counted(drivers, 'driver', 'drivers')}"
    if method is Method.FRAILTY:
        return f"a regression on {_counted(drivers, 'driver', 'drivers')} with a term for each horse"
    return str(method.value)


def _counted(count: int, one: str, many: str) -> str:
    return f"{count} {one if count == 1 else many}"
