"""The road: slope over distance."""

import itertools
import math
from bisect import bisect_right
from dataclasses import dataclass

from ..format import SaglineError


@dataclass(frozen=True, slots=True)
class Route:
    """Rise in m for each m travelled along the road (the sine of the slope), over distance in m.

    ``points`` are (distance, rise); the rise goes straight from point to point and keeps the end
    values outside them.
    """

    points: tuple[tuple[float, float], ...] = ((0.0, 0.0),)

    def __post_init__(self) -> None:
        distances = [distance for distance, _ in self.points]
        if not distances or any(b <= a for a, b in itertools.pairwise(distances)):
            raise SaglineError("a route needs points at rising distances", where="route")
        if any(abs(rise) >= 1.0 for _, rise in self.points):
            raise SaglineError("a road cannot rise by its own length", where="route")

    def rise(self, distance: float) -> float:
        """Return the sine of the slope at ``distance`` m."""
        points = self.points
        at = bisect_right(points, distance, key=_distance) - 1
        if at < 0:
            return points[0][1]
        if at == len(points) - 1:
            return points[-1][1]
        (start, low), (stop, high) = points[at], points[at + 1]
        return low + (high - low) * (distance - start) / (stop - start)

    def height(self, distance: float) -> float:
        """Return the height in m above the first point: the rise integrated, exactly."""
        height = 0.0
        for (start, low), (stop, high) in zip(self.points, self.points[1:], strict=False):
            if distance <= start:
                break
            end = min(stop, distance)
            middle = low + (high - low) * (0.5 * (start + end) - start) / (stop - start)
            height += middle * (end - start)
        first, last = self.points[0], self.points[-1]
        height += max(0.0, distance - last[0]) * last[1]
        return height + min(0.0, distance - first[0]) * first[1]


def cosine(rise: float) -> float:
    """Return the cosine of a slope from its sine."""
    return math.sqrt(1.0 - rise * rise)


def _distance(point: tuple[float, float]) -> float:
    return point[0]
