"""The smallest hazard ratio a comparison could be expected to find; it belongs beside "no difference found".

source  Schoenfeld, Biometrics 39 (1983) 499: losses needed = (z + z')^2 / (p (1 - p) ln(ratio)^2)
"""

from __future__ import annotations

import math

from scipy import special

USUAL_POWER_RATIO = 0.80
USUAL_SIGNIFICANCE_RATIO = 0.05  # two-sided


def detectable_hazard_ratio(
    losses: float,
    *,
    share_in_group: float = 0.5,
    power_ratio: float = USUAL_POWER_RATIO,
    significance_ratio: float = USUAL_SIGNIFICANCE_RATIO,
    design_effect: float = 1.0,
) -> float:
    """Hazard ratio, above 1, that so many losses find with this power; its inverse is found as well.

    losses          in both groups together, above 0
    share_in_group  share of pads in one of the two groups, inside 0 to 1
    power_ratio     above half the significance and below 1
    design_effect   how many times pads that go together by horse inflate the variance, 1 or more
    raises          ValueError for arguments outside these
    """
    if not losses > 0.0:
        raise ValueError(f"{losses} losses detect nothing: at least one is needed")
    for name, value in (("share", share_in_group), ("power", power_ratio), ("level", significance_ratio)):
        if not 0.0 < value < 1.0:
            raise ValueError(f"{name} {value} must lie between 0 and 1")
    if not design_effect >= 1.0:
        raise ValueError(f"a design effect of {design_effect} is below 1: use 1 for independent pads")
    reach = float(special.ndtri(1.0 - 0.5 * significance_ratio) + special.ndtri(power_ratio))
    if reach <= 0.0:
        raise ValueError(
            f"power {power_ratio} is below half the level {significance_ratio}: ask for more power"
        )
    return math.exp(reach * math.sqrt(design_effect / (losses * share_in_group * (1.0 - share_in_group))))


def losses_needed(
    hazard_ratio: float,
    *,
    share_in_group: float = 0.5,
    power_ratio: float = USUAL_POWER_RATIO,
    significance_ratio: float = USUAL_SIGNIFICANCE_RATIO,
    design_effect: float = 1.0,
) -> int:
    """Losses, in both groups together, that find this hazard ratio with this power, rounded up.

    hazard_ratio  above 0 and not 1
    raises        ValueError for arguments outside the ranges of detectable_hazard_ratio
    """
    if not hazard_ratio > 0.0 or hazard_ratio == 1.0:
        raise ValueError(f"a hazard ratio of {hazard_ratio} cannot be looked for: give one above 0, not 1")
    at_one_loss = detectable_hazard_ratio(
        1.0,
        share_in_group=share_in_group,
        power_ratio=power_ratio,
        significance_ratio=significance_ratio,
        design_effect=design_effect,
    )
    return math.ceil((math.log(at_one_loss) / math.log(hazard_ratio)) ** 2)
