"""Service lives as arrays: what is checked of them first, and the errors that say what is amiss."""

from __future__ import annotations

from typing import Any

import numpy as np
import numpy.typing as npt

FloatArray = npt.NDArray[np.float64]
IndexArray = npt.NDArray[np.intp]
BoolArray = npt.NDArray[np.bool_]

DEFAULT_CONFIDENCE_RATIO = 0.95  # of every interval in this folder unless the caller says otherwise


class NotEstimable(ValueError):  # noqa: N818 - a finding, not a fault
    """The data hold no answer to this question; the sentence says why and what to do."""


def read_only(values: npt.ArrayLike) -> FloatArray:
    """A float64 copy that cannot be written to."""
    array = np.array(values, dtype=np.float64)
    array.setflags(write=False)
    return array


def checked_confidence(confidence_ratio: float) -> float:
    """The confidence as given; ValueError unless it lies inside 0 to 1."""
    if not 0.0 < confidence_ratio < 1.0:
        raise ValueError(f"confidence {confidence_ratio} must lie between 0 and 1: use 0.95 for 95 %")
    return float(confidence_ratio)


def _days(values: npt.ArrayLike, called: str) -> FloatArray:
    days = np.asarray(values, dtype=np.float64)
    if days.ndim != 1:
        raise ValueError(f"{called} has shape {days.shape}: give one number for each pad")
    if days.size == 0:
        raise ValueError("there are no pads: at least one service life is needed")
    return days


def right_censored(followed_d: npt.ArrayLike, lost: npt.ArrayLike) -> tuple[FloatArray, BoolArray]:
    """Checked follow-up in days and whether each pad was lost at its end.

    followed_d  shape (pads,), finite, 0 or more
    lost        shape (pads,), True or 1 when lost then, False or 0 when still on (censored)
    raises      ValueError for no pads, unequal lengths, negative or not finite days, anything but yes and no
    """
    days = _days(followed_d, "followed_d")
    if not np.all(np.isfinite(days)) or np.any(days < 0.0):
        worst = days[~(np.isfinite(days) & (days >= 0.0))][0]
        raise ValueError(f"a pad followed for {worst} days cannot be: check the dates of pour and last sight")
    said = np.asarray(lost)
    if said.shape != days.shape:
        raise ValueError(f"{said.size} fates for {days.size} pads: give one for each pad")
    if said.dtype != np.bool_ and not np.all((said == 0) | (said == 1)):
        raise ValueError("lost must be yes or no for each pad: code other fates before asking")
    return days, said.astype(np.bool_)


def interval_censored(
    last_on_d: npt.ArrayLike, noticed_off_d: npt.ArrayLike
) -> tuple[FloatArray, FloatArray]:
    """Checked bounds of each service life: lost in (last_on_d, noticed_off_d].

    last_on_d      shape (pads,), finite, 0 or more: the last day it was seen on
    noticed_off_d  shape (pads,), not before last_on_d; infinity when never noticed off (right-censored);
                   equal to last_on_d when the very moment of loss is known
    raises         ValueError for no pads, unequal lengths, bounds in the wrong order, NaN or negative days
    """
    lower, upper = _days(last_on_d, "last_on_d"), _days(noticed_off_d, "noticed_off_d")
    if lower.shape != upper.shape:
        raise ValueError(
            f"{lower.size} days last on for {upper.size} days noticed off: give both for each pad"
        )
    if not np.all(np.isfinite(lower)) or np.any(lower < 0.0):
        worst = lower[~(np.isfinite(lower) & (lower >= 0.0))][0]
        raise ValueError(
            f"a pad last seen on at day {worst} cannot be: check the dates of pour and last sight"
        )
    in_order = upper >= lower  # False for NaN too
    if not np.all(in_order):
        first = int(np.argmin(in_order))
        raise ValueError(
            f"a pad last seen on at day {lower[first]} was noticed off at day {upper[first]}, before that: "
            "check its dates"
        )
    return lower, upper


def grouped(labels: npt.ArrayLike, pads: int, called: str) -> tuple[tuple[str, ...], IndexArray]:
    """The distinct labels in sorted order, as text, and each pad's number among them.

    raises ValueError when there is not one label for each pad
    """
    levels, index = np.unique(_labels(labels, pads, called), return_inverse=True)
    return tuple(str(level) for level in levels.tolist()), index.astype(np.intp)


def numbered(labels: npt.ArrayLike, pads: int, called: str) -> tuple[int, IndexArray]:
    """How many distinct labels there are, and each pad's number among them; errors as for grouped."""
    levels, index = np.unique(_labels(labels, pads, called), return_inverse=True)
    return int(levels.size), index.astype(np.intp)


def _labels(labels: npt.ArrayLike, pads: int, called: str) -> npt.NDArray[Any]:
    given = np.asarray(labels)
    if given.shape != (pads,):
        raise ValueError(f"{called} has shape {given.shape} for {pads} pads: give one label for each pad")
    return given


def covariate_matrix(covariates: npt.ArrayLike, pads: int, names: tuple[str, ...]) -> FloatArray:
    """Covariates as a float64 matrix of shape (pads, names); ValueError when shape or a value is amiss."""
    matrix = np.asarray(covariates, dtype=np.float64)
    if matrix.ndim == 1 and len(names) == 1:
        matrix = matrix[:, None]
    if matrix.shape != (pads, len(names)):
        raise ValueError(
            f"covariates have shape {matrix.shape} for {pads} pads and {len(names)} names: "
            "give one row for each pad and one column for each name"
        )
    finite = np.all(np.isfinite(matrix), axis=0)
    if not np.all(finite):
        raise ValueError(
            f"{names[int(np.argmin(finite))]} has a missing value: leave out or fill in those pads"
        )
    return matrix
