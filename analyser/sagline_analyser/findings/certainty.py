"""Words for degrees of certainty, chosen here for every answer.

A chance is what is believed after the ride has been looked at, how rare a thing is included.  An
interval "± e" is one that holds the truth in nine cases of ten; "at least" is what 19 of 20 reach.
"""

from enum import Enum

SURE = 0.95
"""Chance from which a thing is told as so: one such claim in twenty may be wrong."""

LIKELY, POSSIBLE = 0.8, 0.5

MOST = "19 of 20"
"""How many reach what is told as the least."""


class Certainty(Enum):
    """How sure a thing is; the value is the verb that says it of one thing."""

    SURE = "is"
    LIKELY = "is likely"
    POSSIBLE = "may be"
    OPEN = "cannot be told to be"


def certainty(chance: float) -> Certainty:
    """Return how sure a thing of that chance (0 to 1) is."""
    if chance > SURE:
        return Certainty.SURE
    if chance > LIKELY:
        return Certainty.LIKELY
    return Certainty.POSSIBLE if chance > POSSIBLE else Certainty.OPEN


def within(value: float, error: float, digits: int = 0) -> str:
    """Return a value with the half-width of its 90 % interval; the error is never 0."""
    least = 10.0**-digits
    return f"{value:.{digits}f} ± {max(error, least):.{digits}f}"
