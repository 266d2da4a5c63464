"""Stretches at a level that a quantity cannot have come to: it would have had to jump there."""

from dataclasses import dataclass

import numpy as np

from ..series import Array, Flags, Series


@dataclass(frozen=True)
class Pace:
    """How fast a quantity can change.

    Between one block of ``block`` s and the next that is trusted it may differ by ``room``, plus
    ``fast`` a second for the first second and ``slow`` a second from then on, ``most`` in all.
    """

    block: float
    room: float
    fast: float
    slow: float
    most: float


@dataclass(frozen=True)
class Blocks:
    """A series in short blocks: ``first`` sample, time of the first and last sample, extremes."""

    first: "np.typing.NDArray[np.intp]"
    start: Array
    end: Array
    low: Array
    high: Array


def blocks_of(series: Series, block: float) -> Blocks:
    """Return the least and greatest sample of every ``block`` s that has any."""
    number = np.floor((series.time - series.time[0]) / block)
    first = np.flatnonzero(np.diff(number, prepend=-1.0))
    last = np.r_[first[1:], len(series)] - 1
    return Blocks(
        first, series.time[first], series.time[last],
        np.minimum.reduceat(series.value, first), np.maximum.reduceat(series.value, first),
    )  # fmt: skip


def unreachable(blocks: Blocks, pace: Pace, possible: Flags) -> Flags:
    """Return which blocks lie where the quantity cannot have come to from the trusted ones.

    Trust starts at the block that is nearest to the middle of the ``possible`` ones and goes from
    block to block both ways; a block that is not possible is never trusted.
    """
    doubted = ~possible
    if not possible.any():
        return doubted
    middle = (blocks.low + blocks.high) / 2
    width = blocks.high - blocks.low
    usual = pace.room + pace.fast * pace.block
    calm = possible & (width <= usual)
    if not calm.any():
        return doubted
    start = int(np.argmin(np.where(calm, np.abs(middle - np.median(middle[calm])), np.inf)))
    low, high = blocks.low.tolist(), blocks.high.tolist()
    at = ((blocks.start + blocks.end) / 2).tolist()
    fine = possible.tolist()
    for order in (range(start, len(at)), range(start, -1, -1)):
        ref, when = float(middle[start]), at[start]
        for i in order:
            away = abs(at[i] - when)
            room = pace.room + min(
                pace.fast * min(away, 1.0) + pace.slow * max(away - 1.0, 0.0), pace.most
            )
            if fine[i] and high[i] - ref <= room and ref - low[i] <= room:
                ref, when = (low[i] + high[i]) / 2, at[i]
            else:
                doubted[i] = True
    return doubted
