"""Is the gun on? Guessed from the readings alone, for when nobody marks it.

A site that warms by some kelvin in a few seconds is being heated; one that falls back as fast is not. The
guess comes some seconds late. It is used only until the first mark, and the answer says that it was.
"""

from __future__ import annotations

from dataclasses import dataclass, replace

from hoofsense.records import NS_PER_S, Site

# Engineering choices from the studies: a hand-held gun warms even a wet sole by 2.5 K within 4 s.
WARMED_K, COOLED_K = 2.5, 2.0  # within one look at a site
WITHIN_S = 8.0
WARMED_BETWEEN_K, COOLED_BETWEEN_K = 4.0, 3.0  # between two looks at the same site
BETWEEN_S = 40.0


@dataclass(frozen=True, slots=True)
class GunGuess:
    """What is kept to guess the gun: extremes of the present look, and the last median of each site."""

    on: bool = False
    site: Site | None = None
    low_K: float = 0.0
    low_ns: int = 0
    high_K: float = 0.0
    high_ns: int = 0
    last: tuple[tuple[Site, int, float], ...] = ()


def gun_guessed(guess: GunGuess, at_ns: int, site: Site, median_K: float) -> GunGuess:
    """The guess after one median of neighbouring readings of a site, in order of time."""
    before = next((entry for entry in guess.last if entry[0] is site), None)
    last = (*(entry for entry in guess.last if entry[0] is not site), (site, at_ns, median_K))
    if site is guess.site:
        warmed = median_K - guess.low_K >= WARMED_K and at_ns - guess.low_ns <= WITHIN_S * NS_PER_S
        cooled = guess.high_K - median_K >= COOLED_K and at_ns - guess.high_ns <= WITHIN_S * NS_PER_S
    elif before is not None and at_ns - before[1] <= BETWEEN_S * NS_PER_S:
        warmed = median_K - before[2] >= WARMED_BETWEEN_K
        cooled = before[2] - median_K >= COOLED_BETWEEN_K
    else:
        warmed = cooled = False
    flipped = warmed if not guess.on else cooled
    if flipped or site is not guess.site:
        on = guess.on != flipped
        return GunGuess(on, site, median_K, at_ns, median_K, at_ns, last)
    low = guess.low_K if at_ns - guess.low_ns <= WITHIN_S * NS_PER_S else median_K
    high = guess.high_K if at_ns - guess.high_ns <= WITHIN_S * NS_PER_S else median_K
    return replace(
        guess,
        low_K=min(low, median_K),
        low_ns=guess.low_ns if low < median_K else at_ns,
        high_K=max(high, median_K),
        high_ns=guess.high_ns if high > median_K else at_ns,
        last=last,
    )
