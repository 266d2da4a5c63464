"""What is doubted of a sensor, and the flags and spans of time that it is doubted for."""

from collections.abc import Iterable
from dataclasses import dataclass, replace

import numpy as np

from ..readings.series import Array, Flags

Spans = tuple[tuple[float, float], ...]

MOST = 0.5
"""Share of a sensor's readings from which all of them are set aside: what is wrong half of the
time is not trusted the other half (our choice)."""


@dataclass(frozen=True)
class SensorDoubt:
    """A sensor that cannot be right, when, and why.

    ``key`` is a column, or a stream's name where the doubt is of all its columns.  ``doubt`` names
    the trouble, ``evidence`` is one sentence with the figures.  ``spans`` are (start, end) in s
    from the start of the capture.  ``set_aside`` is False where the readings themselves are right
    but too few; else nothing rests on what lies in the spans.
    """

    key: str
    doubt: str
    evidence: str
    spans: Spans
    set_aside: bool = True

    def earlier(self, by: float) -> "SensorDoubt":
        """Return the same doubt on a clock that starts ``by`` s later."""
        return replace(self, spans=tuple((start - by, end - by) for start, end in self.spans))

    def inside(self, time: Array) -> Flags:
        """Return which of some times (n,) lie in the spans."""
        return within(time, self.spans)


def within(time: Array, spans: Spans) -> Flags:
    """Return which of some rising times (n,) lie in any of the spans."""
    inside = np.zeros(len(time), bool)
    for start, end in spans:
        first, last = np.searchsorted(time, (start - 1e-9, end + 1e-9))
        inside[first:last] = True
    return inside


def runs(flags: Flags, least: int = 1) -> list[tuple[int, int]]:
    """Return the first and last number of each unbroken row of ``least`` True or more."""
    bounded = np.concatenate(([False], flags, [False]))
    edges = np.flatnonzero(bounded[1:] != bounded[:-1])
    first, last = edges[::2], edges[1::2] - 1
    long = last - first + 1 >= least
    return list(zip(first[long].tolist(), last[long].tolist(), strict=True))


def marked(rows: Iterable[tuple[int, int]], count: int) -> Flags:
    """Return ``count`` flags, True in these rows from the first to the last number of each."""
    flags = np.zeros(count, bool)
    for first, last in rows:
        flags[first : last + 1] = True
    return flags


def spans_of(time: Array, flags: Flags, pad: float = 0.0, join: float = 0.0) -> Spans:
    """Return the spans to set aside for the flagged samples: those of :func:`spans_seen`, or all of
    the time where :data:`MOST` is flagged."""
    if np.count_nonzero(flags) > MOST * len(flags):
        return ((float(time[0]), float(time[-1])),)
    return spans_seen(time, flags, pad, join)


def spans_seen(time: Array, flags: Flags, pad: float = 0.0, join: float = 0.0) -> Spans:
    """Return the spans of the flagged samples, each longer by ``pad`` s at both ends, and made one
    where less than ``join`` s lie between."""
    found: list[list[float]] = []
    for first, last in runs(flags):
        start = max(float(time[first]) - pad, float(time[0]))
        end = min(float(time[last]) + pad, float(time[-1]))
        if found and start - found[-1][1] <= join:
            found[-1][1] = end
        else:
            found.append([start, end])
    return tuple((start, end) for start, end in found)


def seconds(spans: Spans) -> float:
    """Return how long some spans last together."""
    return sum(end - start for start, end in spans)


def how_long(spans: Spans) -> str:
    """Return how often and how long in words: ``3 times, 12 s in all``."""
    total = f"{seconds(spans):.3g} s"
    return f"for {total}" if len(spans) == 1 else f"{len(spans)} times, {total} in all"
