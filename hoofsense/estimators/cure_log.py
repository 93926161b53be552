"""What practitioners wrote down of past pours: touches, and what had been said before them.

A touch never says when a pad reached a degree of cure, only that it had not yet and later that it had: the
time is interval-censored, and either end may be open.
"""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import dataclass
from math import sqrt

from hoofsense.estimators.cure_ensemble import LOCATIONS, AirPoint
from hoofsense.estimators.cure_evidence import Times
from hoofsense.estimators.cure_smoother import Touch
from hoofsense.records import PourConditions

# Degrees a second mark may be about: it no longer runs (anywhere in the pad), or it bears weight (a thumbnail
# leaves no dent where it was touched).
SECOND_DEGREES = ("work", "load")


def _checked_interval(before_s: float | None, reached_s: float | None, before: str, reached: str) -> None:
    """Refuses an interval that no two touches can give."""
    if any(value is not None and not value > 0.0 for value in (before_s, reached_s)):
        raise ValueError(f"touches {before_s} and {reached_s} s must come after the pour: correct the log")
    if before_s is not None and reached_s is not None and not before_s < reached_s:
        raise ValueError(f"{before} at {before_s:.0f} s but {reached} at {reached_s:.0f} s: correct the log")


@dataclass(frozen=True, slots=True)
class SecondMark:
    """Another degree of cure of a pour that was felt: one of SECOND_DEGREES.

    not_yet_s, reached_s  last time it was not, first time it was reached, s after the pour; None: nobody felt
    """

    degree: str
    not_yet_s: float | None
    reached_s: float | None

    def __post_init__(self) -> None:
        if self.degree not in SECOND_DEGREES:
            raise ValueError(f"degree {self.degree!r} is not one of {', '.join(SECOND_DEGREES)}")
        if self.not_yet_s is None and self.reached_s is None:
            raise ValueError(
                f"a mark of the degree {self.degree} without any time says nothing: leave it out"
            )
        _checked_interval(self.not_yet_s, self.reached_s, "not yet reached", "reached")


@dataclass(frozen=True, slots=True)
class LoggedPour:
    """One pour that was checked by touch.

    soft_until_s, firm_from_s  last soft and first firm touch, s after the pour; None where there was none
    place                      what was touched, one of LOCATIONS
    predicted                  not before, likely, safe by, as said before the touches; None: nothing was
    seconds                    marks of further degrees, which tell the curve's shape
    name                       what to call it in a list, e.g. a date
    """

    pour: PourConditions
    air: tuple[AirPoint, ...]
    soft_until_s: float | None
    firm_from_s: float | None
    place: str = "rim"
    predicted: Times | None = None
    seconds: tuple[SecondMark, ...] = ()
    name: str = ""

    def __post_init__(self) -> None:
        if self.soft_until_s is None and self.firm_from_s is None:
            raise ValueError("a logged pour without any touch says nothing: leave it out")
        _checked_interval(self.soft_until_s, self.firm_from_s, "still soft", "firm")
        if not self.air:
            raise ValueError("a logged pour needs its air temperature: leave it out")
        if self.place not in LOCATIONS:
            raise ValueError(f"place {self.place!r} is not one of {', '.join(LOCATIONS)}")

    @property
    def covered(self) -> bool | None:
        """Whether the interval said beforehand held the firm time; None where the touches cannot tell.

        Between a last soft and a first firm touch the firm time is taken to be their geometric mean.
        """
        if self.predicted is None:
            return None
        low_s, _, high_s = self.predicted
        soft, firm = self.soft_until_s, self.firm_from_s
        if (soft is not None and soft >= high_s) or (firm is not None and firm <= low_s):
            return False
        if soft is None or firm is None:
            return None
        return low_s <= sqrt(soft * firm) <= high_s


def touch_interval(touches: Sequence[Touch]) -> tuple[float | None, float | None]:
    """The last soft touch, and the first firm one after it, s after the pour; None where there is none."""
    last_soft_s = max((touch.after_s for touch in touches if not touch.firm), default=None)
    firm = [t.after_s for t in touches if t.firm and (last_soft_s is None or t.after_s > last_soft_s)]
    return last_soft_s, min(firm, default=None)


def logged_pour(
    pour: PourConditions,
    air: tuple[AirPoint, ...],
    touches: Sequence[Touch],
    *,
    place: str = "rim",
    predicted: Times | None = None,
    seconds: Sequence[SecondMark] = (),
    name: str = "",
) -> LoggedPour:
    """A logged pour from all its touches.

    raises  ValueError without a touch
    """
    return LoggedPour(pour, air, *touch_interval(touches), place, predicted, tuple(seconds), name)
