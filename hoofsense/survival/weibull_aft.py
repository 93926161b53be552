"""Weibull regression for pads whose loss is only known to lie between two sightings.

Time ratios and hazard ratios at once: the Weibull is the one law with both. Taking the day a loss was noticed
for the day it happened pulls effects towards none; the interval likelihood used here does not.

source  Kalbfleisch and Prentice, The Statistical Analysis of Failure Time Data, 2nd ed., sections 2.3 and
        3.5; clustered sandwich with Student's t: Cameron and Miller, J. Human Resources 50 (2015) 317
        (from memory)
"""

from __future__ import annotations

import numpy.typing as npt

from hoofsense.survival.censored_likelihood import WEIBULL
from hoofsense.survival.censored_times import DEFAULT_CONFIDENCE_RATIO
from hoofsense.survival.interval_regression import LIGHT_RIDGE, AftFit, fit_interval_regression


def weibull_aft(
    last_on_d: npt.ArrayLike,
    noticed_off_d: npt.ArrayLike,
    covariates: npt.ArrayLike,
    drivers: tuple[str, ...],
    *,
    strata: npt.ArrayLike | None = None,
    horse: npt.ArrayLike | None = None,
    ridge: float = LIGHT_RIDGE,
    confidence_ratio: float = DEFAULT_CONFIDENCE_RATIO,
) -> AftFit:
    """Fit ln T = intercept + drivers . beta + W / rho, W the logarithm of a standard exponential life.

    last_on_d, noticed_off_d  shape (pads,), lost in (last_on_d, noticed_off_d]; infinity for never noticed
                              off,
                              equal for a moment that is known (not 0)
    covariates                shape (pads, drivers), finite; drivers may be none, for a plain curve
    strata                    labels (say, practices), each with an intercept of its own and one shape for all
    horse                     labels; when given, standard errors by horse and Student's t of horses less all
                              parameters (intercepts, drivers and shape)
    ridge                     0 for maximum likelihood; otherwise the weight of half the squared log hazard
                              ratio
                              of one standard deviation of each driver
    raises                    NotEstimable when nothing was lost, the losses do not tell a driver or the
                              shape, or
                              horses are too few; ValueError for bad arguments
    """
    return fit_interval_regression(
        WEIBULL,
        last_on_d,
        noticed_off_d,
        covariates,
        drivers,
        strata=strata,
        horse=horse,
        ridge=ridge,
        confidence_ratio=confidence_ratio,
    )
