"""The one way in which a result says that it is not known."""

from dataclasses import dataclass


@dataclass(frozen=True)
class NotKnown:
    """Why something could not be computed, in one line that names what it needs."""

    reason: str
