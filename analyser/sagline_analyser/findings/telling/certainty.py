"""Words for how sure something is: chosen here, so that one word means one thing in every answer.

The scale is that of calibrated likelihood (M. D. Mastrandrea et al., Guidance Note for Lead Authors
of the IPCC Fifth Assessment Report on Consistent Treatment of Uncertainties, 2010, table 1, from
memory), in its steps that a single log can carry; ``possible`` stands for its "about as likely as
not".  A claim about a part (:class:`Certainty`) asks for more than the least of its word.

A chance is what is believed after the ride has been looked at, how rare a thing is included.  An
interval "± e" is one that holds the truth in nine cases of ten; "at least" is what 19 of 20 reach.
"""

from enum import Enum, StrEnum


class Likelihood(StrEnum):
    """How likely one explanation is, in one word."""

    VERY_LIKELY = "very likely"
    LIKELY = "likely"
    POSSIBLE = "possible"
    UNLIKELY = "unlikely"
    VERY_UNLIKELY = "very unlikely"
    UNJUDGED = "cannot be judged"


SCALE = (
    (0.90, Likelihood.VERY_LIKELY),
    (0.66, Likelihood.LIKELY),
    (0.33, Likelihood.POSSIBLE),
    (0.10, Likelihood.UNLIKELY),
    (0.00, Likelihood.VERY_UNLIKELY),
)
"""Least probability of each word."""

TOLD = (Likelihood.VERY_LIKELY, Likelihood.LIKELY, Likelihood.POSSIBLE)
"""Words of what is worth telling as a candidate."""

CANNOT_TELL = "cannot tell"
"""Where the ride does not say."""

NOT_SHOWN = "may not have been in force"
"""Of a stated setting that the ride speaks against: sensors may be off as well."""


def word(probability: float | None) -> Likelihood:
    """Return the word for a probability, 0 to 1; None where nothing tells it.

    Raises:
        ValueError: it is no probability.
    """
    if probability is None:
        return Likelihood.UNJUDGED
    if not 0 <= probability <= 1:
        raise ValueError(f"{probability} is no probability")
    return next(name for least, name in SCALE if probability >= least)


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
