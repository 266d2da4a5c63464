"""What drove a part's temperature, and what was read of it, on one grid of even steps."""

from dataclasses import dataclass
from functools import cached_property

import numpy as np
import numpy.typing as npt

from ..readings.series import Array, Flags, Series, interpolate, steps

LONG_GAP = 2.0
"""s of missing current samples from which the model starts anew at the measured temperature; a
shorter gap is too short to warm anything and takes the mean around it (our choice)."""

IRON = 1.5
"""Power of the speed that iron loss goes with."""

LEVELS = 24
"""Speeds that the steps of a ride are sorted into, because the steps of one speed are alike."""

STEPS, SHORTEST, COARSEST = 600, 1.0, 6.0
"""The grid has this many steps, but none shorter or longer than these s: what warms here takes half
a minute or more, and every step is exact for the mean of its losses (our choice)."""


@dataclass(frozen=True)
class HeatDrive:
    """Inputs along a grid of ``step`` s, each of shape (n,): mean squared current (A²), mean
    |current| (A), mean speed (m/s), air temperature (°C), and whether the current is known."""

    step: float
    square: Array
    linear: Array
    speed: Array
    air: Array
    known: Flags

    @cached_property
    def paces(self) -> "Paces":
        """The speeds of the steps in :data:`LEVELS` levels."""
        top = float(self.speed.max())
        sorted_in = np.minimum((self.speed / max(top, 1e-9) * LEVELS).astype(int), LEVELS - 1)
        level = np.unique(sorted_in, return_inverse=True)[1]
        many = np.bincount(level)
        return Paces(
            level,
            np.bincount(level, self.speed) / many,
            np.bincount(level, self.speed**IRON) / many,
            np.bincount(level, self.air) / many,
        )


@dataclass(frozen=True)
class Paces:
    """Steps sorted by speed: the ``level`` of each (n,), and of each level the mean ``speed``
    (m/s), the mean of what ``iron`` goes with, and the mean ``air`` (°C)."""

    level: npt.NDArray[np.intp]
    speed: Array
    iron: Array
    air: Array


def grid(
    current: Series, speed: Series | None, air: Series | None, temperature: Series, air_guess: float
) -> tuple[HeatDrive, Array, Array]:
    """Return the inputs on a grid, the mean temperature around each grid point (shape n + 1, NaN
    where none was read), and how many readings each holds."""
    start, end = float(temperature.time[0]), float(temperature.time[-1])
    wanted = np.clip((end - start) / STEPS, SHORTEST, COARSEST)
    count = max(round((end - start) / wanted), 1)
    edges = np.linspace(start, end, count + 1)
    step = float(edges[1] - edges[0])
    covered, square, linear = _amounts(current, edges)
    known = covered > 0.3 * step
    # s from each step to the nearest known one: short gaps take the mean around them.
    at = np.arange(count)
    before = np.maximum.accumulate(np.where(known, at, -count))
    after = np.minimum.accumulate(np.where(known, at, 2 * count)[::-1])[::-1]
    short = np.minimum(at - before, after - at) * step <= LONG_GAP / 2 + step
    short = known | (short & known.any())
    weight = np.where(known, covered, 1.0)
    means = [np.where(known, part / weight, np.nan) for part in (square, linear)]
    middle = (edges[1:] + edges[:-1]) / 2
    for mean in means:
        if known.any():
            mean[~known] = np.interp(middle[~known], middle[known], mean[known])
        mean[~short] = 0.0
    moving = np.zeros(count)
    if speed is not None:
        moving = np.abs(np.nan_to_num(interpolate(speed, middle)))
    around = np.full(count, air_guess)
    if air is not None:
        around = _steady(air, middle)
    number = np.clip(np.round((temperature.time - start) / step).astype(int), 0, count)
    readings = np.bincount(number, None, count + 1)
    total = np.bincount(number, temperature.value, count + 1)
    with np.errstate(invalid="ignore"):
        seen = np.where(readings > 0, total / np.maximum(readings, 1), np.nan)
    return HeatDrive(step, means[0], means[1], moving, around, short), seen, readings.astype(float)


def _steady(series: Series, at: Array) -> Array:
    """Return air readings averaged over the minute around ``at``, because air has no business to
    jump; where that holds none, between the readings around it."""
    low, high = (np.searchsorted(series.time, at + half) for half in (-30.0, 30.0))
    sums = np.r_[0.0, np.cumsum(series.value)]
    mean = (sums[high] - sums[low]) / np.maximum(high - low, 1)
    return np.where(high > low, mean, np.interp(at, series.time, series.value))


def _amounts(current: Series, edges: Array) -> tuple[Array, Array, Array]:
    """Return the integrals of 1, of a current's square and of its size between neighbouring edges,
    nothing across gaps."""
    step = steps(current)
    whole, found = np.zeros(len(current)), []
    for shape in (None, np.square, np.abs):  # one at a time: a long ride's are large
        if shape is None:
            parts = step
        else:
            value = shape(current.value)
            parts = value[1:] + value[:-1]
            del value
            parts *= step
            parts /= 2
        np.cumsum(parts, out=whole[1:])
        found.append(np.diff(np.interp(edges, current.time, whole)))
    return found[0], found[1], found[2]
