"""Words for how sure something is: chosen here, so that one word means one thing in every answer.

A candidate cause gets a word of rank (:class:`Likelihood`): its evidence is weighed by points,
which are no probability, so "very likely" is no word of ours.  A claim about a part
(:class:`Certainty`) rests on a chance.

A chance is what is believed after the ride has been looked at, how rare a thing is included.  An
interval "± e" is one that holds the truth in nine cases of ten; "at least" is what 19 of 20 reach.
"""

from enum import Enum, StrEnum


class Likelihood(StrEnum):
    """How likely one explanation is, in one word."""

    LIKELY = "likely"
    POSSIBLE = "possible"
    UNLIKELY = "unlikely"
    UNJUDGED = "cannot be judged"


TOLD = (Likelihood.LIKELY, Likelihood.POSSIBLE)
"""Words of what is worth telling as a candidate."""

CANNOT_TELL = "cannot tell"
"""Where the ride does not say."""

NOT_SHOWN = "may not have been in force"
"""Of a stated setting that the ride speaks against: sensors may be off as well."""


def cannot_tell(reason: str) -> str:
    """Return the verdict of an answer that has none, and why."""
    return f"{CANNOT_TELL.capitalize()}: {reason.removesuffix('.')}."


SURE = 0.95
"""Chance from which a thing is told as so: one such claim in twenty may be wrong."""

_CLAIM, _HINT = 0.8, 0.5

MOST = "19 of 20"
"""How many reach what is told as the least."""


class Certainty(Enum):
    """How sure a claim about one thing is; the value is the verb that says it."""

    SURE = "is"
    LIKELY = "is likely"
    POSSIBLE = "may be"
    OPEN = "cannot be told to be"


def certainty(chance: float) -> Certainty:
    """Return how sure a claim of that chance (0 to 1) is."""
    if chance > SURE:
        return Certainty.SURE
    if chance > _CLAIM:
        return Certainty.LIKELY
    return Certainty.POSSIBLE if chance > _HINT else Certainty.OPEN


def within(value: float, error: float, digits: int = 0) -> str:
    """Return a value with the half-width of its 90 % interval; the error is never 0."""
    least = 10.0**-digits
    return f"{value:.{digits}f} ± {max(error, least):.{digits}f}"
