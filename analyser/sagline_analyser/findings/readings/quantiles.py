"""The median and quantiles of one row of numbers, as numpy's own to the last digit.

numpy's take up to a tenth of a millisecond before they begin to sort, whatever the row holds; a
page asks for some thousands of them, mostly of short rows.
"""

import numpy as np
import numpy.typing as npt

from .series import Array

NEAR = 0.8
"""Share of a guess, and of which the guess is a share, between which a median is looked for."""


def median(values: npt.NDArray[np.floating]) -> float:
    """Return the median of ``values`` (n,); NaN where there are none or one of them is NaN."""
    count = len(values)
    if not count:
        return float("nan")
    half = count // 2
    if count % 2:
        part = np.partition(values, (half, -1))
        middle = float(part[half])
    else:
        part = np.partition(values, (half - 1, half, -1))
        middle = float((part[half - 1] + part[half]) / 2)
    # What is NaN is sorted last.
    return float("nan") if np.isnan(part[-1]) else middle


def median_near(values: Array, near: float) -> float:
    """Return the median of ``values`` (n,), none below 0, which is probably about ``near``: only
    what lies around that is put in order."""
    low, high = NEAR * near, near / NEAR
    below, above = np.count_nonzero(values < low), np.count_nonzero(values > high)
    around = values[(values >= low) & (values <= high)]
    count, half = len(values), len(values) // 2
    first = half - 1 + count % 2 - below
    if below + above + len(around) < count or first < 0 or half - below >= len(around):
        return median(values)  # elsewhere, or one is NaN
    part = np.partition(around, (first, half - below))
    return float((part[first] + part[half - below]) / 2)


def quantile(values: Array, share: float) -> float:
    """Return the quantile ``share``, from 0 to 1, of ``values`` (n,), on a straight line between
    neighbours (numpy's "linear"); NaN where there are none or one of them is NaN."""
    return quantiles(values, (share,))[0]


def quantiles(values: Array, shares: tuple[float, ...]) -> list[float]:
    """Return several quantiles of ``values`` (n,), each as :func:`quantile` does."""
    last = len(values) - 1
    if last < 0:
        return [float("nan")] * len(shares)
    places = [last * share for share in shares]
    below = [int(place) for place in places]
    part = np.partition(
        values, sorted({-1 % (last + 1), *below, *(min(at + 1, last) for at in below)})
    )
    if np.isnan(part[-1]):
        return [float("nan")] * len(shares)
    found = []
    for place, at in zip(places, below, strict=True):
        low, high = float(part[at]), float(part[min(at + 1, last)])
        way, gone = high - low, place - at
        # From the nearer of the two, as numpy does.
        found.append(high - way * (1 - gone) if gone >= 0.5 else low + way * gone)
    return found
