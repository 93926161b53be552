"""How long pads stay on: curves, comparisons and regressions on censored service lives; numpy and scipy only.

Words used by every module here. A pad is one poured pad; its service life runs from the pour to its loss. A
pad noticed gone was lost somewhere in (last seen on, noticed off]. A pad still on when it was last seen, or
taken off at the trim, is right-censored there. Times are days since the pour, float64, 0 or more; any other
unit serves as well, if it is one unit throughout, and the answers are then in that unit. Pads of one horse
are not independent: where a function takes `horse`, its standard errors hold for horses as the independent
units.

No function reads a clock or a file or makes its own randomness; where chance is needed a numpy Generator is
an argument. Every answer is frozen, its arrays read-only. A question the data cannot answer raises
NotEstimable with its reason; bad arguments raise ValueError.
"""
