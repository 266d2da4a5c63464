"""One quantity over time, and the few operations every finding is made of.

Nothing here joins two samples that a gap separates: lost frames, a dead link and a missing
reading all end the stretch before them.
"""

from collections.abc import Sequence
from dataclasses import dataclass

import numpy as np
import numpy.typing as npt

from ..load.ride import Ride

Array = npt.NDArray[np.float64]
Flags = npt.NDArray[np.bool_]


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


def clean(time: Array, value: Array, gap: Flags) -> Series:
    """Drop missing (NaN) samples and break the series where they were."""
    bad = ~np.isfinite(value)
    if not bad.any():
        return Series(time, value, gap)
    keep = ~bad
    breaks = np.cumsum(gap | bad)[keep]
    joined = np.zeros(len(breaks), bool)
    joined[1:] = breaks[1:] != breaks[:-1]
    return Series(time[keep], value[keep], joined)


def column(ride: Ride, key: str) -> Series | None:
    """Return the column ``key`` of the ride, or None when there is none or it holds no reading."""
    stream = ride.find(key)
    if stream is not None and stream.channels[key].nearly:
        return None  # another unit: not what the name says
    if stream is None:
        return None
    series = clean(stream.time, stream.values[key], stream.gap)
    return series if len(series) else None


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
    if series.gap.any():
        after = np.searchsorted(series.time, times, "left")  # first sample at or past the time
        inside = (after > 0) & (after < len(series))
        after = np.where(inside, after, 0)
        result[inside & series.gap[after] & (series.time[after] != times)] = np.nan
    return result


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
    return np.where(series.gap[1:], 0.0, np.diff(series.time))


def integral(series: Series) -> float:
    """Trapezoidal integral over time, in the series' unit times s."""
    return float(np.sum(steps(series) * (series.value[1:] + series.value[:-1])) / 2)


def integral_above_zero(series: Series) -> float:
    """Integral of the positive part of the line through the samples (exact at sign changes)."""
    start, end = series.value[:-1], series.value[1:]
    high, low = np.maximum(start, end), np.minimum(start, end)
    rise = np.where(high > low, high - low, 1.0)
    crossing = np.maximum(high, 0) ** 2 / rise / 2  # triangle where the line crosses zero
    return float(np.sum(steps(series) * np.where(low >= 0, (start + end) / 2, crossing)))


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
