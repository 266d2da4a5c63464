"""The samples around each sample of one time base, looked up once for all averages there."""

from dataclasses import dataclass
from typing import Any, Literal

import numpy as np
import numpy.typing as npt

from .series import Array, Flags

Places = npt.NDArray[np.uint32]
"""Small numbers: a long ride's places take a lot of memory."""


BLOCK = 1 << 16
"""Samples worked out together: no more tables as long as the ride than are wanted."""

MANY = 1000
"""Unbroken recordings from which they are searched together."""


@dataclass(frozen=True)
class Around:
    """From ``low`` up to, but not with, ``high``: the samples around each, both (n,)."""

    low: Places
    high: Places

    def total(self, value: Array) -> Array:
        """Return the sum of ``value`` (n,) around each sample."""
        sums = running(value)
        found = np.empty(len(value))
        for start in range(0, len(value), BLOCK):
            part = slice(start, start + BLOCK)
            np.subtract(sums[self.high[part]], sums[self.low[part]], out=found[part])
        return found

    def mean(self, value: Array) -> Array:
        """Return the mean of ``value`` (n,) around each sample."""
        found = self.total(value)
        for start in range(0, len(value), BLOCK):
            part = slice(start, start + BLOCK)
            found[part] /= np.maximum(self.high[part] - self.low[part], 1)
        return found

    def differ(self, number: npt.NDArray[np.uint32]) -> npt.NDArray[np.intp]:
        """Return the samples whose first and last around them have not the same ``number`` (n,)."""
        found = []
        for start in range(0, len(number), BLOCK):
            part = slice(start, start + BLOCK)
            apart = number[self.low[part]] != number[self.high[part] - 1]
            found.append(start + np.flatnonzero(apart))
        return np.concatenate(found) if found else np.empty(0, np.intp)


def running(value: Array, where: Flags | None = None) -> Array:
    """Return the sums of none, the first, the first two … of ``value`` (n,), shape (n + 1,); of
    those ``where`` alone, if it is given."""
    sums = np.empty(len(value) + 1)
    sums[0] = 0.0
    if where is not None:
        value = np.multiply(value, where, out=sums[1:])
    np.cumsum(value, out=sums[1:])
    return sums


def beside(rising: npt.NDArray[Any], way: float, side: Literal["left", "right"]) -> Places:
    """Return what ``np.searchsorted`` does for what lies ``way`` from each of ``rising`` (n,).

    Samples come at an even pace: as many of them lie between as at the middle, or one less or more;
    only what this does not find is searched.
    """
    count = len(rising)
    found = np.empty(count, np.uint32)
    half = count // 2
    shift = int(np.searchsorted(rising, rising[half] + way, side)) - half if count else 0
    for start in range(0, count, BLOCK):  # no tables as long as the ride
        own = rising[start : start + BLOCK] + way
        at = np.arange(start + shift, start + shift + len(own))
        for tried in range(3):
            before, behind = rising.take(at - 1, mode="clip"), rising.take(at, mode="clip")
            if side == "left":
                late, early = before >= own, behind < own
            else:
                late, early = before > own, behind <= own
            wrong = np.flatnonzero(late | early)
            if not len(wrong) or tried == 2:
                break
            at -= late
            at += early
        at[wrong] = np.searchsorted(rising, own[wrong], side)
        found[start : start + len(own)] = at
    return found


def around(time: Array, breaks: Flags, half: float, slack: float = 0.0) -> Around:
    """Return the samples up to ``half`` s from each of ``time``, ``slack`` s more for rounding,
    never across one of the ``breaks``, which lie before the samples they flag."""
    count = len(time)
    low, high = np.empty(count, np.uint32), np.empty(count, np.uint32)
    first = np.r_[0, np.flatnonzero(breaks[1:]) + 1]
    last = np.r_[first[1:], count]
    if len(first) > MANY:
        run = np.repeat(np.arange(len(first)), last - first)
        low[:] = np.maximum(beside(time, -half - slack, "left"), first[run])
        high[:] = np.minimum(beside(time, half + slack, "right"), last[run])
        return Around(low, high)
    for start, end in zip(first.tolist(), last.tolist(), strict=True):
        own = time[start:end]  # by itself: shorter to search, and no tables as long as the ride
        low[start:end] = beside(own, -half - slack, "left") + start
        high[start:end] = beside(own, half + slack, "right") + start
    return Around(low, high)


def highest_before(time: Array, value: Array, seconds: float) -> Array:
    """Return the highest ``value`` (n,) of the ``seconds`` before each sample, itself left out;
    NaN where there is none.

    Times count to the nanosecond, so that a sample exactly ``seconds`` away is one of them.
    """
    found = np.full(len(value), np.nan)
    for start in range(0, len(time), BLOCK):
        end = min(start + BLOCK, len(time))
        first = int(np.searchsorted(time, time[start] - seconds - 1e-6))
        own = slice(first, end)  # no tables as long as the ride
        found[start:end] = _highest_before(time[own], value[own], seconds)[start - first :]
    return found


def _highest_before(time: Array, value: Array, seconds: float) -> Array:
    whole = np.trunc(time)
    clock = whole.astype(np.int64) * 10**9 + np.rint((time - whole) * 1e9).astype(np.int64)
    low = beside(clock, -round(seconds * 1e9), "left")
    high = beside(clock, 0, "left")
    found = np.full(len(value), np.nan)
    # The highest of so many samples from each on, doubled; two of them cover any longer window.
    most, reach = value, 1
    length = high - low
    while (long := length >= reach).any():
        own = np.flatnonzero(long & (length < 2 * reach))
        found[own] = np.fmax(most[low[own]], most[high[own] - reach])
        if len(most) <= reach:
            break
        most = np.fmax(most[:-reach], most[reach:])
        reach *= 2
    return found
