"""The level at which a quantity was held while something else moved: a limit at work.

A quantity below its limit follows the ride; one at its limit stays where it is whatever else moves.
So a level counts as a limit's only where the quantity stayed there while another quantity, which
would have moved it, went over a range: a motor current that stays while the duty cycle rises, a
battery current that stays while the motor current falls, a duty cycle that stays while the current
falls.  A peak or a steady cruise, where all stand still together, shows no limit.
"""

import math
from dataclasses import dataclass, field
from functools import cached_property

import numpy as np
import numpy.typing as npt

from ..readings.around import Around, around
from ..readings.quantiles import median, median_near, quantiles
from ..readings.series import KEEP, Array, Flags, Series, interpolate

HELD = 0.3
"""s for which a quantity must stay at a level to count as held (our choice)."""

SMOOTH = 0.1
"""s over which ripple and noise are averaged (our choice)."""

SLACK = 1e-9
"""s by which rounding may put a sample outside."""

NARROW = 0.015
"""Least share of a level within which a quantity counts as staying there (our choice)."""

WIDE = 0.03
"""Most of the same, however noisy the quantity (our choice)."""

MOVED = 0.12
"""Share by which the other quantity must have moved meanwhile (our choice)."""

REACH = 0.12
"""Share to either side of a stated value within which its level is expected (our choice)."""

LEANS = 0.06
"""Share per share by which a quantity may follow the other and still count as held (our choice):
one that slides while the other goes is on its way, as where a cut-back follows the voltage."""

OVER = 0.15
"""Time above a level, as a share of that at it, which an overshoot may take (our choice)."""

GRAIN = 0.0025
"""Step of the levels tried, as a share (our choice)."""

FEW, SOME = 1 << 16, 1 << 12
"""Readings looked at together, and those from which it is judged whether many are alike."""


FINE = 1e-5
"""Share of their range below which the steps of readings are as good as none (our choice)."""

Numbers = npt.NDArray[np.intp]


@dataclass(frozen=True)
class Plateau:
    """A quantity held at ``level``, with a 1-sigma ``spread`` in the same unit, for ``seconds``.

    ``moved`` is the share by which the other quantity went over its range meanwhile, ``spans`` are
    the stretches of :data:`HELD` s or more, (start, end) in s.
    """

    level: float
    spread: float
    seconds: float
    moved: float
    spans: tuple[tuple[float, float], ...]


@dataclass(frozen=True)
class Axis:
    """The time base of a motor's readings, ``time`` in s and ``gap`` (n,), and what is to be had of
    it once for all quantities on it."""

    time: Array
    gap: Flags
    _kept: dict[int, "Reading"] = field(default_factory=dict, init=False, repr=False, compare=False)

    _shared: dict[int, tuple[Series, Array]] = field(
        default_factory=dict, init=False, repr=False, compare=False
    )

    @cached_property
    def step(self) -> Array:
        """The s that each sample stands for."""
        half = np.where(self.gap[1:], 0.0, np.diff(self.time)) / 2
        return np.asarray(np.r_[half, 0.0] + np.r_[0.0, half])

    @cached_property
    def near(self) -> Around:
        """The samples that ripple and noise are averaged over."""
        return around(self.time, self.gap, SMOOTH / 2, SLACK)

    def read(self, series: Series) -> Array:
        """Return what is the same for every motor, as the vehicle's speed, at these times."""
        if id(series) not in self._shared:
            self._shared[id(series)] = series, interpolate(series, self.time)
        return self._shared[id(series)][1]

    def reading(self, value: Array) -> "Reading":
        """Return a quantity (n,) on this time base; kept, but for a long ride's."""
        known = self._kept.get(id(value))
        if known is not None and known.value is value:
            return known
        found = Reading(self, value)
        if len(value) <= KEEP:
            self._kept[id(value)] = found
        return found

    def smooth(self, value: Array) -> Array:
        """Return the mean of ``value`` over :data:`SMOOTH` s around each sample, never across a
        gap or a missing reading."""
        if len(value) < 3:
            return value
        known = np.isfinite(value)
        if known.all():
            return self.near.mean(value)
        breaks = self.gap | ~known
        breaks[1:] |= ~known[:-1]
        near = around(self.time, breaks, SMOOTH / 2, SLACK)
        return np.where(known, near.mean(np.where(known, value, 0.0)), np.nan)


@dataclass(frozen=True)
class Reading:
    """A quantity, ``value`` (n,) on the time base ``axis``, and what several questions ask of it.

    Of a quantity and its negative all this is the same but for the sign of ``even``.
    """

    axis: Axis
    value: Array

    @cached_property
    def even(self) -> Array:
        """The quantity without ripple and noise (:meth:`Axis.smooth`), shape (n,)."""
        return self.axis.smooth(self.value)

    @cached_property
    def grain(self) -> float:
        """The step of which the readings are made (:func:`resolution`)."""
        return resolution(self.value)

    @cached_property
    def noise(self) -> float:
        """The standard deviation of a sample's noise (:func:`noise`)."""
        return noise(self.value)


def resolution(value: Array) -> float:
    """Return the step of which the readings are made, 0 where there are fewer than two values."""
    value = value[np.isfinite(value)]
    some = np.unique(value[:: 1 + len(value) // SOME])
    step = _least_apart(some)
    if 0 < step < FINE * float(np.ptp(some)):
        return step  # some of them show that the steps are too fine to matter
    if step > 0 and _all_on(value, float(some[0]), step):
        return step
    return _least_apart(_different(value, some))


def _all_on(value: Array, base: float, step: float) -> bool:
    """Whether every value lies a whole number of steps from ``base``: then none are nearer to each
    other than one step, and nothing has to be sorted to know it."""
    for at in range(0, len(value), FEW):
        number = (value[at : at + FEW] - base) / step
        number -= np.rint(number)
        if np.abs(number, out=number).max() > 1e-3:
            return False
    return True


def _least_apart(rising: Array) -> float:
    apart = np.diff(rising)
    apart = apart[apart > 1e-9]
    return float(apart.min()) if len(apart) else 0.0


def _different(value: Array, found: Array) -> Array:
    """Return the different values in rising order, some of them ``found`` already.

    A sensor's are few: those of a block at a time, and then those of all blocks, need less memory.
    """
    blocks = [found]
    for at in range(0, len(value), FEW):
        block = value[at : at + FEW]
        if len(found) < SOME // 4:  # only those not met yet are sorted
            near = found.take(np.searchsorted(found, block), mode="clip")
            block = block[near != block]
        if len(block):
            blocks.append(np.unique(block))
    return np.asarray(np.unique(np.concatenate(blocks)))


def noise(series: Array) -> float:
    """Return the standard deviation of a series' sample noise, from its second differences.

    White noise of deviation s has second differences of deviation √6 s; their median magnitude is
    0.6745 of that and, unlike their mean, deaf to real steps.
    """
    if len(series) < 5:
        return 0.0
    bends = np.diff(series, 2)
    np.abs(bends, out=bends)
    if not np.isnan(bends.max()):
        return median_near(bends, median(bends[:: 1 + len(bends) // SOME])) / 0.6745 / math.sqrt(6)
    if np.isnan(bends).all():
        return 0.0
    return float(np.nanmedian(bends, overwrite_input=True) / 0.6745 / np.sqrt(6))


def find_plateau(
    time: Array,
    gap: Flags,
    step: Array,
    value: Array,
    other: Array | None,
    where: Flags,
    near: float | None = None,
    grain: float = 0.0,
    sharp: float = np.inf,
) -> Plateau | None:
    """Return the highest level at which ``value`` was held ``where`` while ``other`` moved.

    Arrays are of shape (n,) on ``time`` (s); ``step`` is the s each sample stands for; ``value``
    is smoothed already, of readings in steps of ``grain``.  With ``near`` only levels within
    :data:`REACH` of it are looked at, and there a held level counts even if nothing else moved:
    the level is expected.  ``sharp`` is the most that it may spread, in its own unit: a quantity
    that is clamped spreads by its noise alone.
    """
    # Only these samples are looked at: most of a ride is none of them.
    inside = np.flatnonzero(where)
    own = value[inside]
    fits = np.isfinite(own) & (own > 0)
    if near is not None:
        fits &= np.abs(own / near - 1) < REACH + WIDE
    inside, own = inside[fits], own[fits]
    if np.sum(step[inside]) < HELD:
        return None
    log = np.log(own)
    top = float(log.max())
    edges = np.arange(max(float(log.min()), top - 2.5) - 4 * GRAIN, top + 5 * GRAIN, GRAIN)
    if len(edges) < 4:
        return None
    whole = _in_bins(log, edges, step[inside])
    narrow = min(NARROW, 2 * sharp / float(np.exp(top)))
    width = max(1, round(narrow / GRAIN))
    dense = np.convolve(whole, np.ones(width), "same")
    for at in _peaks(dense):
        level = float(np.exp((edges[at] + edges[at + 1]) / 2))
        if near is not None and abs(level / near - 1) > REACH:
            continue
        found = _judge(time, gap, step, own, other, inside, level, grain, near is not None, narrow)
        if found is not None and found.spread <= sharp:
            return found
    return None


def _in_bins(value: Array, edges: Array, weight: Array) -> Array:
    """Return the weights of the values between neighbouring ``edges``, which are :data:`GRAIN`
    apart; none is above the last.  ``np.histogram`` of as many bins sorts all values."""
    inside = value >= edges[0]
    value, weight = value[inside], weight[inside]
    place = ((value - edges[0]) / GRAIN).astype(np.intp)
    place -= value < edges[place]  # the quotient is rounded
    place += value >= edges[place + 1]
    return np.asarray(np.bincount(place, weight, len(edges) - 1), np.float64)


def _peaks(dense: Array) -> list[int]:
    """Return where time crowds for :data:`HELD` s or more, the highest level first."""
    wide = 2 * round(NARROW / GRAIN) + 1
    padded = np.pad(dense, wide // 2, mode="constant")
    most = np.lib.stride_tricks.sliding_window_view(padded, wide).max(axis=1)
    at = np.flatnonzero((dense >= most - 1e-12) & (dense >= HELD))
    # A flat top is one peak.
    split = np.flatnonzero(np.diff(at) > 1) + 1
    return [int(group[len(group) // 2]) for group in np.split(at, split) if len(group)][::-1]


def _judge(
    time: Array,
    gap: Flags,
    step: Array,
    own: Array,
    other: Array | None,
    inside: Numbers,
    level: float,
    grain: float,
    expected: bool,
    within: float,
) -> Plateau | None:
    """Judge one level; ``own`` is the quantity at the samples ``inside``, held ``within`` a share
    of it, or more where it is noisy; what is clamped, within less than NARROW, never in more."""
    narrow = max(within, 0.6 * grain / level)
    wide = max(narrow, WIDE) if within >= NARROW else narrow
    band = narrow
    for _ in range(2):
        close = own[np.abs(own / level - 1) < band]
        if not len(close):
            return None
        level = median(close)
        off = np.abs(close / level - 1)
        spread = 1.48 * median(off)
        band = float(np.clip(2.5 * spread, narrow, wide))
    spans = _spans(time, gap, inside[np.abs(own / level - 1) < band])
    if not spans:
        return None
    held = np.concatenate([np.arange(first, last + 1) for first, last in spans])
    seconds = float(np.sum(step[held]))
    # A limit is passed by an overshoot at most; what was lowered for a while is no limit.
    if np.sum(step[inside[own > level * (1 + 2 * band)]]) > OVER * seconds:
        return None
    moved, leans = 0.0, 0.0
    if other is not None:
        beside = other[held]
        known = np.isfinite(beside) & (beside > 0)
        if known.any():
            # A held stretch is an unbroken run of the samples looked at.
            x, y = np.log(beside[known]), np.log(own[np.searchsorted(inside, held[known])])
            low, high = quantiles(x, (0.05, 0.95))
            moved = high - low
            leans = float(np.polyfit(x - x.mean(), y, 1)[0]) if moved > MOVED else 0.0
    if abs(leans) > LEANS or (not expected and moved < max(MOVED, 3 * band)):
        return None
    return Plateau(
        level,
        spread * level,
        seconds,
        moved,
        tuple((float(time[a]), float(time[b])) for a, b in spans),
    )


def _spans(time: Array, gap: Flags, at: Numbers) -> list[tuple[int, int]]:
    """Return (first, last) of the runs of the samples ``at`` that last :data:`HELD` s or more."""
    if not len(at):
        return []
    split = np.flatnonzero((np.diff(at) != 1) | gap[at[1:]])
    first, last = at[np.r_[0, split + 1]], at[np.r_[split, len(at) - 1]]
    long = time[last] - time[first] >= HELD - 1e-9
    return list(zip(first[long].tolist(), last[long].tolist(), strict=True))
