"""A difference of two settings where the stretches, too, tell how a measure goes with conditions.

Launches of one stretch show a slope that need not quite be that of rides: while the pack falls, the
windings warm.  So the launches' slope is where it starts, and how the stretches of one side lie
apart narrows it (Bayes' rule for the normal linear model with unknown variance, textbook form):
given a slope the difference is Student's t, and the slopes are summed over.
"""

import math
from dataclasses import replace
from itertools import product

import numpy as np

from ..findings.readings.chance import student
from ..findings.readings.series import Array
from .alike import Slopes
from .mixture import Mixture
from .statistics import LEVEL, Difference, launches_p, parted

OTHERWISE = 0.3
"""Standard deviation by which a slope of rides may be another than that of launches (ours, on
tests/trust/compare_bench.py)."""

AS_LAUNCHES = 2.0
"""Degrees of freedom that the launches' own scatter counts for where nothing else is left by which
stretches differ (ours, on tests/trust/compare_bench.py)."""

TEMPERED = 0.8
"""Power to which the likelihood of a slope is taken where loads, places and winds are left in how
stretches differ: that two of them lie along a slope by luck is likelier than the formula has it
(ours, on tests/trust/compare_bench.py)."""

GRID = np.linspace(-3.5, 3.5, 29)
"""Standard deviations at which a slope is tried."""

LEAST = 1e-6
"""Share of a measure that the spread of its stretches is taken to be at least."""


def learnt(
    plain: Difference, a: list[Array], b: list[Array], found: Slopes, alone: bool
) -> Difference:
    """Return ``plain``, which takes the launches' slopes as they are, with the stretches' own say.

    ``a`` and ``b`` are the stretches, each as :meth:`Slopes.even` takes them.  ``alone`` says that
    nothing but the conditions and what launches differ by is left in them: then the launches' own
    scatter counts as well.
    """
    apart, within = parted(a, b)
    tried, weight = _tried(found)
    squares = ((within[:, :1] - within[:, 1:] @ tried.T) ** 2).sum(axis=0)
    free, power = plain.free, 1.0 if alone else TEMPERED
    if alone and math.isfinite(plain.scatter):
        launches = np.mean([1 / len(one) for one in (*a, *b)]) * plain.scatter**2
        squares, free = squares + AS_LAUNCHES * launches, free + AS_LAUNCHES
    squares = np.maximum(squares, free * (LEAST * found.middle) ** 2)
    weight = weight * (squares / squares.min()) ** (-power * free / 2)
    scale = math.sqrt(1 / len(a) + 1 / len(b))
    effect = Mixture(
        weight / weight.sum(),
        apart[0] - tried @ apart[1:],
        np.sqrt(squares / free) * scale,
        free,
    )
    low, value, high = map(effect.quantile, ((1 - LEVEL) / 2, 0.5, (1 + LEVEL) / 2))
    error = (high - low) / 2 / student(0.5 + LEVEL / 2, free)
    return replace(
        plain,
        value=value,
        low=low,
        high=high,
        p=max(effect.p(), launches_p(value, plain.scatter, a, b)),
        spread=error / scale,
        free=free,
        error=error,
    )


def _tried(found: Slopes) -> tuple[Array, Array]:
    """Return slopes in the measure's unit, shape (m, k), and how likely each is beforehand."""
    count = len(found.slope)
    away = np.array(list(product(GRID, repeat=count)))  # of no conditions one row, without columns
    root = np.linalg.cholesky(found.about + OTHERWISE**2 * np.eye(count))
    return found.middle * (found.slope + away @ root.T), np.exp(-(away**2).sum(axis=1) / 2)
