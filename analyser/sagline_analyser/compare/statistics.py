"""Differences between two sides from few repeats: exact permutation intervals and tests.

If a setting does nothing, which of the repeats carry the letter B is chance, so the difference
found is held against those of all other ways to hand out the letters (E. J. G. Pitman, 1937; any
handbook of permutation tests).  No shape of scatter is assumed.
"""

import math
from dataclasses import dataclass
from itertools import combinations

import numpy as np
import numpy.typing as npt

from ..findings.series import Array

ALL = 20_000
"""Up to so many ways to hand out the letters all are tried; beyond, :data:`DRAWN` drawn ones."""

DRAWN = 9_999

LEVEL = 0.90
"""Of the intervals stated."""

POWER = 0.842
"""Normal quantile of the 80 % chance that a suggested number of repeats is reckoned for."""

NORMAL = 1.645
"""95 % quantile of the normal distribution: what a two-sided 90 % interval leaves on one side."""


@dataclass(frozen=True)
class Difference:
    """``value``: mean of B minus mean of A, with the interval and p of the permutation test.

    ``low`` and ``high`` bound the 90 % interval, infinite where the repeats are too few for one;
    ``p`` is two-sided.  ``scatter`` is the standard deviation within the sides, pooled, and
    ``repeats`` the number on A and on B.
    """

    value: float
    low: float
    high: float
    p: float
    scatter: float
    repeats: tuple[int, int]


def labellings(a: int, b: int) -> npt.NDArray[np.bool_]:
    """Return ways to call ``b`` of ``a + b`` repeats B, shape (ways, a + b), the real one first.

    All of them, or :data:`DRAWN` at random (the same each time) and the real one.
    """
    whole = a + b
    real = np.arange(whole) >= a
    if math.comb(whole, b) <= ALL:
        ways = np.zeros((math.comb(whole, b), whole), bool)
        for row, chosen in zip(ways, combinations(range(whole - 1, -1, -1), b), strict=True):
            row[list(chosen)] = True
        return ways  # the first combination, counted from the end, is the real one
    chance = np.random.default_rng(1)
    order = np.argsort(chance.random((DRAWN, whole)), axis=1)
    return np.vstack([real, order >= a])


def difference(a: Array, b: Array) -> Difference:
    """Compare two sides' repeats, shapes (n,) and (m,).

    The interval holds every shift d for which the test of "B is A shifted by d" does not reject:
    exact for any scatter that both sides share.  Moving k repeats from each side to the other
    changes the test's outcome where d passes the mean of the k from B less the mean of the k from
    A, so its ends are order statistics of those differences.
    """
    both = np.r_[a, b]
    ways = labellings(len(a), len(b))
    moved = ways[:, : len(a)].sum(axis=1)  # repeats of A that carry B's letter; as many of B left
    sums = ways @ both
    means = sums / len(b) - (both.sum() - sums) / len(a)
    value = float(means[0])
    slack = 1e-9 * max(float(np.abs(means).max()), 1e-300)
    upper, lower = np.mean(means >= value - slack), np.mean(means <= value + slack)
    others = moved > 0
    scale = moved[others] * (1 / len(a) + 1 / len(b))
    # All ways with as many moved have one scale: the shift at which means[way] equals the real one.
    shifts = np.sort((value - means[others]) / scale)
    depth = int((1 - LEVEL) / 2 * len(ways) + 1e-9)
    low, high = (-math.inf, math.inf) if depth < 1 else (shifts[depth - 1], shifts[-depth])
    return Difference(
        value, float(low), float(high), float(min(2 * min(upper, lower), 1.0)),
        pooled(a, b), (len(a), len(b)),
    )  # fmt: skip


def pooled(a: Array, b: Array) -> float:
    """Return the standard deviation within two sides, NaN with fewer than three repeats."""
    free = len(a) + len(b) - 2
    if free < 1:
        return math.nan
    return math.sqrt(
        (float(np.sum((a - a.mean()) ** 2)) + float(np.sum((b - b.mean()) ** 2))) / free
    )


def adjusted(a: Array, b: Array) -> Array:
    """Return p of each of k measures, corrected for their number; ``a`` (n, k), ``b`` (m, k).

    Step-down maxima of the studentised differences over the same labellings (P. H. Westfall and
    S. S. Young, Resampling-Based Multiple Testing, 1993): the chance, where no measure differs,
    that any of those not yet decided shows so much is kept.  Unlike Holm's correction it knows that
    the measures go together, so few repeats suffice.
    """
    both = np.vstack([a, b])
    both = both - both.mean(axis=0)
    ways = labellings(len(a), len(b)).astype(float)
    sums = ways @ both
    means = sums / len(b) + sums / len(a)  # the columns sum to zero
    between = sums**2 * (1 / len(a) + 1 / len(b))
    within = np.maximum((both**2).sum(axis=0) - between, 0.0)
    floor = 1e-18 * np.maximum((both**2).sum(axis=0), 1e-300)
    size = np.abs(means) / np.sqrt(np.maximum(within, floor))
    order = np.argsort(-size[0])
    result = np.zeros(both.shape[1])
    least = 0.0
    for place, measure in enumerate(order):
        most = size[:, order[place:]].max(axis=1)
        least = max(least, float(np.mean(most >= size[0, measure] * (1 - 1e-9))))
        result[measure] = least
    return result


def repeats_for(size: float, scatter: float) -> int | None:
    """Return the repeats on each side that show a difference of ``size`` four times in five.

    n = 2·((z₀.₉₅ + z₀.₈₀)·s/d)², the usual reckoning for two means; at least 3, the fewest that
    an exact 90 % interval can be had from; None where it cannot be said or passes 999.
    """
    if not (size > 0 and math.isfinite(scatter)):
        return None
    count = max(3, math.ceil(2 * ((NORMAL + POWER) * scatter / size) ** 2))
    return count if count <= 999 else None


def t_quantile(free: int) -> float:
    """Return the 95 % quantile of Student's t with ``free`` ≥ 1 degrees of freedom.

    Cornish–Fisher expansion, M. Abramowitz and I. A. Stegun, Handbook of Mathematical Functions,
    26.7.5; exact values for 1 and 2, where it is too coarse.
    """
    if free < 3:
        return (6.3138, 2.9200)[free - 1]
    z, n = 1.6448536, float(free)
    return (
        z + (z**3 + z) / (4 * n) + (5 * z**5 + 16 * z**3 + 3 * z) / (96 * n**2)
        + (3 * z**7 + 19 * z**5 + 17 * z**3 - 15 * z) / (384 * n**3)
    )  # fmt: skip
