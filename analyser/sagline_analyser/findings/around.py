"""The samples around each sample of one time base, looked up once for all averages there."""

from dataclasses import dataclass
from functools import cached_property

import numpy as np
import numpy.typing as npt

from .series import Array, Flags

Places = npt.NDArray[np.uint32]
"""Small numbers: a long ride's places take a lot of memory."""


@dataclass(frozen=True)
class Around:
    """From ``low`` up to, but not with, ``high``: the samples around each, both (n,)."""

    low: Places
    high: Places

    def total(self, value: Array) -> Array:
        """Return the sum of ``value`` (n,) around each sample."""
        sums = np.empty(len(value) + 1)
        sums[0] = 0.0
        np.cumsum(value, out=sums[1:])
        return np.asarray(sums[self.high] - sums[self.low])

    @cached_property
    def many(self) -> Places:
        """How many samples lie around each, at least one, (n,)."""
        return np.asarray(np.maximum(self.high - self.low, 1), np.uint32)


def around(time: Array, breaks: Flags, half: float, slack: float = 0.0) -> Around:
    """Return the samples up to ``half`` s from each of ``time``, ``slack`` s more for rounding,
    never across one of the ``breaks``, which lie before the samples they flag."""
    starts = breaks.copy()
    starts[:1] = True
    run = np.cumsum(starts) - 1
    first = np.flatnonzero(starts)
    end = np.r_[first[1:], len(time)]
    low = np.maximum(np.searchsorted(time, time - half - slack, "left"), first[run])
    high = np.minimum(np.searchsorted(time, time + half + slack, "right"), end[run])
    return Around(low.astype(np.uint32), high.astype(np.uint32))
