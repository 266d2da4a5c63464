"""How fast a device's clock runs against the host's, from when its frames were received."""

from collections.abc import Iterable
from dataclasses import dataclass
from itertools import pairwise

Point = tuple[float, float]


@dataclass(frozen=True)
class ClockFit:
    """``drift`` in parts per million, positive when the device's clock runs fast; ``jitter`` is
    the 95th percentile of delivery delay above the fastest delivery, in s; ``span`` is the device
    time that was fitted, in s."""

    drift: float
    jitter: float
    span: float


def fit_clock(times: Iterable[Point]) -> ClockFit | None:
    """Fit (device s, host s) pairs of one boot; None when they span less than 10 s.

    A frame can only be late, never early, so the clocks are compared along the fastest deliveries:
    the line below all points (device time, delay) that is closest to them in sum, which is an edge
    of their lower convex hull, the one that spans the mean device time.  Source: S. B. Moon,
    P. Skelly, D. Towsley, "Estimation and Removal of Clock Skew from Network Delay Measurements",
    IEEE INFOCOM 1999.
    """
    points = sorted((device, host - device) for device, host in times)
    if not points or points[-1][0] - points[0][0] < 10:
        return None
    mean = sum(device for device, _ in points) / len(points)
    hull = _lower_hull(points)
    left, right = next(pair for pair in pairwise(hull) if pair[0][0] <= mean <= pair[1][0])
    slope = (right[1] - left[1]) / (right[0] - left[0])
    late = sorted(delay - left[1] - slope * (device - left[0]) for device, delay in points)
    return ClockFit(-slope * 1e6, late[int(0.95 * (len(late) - 1))], points[-1][0] - points[0][0])


def _lower_hull(points: list[Point]) -> list[Point]:
    """Return the lower convex hull of sorted points (Andrew's monotone chain)."""
    hull: list[Point] = []
    for point in points:
        if hull and hull[-1][0] == point[0]:
            continue  # the same device time, later: sorted, so never below
        while len(hull) > 1 and _turn(hull[-2], hull[-1], point) <= 0:
            hull.pop()
        hull.append(point)
    return hull


def _turn(a: Point, b: Point, c: Point) -> float:
    return (b[0] - a[0]) * (c[1] - a[1]) - (b[1] - a[1]) * (c[0] - a[0])
