"""Differences between two sides from few stretches: Student's t on the means of the stretches.

Launches of one ride share its load, its wind, its pack and its rider's day, so they are no
independent repeats of the setting; what repeats is the ride, or the stretch between marks.  The
means of the stretches are held against their own spread (the summary-measures analysis of nested
data; D. G. Altman and J. M. Bland, Units of analysis, 1997), with as many degrees of freedom as
there are stretches less two: two for A, B, B, A.
"""

import math
from collections.abc import Sequence
from dataclasses import dataclass

import numpy as np

from ..findings.readings.chance import student, student_beyond
from ..findings.readings.series import Array

LEVEL = 0.90
"""Of the intervals stated."""

SURE = 0.05
"""Two-sided p up to which a difference counts as more than chance."""

NORMAL = 1.645
"""95 % quantile of the normal distribution: what a two-sided 90 % interval leaves on one side."""

FOUND = 0.80
"""Chance of being found that a smallest difference, or a number of repeats, is reckoned for."""

OWN = 2
"""Degrees of freedom from which on the stretches show their own spread."""

TYPICAL_FREE = 4
"""Degrees of freedom that the typical spread counts for where the stretches are too few (ours)."""

FEWEST = 3
"""Launches that a side needs where its one stretch has to do (our choice)."""


@dataclass(frozen=True)
class Difference:
    """``value``: mean of B's stretches less mean of A's, with its 90 % interval and two-sided p.

    ``low`` and ``high`` are infinite where nothing can be said.  ``scatter`` is the standard
    deviation of launches within a stretch, NaN where none has two; ``repeats`` the launches on A
    and on B.  ``spread`` is the standard deviation of stretch means that the interval rests on,
    with ``free`` degrees of freedom, ``stretches`` those on A and on B; ``typical`` is True where
    they are too few to show it and a typical spread stands in.  ``error`` is the standard error of
    ``value``.
    """

    value: float
    low: float
    high: float
    p: float
    scatter: float
    repeats: tuple[int, int]
    stretches: tuple[int, int]
    spread: float
    free: float
    typical: bool
    error: float


def difference(
    a: Sequence[Array], b: Sequence[Array], typical: float = 0.0, extra: float = 0.0
) -> Difference:
    """Compare two sides; each stretch is an array (launches,) of at least one value.

    ``typical`` is the standard deviation by which stretches of equal settings differ, in the
    measure's unit; it is used only below :data:`OWN` degrees of freedom.  ``extra`` is the standard
    error of a correction that was made to the values.  ``p`` is the larger of two: against the
    spread of the stretches, and against the scatter of the launches within them.
    """
    apart, within = parted(a, b)
    value = float(apart)
    scatter = pooled([*a, *b])
    sizes = (sum(map(len, a)), sum(map(len, b)))
    stretches = (len(a), len(b))
    free: float = len(a) + len(b) - 2
    squares = float(np.sum(within**2))
    stands_in = free < OWN
    if stands_in:
        if min(sizes) < FEWEST:
            return Difference(
                value,
                -math.inf,
                math.inf,
                1.0,
                scatter,
                sizes,
                stretches,
                math.nan,
                free,
                True,
                math.nan,
            )
        launches = np.mean([1 / len(one) for one in (*a, *b)]) * scatter**2
        assumed = typical**2 + (float(launches) if math.isfinite(scatter) else 0.0)
        squares, free = squares + TYPICAL_FREE * assumed, free + TYPICAL_FREE
    spread = math.sqrt(squares / free)
    scale = math.sqrt(1 / len(a) + 1 / len(b))
    error = math.hypot(spread * scale, extra)
    half = student(0.5 + LEVEL / 2, free) * error
    p = student_beyond(abs(value) / error, free) if error > 0 else float(value == 0)
    p = max(p, launches_p(value, scatter, a, b))
    return Difference(
        value,
        value - half,
        value + half,
        p,
        scatter,
        sizes,
        stretches,
        spread,
        free,
        stands_in,
        error,
    )


def parted(a: Sequence[Array], b: Sequence[Array]) -> tuple[Array, Array]:
    """Return how far the mean of B's stretches is from that of A's, and how far each stretch is
    from its side's, first A's and then B's; by column where a stretch has several."""
    sides = [np.array([one.mean(axis=0) for one in side]) for side in (a, b)]
    middles = [side.mean(axis=0) for side in sides]
    within = np.concatenate([side - middle for side, middle in zip(sides, middles, strict=True)])
    return np.asarray(middles[1] - middles[0]), within


def launches_p(value: float, scatter: float, a: Sequence[Array], b: Sequence[Array]) -> float:
    """Return the two-sided p of a difference against the ``scatter`` of the launches within the
    stretches alone, 0 where that is not known.

    Two stretches may agree by luck, or by a sensor's steps, far more closely than means of so few
    launches can: a difference must stand out from the launches' scatter as well.
    """
    own = scatter * math.hypot(*(math.sqrt(sum(1 / len(x) for x in s)) / len(s) for s in (a, b)))
    if not own > 0:
        return 0.0
    return student_beyond(abs(value) / own, sum(map(len, (*a, *b))) - len(a) - len(b))


def launchwise(a: Array, b: Array) -> Difference:
    """Compare conditions that were measured in every launch, shapes (n,) and (m,).

    Here the question is whether these very launches differed, not whether others would, so each
    launch stands for itself.
    """
    return difference([np.array([x]) for x in a], [np.array([x]) for x in b])


def pooled(stretches: Sequence[Array]) -> float:
    """Return the standard deviation within stretches, NaN where none has two values."""
    free = sum(len(one) - 1 for one in stretches)
    if free < 1:
        return math.nan
    return math.sqrt(sum(float(np.sum((one - one.mean()) ** 2)) for one in stretches) / free)


def adjusted(chances: Sequence[float]) -> list[float]:
    """Return p of several measures, corrected for their number (S. Holm, 1979)."""
    order = np.argsort(chances)
    result, least = [1.0] * len(chances), 0.0
    for place, at in enumerate(order):
        least = max(least, min(1.0, (len(chances) - place) * chances[at]))
        result[at] = least
    return result


def power(size: float, error: float, free: float) -> float:
    """Return the chance that a true difference of ``size`` is found at :data:`SURE`.

    ``error`` is the standard error of the difference, to be estimated with ``free`` degrees of
    freedom: the noncentral t, summed over the distribution of that estimate.
    """
    if not error > 0:
        return float(size > 0)
    edge = student(1 - SURE / 2, free)
    grid = np.linspace(1e-4, 1 + 8 / math.sqrt(free), 300)  # estimate over true error
    # Density of √(χ²/ν), but for its constant.
    logs = (free - 1) * np.log(grid) - free * grid**2 / 2
    weight = np.exp(logs - logs.max())
    found = np.array([_normal(size / error - edge * g) for g in grid])
    return float(np.sum(weight * found) / np.sum(weight))


def smallest(error: float, free: float) -> float:
    """Return the true difference that is found with chance :data:`FOUND`."""
    if not (math.isfinite(error) and error > 0):
        return 0.0 if error == 0 else math.inf
    low, high = 0.0, 1.0
    while power(high * error, error, free) < FOUND:
        high *= 2
    for _ in range(16):
        middle = (low + high) / 2
        low, high = (middle, high) if power(middle * error, error, free) < FOUND else (low, middle)
    return high * error


def stretches_for(size: float, spread: float) -> int | None:
    """Return the stretches on each side with which a difference of ``size`` is found four times in
    five, None where it cannot be said or passes 99."""
    if not (size > 0 and math.isfinite(spread)):
        return None
    for count in range(2, 100):
        if power(size, spread * math.sqrt(2 / count), 2 * count - 2) >= FOUND:
            return count
    return None


def _normal(z: float) -> float:
    return 0.5 * math.erfc(-z / math.sqrt(2))
