"""What share of the ride a sum over it knows."""

import math
from dataclasses import dataclass

import numpy as np

from ...load.ride import Ride
from .series import Series, steps

ENOUGH = 0.5
"""Share of the ride from which a sum over it is told (our choice: more is known than is not)."""
ALL = 0.99
"""Share from which it stands for the whole ride without a word (our choice)."""


@dataclass(frozen=True)
class Coverage:
    """``known`` s of a ride's ``whole`` s."""

    known: float
    whole: float

    @property
    def share(self) -> float:
        """0 to 1; 1 for a ride without length."""
        return min(self.known / self.whole, 1.0) if self.whole > 0 else 1.0

    @property
    def words(self) -> str:
        """``known for 73 % of the ride``; rounded down, so that no more is claimed than is so."""
        percent = math.floor(100 * self.share)
        return f"known for {f'{percent}' if percent else 'less than 1'} % of the ride"


def coverage(
    ride: Ride, series: Series, start: float = -math.inf, end: float = math.inf
) -> Coverage:
    """Return for how long ``series`` has neighbours to sum between, of how long the ride was, or
    the part of it from ``start`` to ``end`` s that the series is cut to."""
    return Coverage(float(np.sum(steps(series))), ride_time(ride, start, end))


def ride_time(ride: Ride, first: float = -math.inf, last: float = math.inf) -> float:
    """Return s in which the device ran or the link was down, each instant once, from ``first`` to
    ``last`` s.

    A board that was off, and the time between captures joined in one file, are no part of a ride.
    """
    spans = [(segment.start, segment.end) for segment in ride.segments]
    spans += [
        (gap.start, ride.duration if gap.end is None else gap.end)
        for gap in ride.link_gaps
        if ride.quality.captures == 1 or gap.end is not None
    ]
    total, reached = 0.0, -math.inf
    for start, end in sorted((max(start, first), min(end, last)) for start, end in spans):
        total += max(end - max(start, reached), 0.0)
        reached = max(reached, end)
    return total
