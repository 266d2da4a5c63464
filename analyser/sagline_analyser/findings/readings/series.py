"""One quantity over time, and the few operations every finding is made of.

Nothing here joins two samples that a gap separates: lost frames, a dead link and a missing
reading all end the stretch before them.
"""

import math
from collections.abc import Sequence
from dataclasses import dataclass
from itertools import pairwise
from typing import TypeVar

import numpy as np
import numpy.typing as npt

from ...load.ride import Ride, StreamColumns
from .once import once

Array = npt.NDArray[np.float64]
Flags = npt.NDArray[np.bool_]
Item = TypeVar("Item", bound=np.generic)


KEEP = 1 << 19
"""Samples up to which a column's readings are kept where some are missing: the copies of a longer
ride's columns would fill the memory."""

PIECES = 1000
"""Unbroken rows of readings up to which they are put together row by row."""

PATTERNS = 4
"""Ways to lack readings whose times are kept for a stream: its columns mostly lack the same."""


@dataclass(frozen=True)
class Series:
    """Samples without missing values: ``time`` in s, ``value``, and ``gap``, each shape (n,).

    ``gap`` is True where a sample must not be joined to the one before.
    """

    time: Array
    value: Array
    gap: Flags

    def __len__(self) -> int:
        return len(self.time)


@dataclass(frozen=True)
class _Readings:
    """Which samples of a stream are readings, ``there`` (n,), and ``time`` and ``gap`` of these.

    ``pieces`` are their unbroken rows, where these are few: much quicker to put together.
    """

    there: Flags
    pieces: tuple[slice, ...] | None
    time: Array
    gap: Flags

    def of(self, value: Array) -> Array:
        """Return the readings of a column that lacks just these."""
        return _taken(value, self.there, self.pieces)


def _readings(time: Array, gap: Flags, there: Flags) -> _Readings:
    pieces = _pieces(there)
    breaks = _taken(np.cumsum(gap | ~there), there, pieces)
    joined = np.zeros(len(breaks), bool)
    joined[1:] = breaks[1:] != breaks[:-1]
    return _Readings(there, pieces, _taken(time, there, pieces), joined)


def _pieces(there: Flags) -> tuple[slice, ...] | None:
    """Return the unbroken rows of readings, None where they are many."""
    edges = np.flatnonzero(there[1:] != there[:-1]) + 1
    if len(edges) > PIECES:
        return None
    bounds = [0, *edges.tolist(), len(there)]
    return tuple(slice(first, last) for first, last in pairwise(bounds) if there[first])


def _taken(
    value: npt.NDArray[Item], there: Flags, pieces: tuple[slice, ...] | None
) -> npt.NDArray[Item]:
    if not pieces:
        return value[there]
    return np.concatenate([value[piece] for piece in pieces])


def clean(time: Array, value: Array, gap: Flags) -> Series:
    """Drop missing (NaN) samples and break the series where they were."""
    there = np.isfinite(value)
    if there.all():
        return Series(time, value, gap)
    left = _readings(time, gap, there)
    return Series(left.time, left.of(value), left.gap)


def column(ride: Ride, key: str) -> Series | None:
    """Return the column ``key`` of the ride, or None when there is none or it holds no reading.

    Columns of one stream that lack the same samples have the same array of times.
    """
    stream = ride.find(key)
    if stream is None or stream.channels[key].nearly:  # another unit: not what the name says
        return None
    return _column(ride, key) if len(stream.time) <= KEEP else _read(ride, key)


def numbered(ride: Ride, name: str, index: int) -> Series | None:
    """Return the column of the standard channel ``name`` that has this index, as :func:`column`."""
    key = ride.key(name, index)
    return None if key is None else column(ride, key)


def _read(ride: Ride, key: str) -> Series | None:
    stream = ride.find(key)
    if stream is None or not len(stream.time):
        return None
    value = stream.values[key]
    left = _left(ride, stream, value)
    if left is None:
        return Series(stream.time, value, stream.gap)
    return Series(left.time, left.of(value), left.gap) if len(left.time) else None


_column = once(_read)


def _left(ride: Ride, stream: StreamColumns, value: Array) -> _Readings | None:
    """Return what is left of a column where readings are missing, None where none is."""
    there = np.isfinite(value)
    if there.all():
        return None
    known = _patterns(ride, stream.name)
    for one in known:
        if np.array_equal(one.there, there):
            return one
    found = _readings(stream.time, stream.gap, there)
    if len(known) < PATTERNS and len(there) <= KEEP:
        known.append(found)
    return found


@once
def _patterns(_: Ride, __: str) -> list[_Readings]:
    """Return the list in which the patterns of one stream are gathered."""
    return []


def same_times(one: Array, other: Array) -> bool:
    """Return whether two arrays are the very same samples' times: of one stream, and of the same
    part of it, for a slice is an array of its own."""
    return one is other or one.__array_interface__ == other.__array_interface__


def interpolate(series: Series, times: Array) -> Array:
    """Return linear interpolation at ``times``, NaN outside the series and inside its gaps."""
    if same_times(times, series.time):
        return series.value
    if not len(series):
        return np.full(len(times), np.nan)
    result = np.interp(times, series.time, series.value, left=np.nan, right=np.nan)
    broken = np.flatnonzero(series.gap[1:]) + 1
    if len(broken):
        # Inside a gap is what lies before the first sample behind one, and behind the last before.
        after = series.time[broken]
        place = np.searchsorted(after, times, "left")
        place[place == len(broken)] = 0
        inside = (times < after[place]) & (times > series.time[broken - 1][place])
        result[inside] = np.nan
    return result


def reading_at(series: Series, time: float) -> float | None:
    """Return the same at one moment, None where it is not known."""
    value = float(interpolate(series, np.array([time]))[0])
    return None if math.isnan(value) else value


def combine(parts: Sequence[Series], how: str) -> Series:
    """Return the "sum", "mean", "min" or "max" of several series on the first one's times."""
    first = parts[0]
    total = first.value.copy()
    for part in parts[1:]:  # one at a time: a long ride's cells do not fit side by side
        _JOINS[how](total, interpolate(part, first.time), out=total)
    return clean(first.time, total / len(parts) if how == "mean" else total, first.gap)


_JOINS = {"sum": np.add, "mean": np.add, "min": np.minimum, "max": np.maximum}


def product(one: Series, other: Series) -> Series:
    """Return ``one`` times ``other`` on the times of ``one``."""
    return clean(one.time, one.value * interpolate(other, one.time), one.gap)


def size(series: Series) -> Series:
    """Return the magnitude of a series."""
    return Series(series.time, np.abs(series.value), series.gap)


def steps(series: Series) -> Array:
    """Return the s between neighbours, shape (n - 1,), 0 across gaps."""
    found = series.time[1:] - series.time[:-1]
    found[series.gap[1:]] = 0.0
    return found


def integral(series: Series) -> float:
    """Trapezoidal integral over time, in the series' unit times s."""
    return float(np.sum(steps(series) * (series.value[1:] + series.value[:-1])) / 2)


def integral_above_zero(series: Series) -> float:
    """Integral of the positive part of the line through the samples (exact at sign changes)."""
    start, end = series.value[:-1], series.value[1:]
    low, rise = np.minimum(start, end), np.maximum(start, end)
    # A triangle where the line crosses zero.  In place: a long ride's tables are large.
    mean = np.maximum(rise, 0)
    mean *= mean
    rise -= low
    rise[rise <= 0] = 1.0
    mean /= rise
    mean /= 2
    del rise
    above = low >= 0
    np.add(start, end, out=low)
    low /= 2
    np.copyto(mean, low, where=above)
    del low, above
    mean *= steps(series)
    return float(np.sum(mean))


def integral_of_square(series: Series) -> float:
    """Integral of the square of the line through the samples: ∫ i² dt in A²s for a current.

    Over one step of a straight line from a to b this is (a² + ab + b²)/3 · Δt.
    """
    start, end = series.value[:-1], series.value[1:]
    return float(np.sum(steps(series) * (start**2 + start * end + end**2)) / 3)


def time_where(series: Series, flags: Flags) -> float:
    """Return s during which ``flags`` (one a sample) held, each sample standing for half of the
    step before it and half of the step after it."""
    step = steps(series)
    return float(np.sum(step * (flags[1:].astype(float) + flags[:-1])) / 2)
