"""Device clocks onto the host's monotonic clock.

A device stamps its samples with its own microsecond clock, which wraps, drifts and restarts; the
host notes on its monotonic clock when bytes arrived.  Delivery is late by a varying delay but
never early, so the line that relates the clocks lies *under* the arrivals and touches the fastest
ones; an average through them would follow the jitter.  The line is the one under all points that
is nearest to them in total, a linear programme solved by the edge of the lower convex hull above
the mean reading.  Source: S. B. Moon, P. Skelly and D. Towsley, "Estimation and removal of clock
skew from network delay measurements", IEEE INFOCOM 1999.

What no listener can see is the delay that even the fastest delivery had; it stays in the times.
"""

from dataclasses import dataclass
from itertools import pairwise

import numpy as np
import numpy.typing as npt

Micros = npt.NDArray[np.int64]

_WRAP = 1 << 32
LONG = 60e6
"""µs over which a stretch must run to be trusted with a rate of its own."""
CRYSTAL = 300e-6
"""Largest rate error granted to a short stretch: a quartz crystal in heat or cold, with room.

30 s of 50 ms jitter cannot tell 100 ppm from 1000 ppm; this bound keeps the error of a guess below
5 ms over such a stretch.  (Common practice, no source.)
"""
OSCILLATOR = 0.02
"""Largest rate error granted to a long stretch: a chip's own RC oscillator, about 2 %."""
_BINS = 1024


@dataclass(frozen=True, slots=True)
class ClockLine:
    """host µs = ``start`` + (device µs - ``zero``) × (1 + ``rate``), for one boot."""

    zero: int
    start: float
    rate: float

    def host(self, device: Micros) -> npt.NDArray[np.float64]:
        """Return host times in µs of unwrapped device readings in µs."""
        host = (device - self.zero).astype(np.float64)
        host *= 1.0 + self.rate
        host += self.start
        return host

    @property
    def drift_ppm(self) -> float:
        """How much the device's clock runs fast against the host's, in parts per million."""
        return (1.0 / (1.0 + self.rate) - 1.0) * 1e6


def count_before(marks: Micros, places: Micros) -> Micros:
    """Return how many of some rising ``marks`` lie below each of some rising ``places``.

    As ``np.searchsorted(marks, places)``, but it looks up the marks, which are mostly fewer.
    """
    passed = np.bincount(np.searchsorted(places, marks, "right"), minlength=places.size + 1)
    return np.cumsum(passed[:-1])


def unwrap(clock: npt.NDArray[np.uint32], arrival: Micros) -> Micros:
    """Return one boot's 32-bit readings as µs that go on rising past 2^32.

    Each reading is placed within ±2^31 µs of the one before, as ``ClockUnwrapper`` does; where the
    host waited longer than 2^30 µs between the two (``arrival``, host µs), from where the host's
    clock expects it.
    """
    reading = clock.astype(np.int64)
    waited = np.diff(arrival)
    expected = np.where(waited > _WRAP >> 2, waited, 0)
    step = (np.diff(reading) - expected + (_WRAP >> 1)) % _WRAP - (_WRAP >> 1) + expected
    reading[1:] = reading[:1] + np.cumsum(step)
    return reading


def fit(device: Micros, arrival: Micros, rate: float | None = None) -> ClockLine:
    """Return the line under the points (device µs, host µs of arrival); at least one point.

    With ``rate`` given only the offset is fitted.
    """
    zero = int(device[0])
    x = (device - zero).astype(np.float64)
    delay = arrival - arrival[0] - x
    span = float(x.max() - x.min())
    if rate is None:
        bound = OSCILLATOR if span >= LONG else CRYSTAL
        rate = min(max(_hull_slope(x, delay), -bound), bound)
    return ClockLine(zero, float(arrival[0] + (delay - rate * x).min()), rate)


def _hull_slope(x: npt.NDArray[np.float64], y: npt.NDArray[np.float64]) -> float:
    """Return the slope of the lower convex hull of the points above their mean x."""
    edges = np.linspace(x.min(), x.max(), _BINS + 1)
    order = np.lexsort((y, np.searchsorted(edges, x)))
    bins = np.searchsorted(edges, x[order])
    lowest = order[np.concatenate([[True], bins[1:] != bins[:-1]])]  # one point a bin is enough
    hull: list[tuple[float, float]] = []
    for px, py in sorted(zip(x[lowest].tolist(), y[lowest].tolist(), strict=True)):
        while len(hull) > 1:
            (ax, ay), (bx, by) = hull[-2:]
            if (by - ay) * (px - ax) < (py - ay) * (bx - ax):
                break
            hull.pop()
        if hull and hull[-1][0] == px:
            continue  # same reading, later arrival
        hull.append((px, py))
    middle = float(x.mean())
    for (ax, ay), (bx, by) in pairwise(hull):
        if bx >= middle:
            return (by - ay) / (bx - ax)
    return 0.0


def wall_offset(monotonic: Micros, wall: Micros) -> int | None:
    """Return wall µs - monotonic µs as the host last knew it, or None without a record.

    A host without a network may start years off and step when it syncs, so the last offset that
    two records agree on within 1 s is the one to believe.
    """
    offset = wall - monotonic
    if not offset.size:
        return None
    agree = np.flatnonzero(np.abs(np.diff(offset)) < 1_000_000)
    return int(offset[agree[-1] + 1] if agree.size else offset[-1])
