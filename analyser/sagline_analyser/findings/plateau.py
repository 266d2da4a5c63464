"""The level at which a quantity was held while something else moved: a limit at work.

A quantity below its limit follows the ride; one at its limit stays where it is whatever else moves.
So a level counts as a limit's only where the quantity stayed there while another quantity, which
would have moved it, went over a range: a motor current that stays while the duty cycle rises, a
battery current that stays while the motor current falls, a duty cycle that stays while the current
falls.  A peak or a steady cruise, where all stand still together, shows no limit.
"""

from dataclasses import dataclass
from functools import cached_property

import numpy as np

from .around import Around, around
from .series import Array, Flags

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

    @cached_property
    def step(self) -> Array:
        """The s that each sample stands for."""
        half = np.where(self.gap[1:], 0.0, np.diff(self.time)) / 2
        return np.asarray(np.r_[half, 0.0] + np.r_[0.0, half])

    @cached_property
    def near(self) -> Around:
        """The samples that ripple and noise are averaged over."""
        return around(self.time, self.gap, SMOOTH / 2, SLACK)

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


def resolution(value: Array) -> float:
    """Return the step of which the readings are made, 0 where there are fewer than two values."""
    apart = np.diff(np.unique(value[np.isfinite(value)]))
    apart = apart[apart > 1e-9]
    return float(apart.min()) if len(apart) else 0.0


def find_plateau(
    time: Array,
    gap: Flags,
    step: Array,
    value: Array,
    other: Array | None,
    where: Flags,
    near: float | None = None,
    grain: float = 0.0,
) -> Plateau | None:
    """Return the highest level at which ``value`` was held ``where`` while ``other`` moved.

    Arrays are of shape (n,) on ``time`` (s); ``step`` is the s each sample stands for; ``value``
    is smoothed already, of readings in steps of ``grain``.  With ``near`` only levels within
    :data:`REACH` of it are looked at, and there a held level counts even if nothing else moved:
    the level is expected.
    """
    inside = where & np.isfinite(value) & (value > 0)
    if near is not None:
        inside &= np.abs(value / near - 1) < REACH + WIDE
    if np.sum(step[inside]) < HELD:
        return None
    log = np.log(value[inside])
    top = float(log.max())
    edges = np.arange(max(float(log.min()), top - 2.5) - 4 * GRAIN, top + 5 * GRAIN, GRAIN)
    if len(edges) < 4:
        return None
    whole, _ = np.histogram(log, edges, weights=step[inside])
    width = round(NARROW / GRAIN)
    dense = np.convolve(whole, np.ones(width), "same")
    for at in _peaks(dense):
        level = float(np.exp((edges[at] + edges[at + 1]) / 2))
        if near is not None and abs(level / near - 1) > REACH:
            continue
        found = _judge(time, gap, step, value, other, inside, level, grain, near is not None)
        if found is not None:
            return found
    return None


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
    value: Array,
    other: Array | None,
    inside: Flags,
    level: float,
    grain: float,
    expected: bool,
) -> Plateau | None:
    narrow = max(NARROW, 0.6 * grain / level)
    band = narrow
    for _ in range(2):
        close = inside & (np.abs(value / level - 1) < band)
        if not close.any():
            return None
        level = float(np.median(value[close]))
        off = np.abs(value[close] / level - 1)
        spread = 1.48 * float(np.median(off))
        band = float(np.clip(2.5 * spread, narrow, max(narrow, WIDE)))
    close = inside & (np.abs(value / level - 1) < band)
    spans = _spans(time, gap, close)
    if not spans:
        return None
    held = np.zeros(len(time), bool)
    for first, last in spans:
        held[first : last + 1] = True
    seconds = float(np.sum(step[held]))
    # A limit is passed by an overshoot at most; what was lowered for a while is no limit.
    if np.sum(step[inside & (value > level * (1 + 2 * band))]) > OVER * seconds:
        return None
    moved, leans = 0.0, 0.0
    if other is not None:
        known = held & np.isfinite(other) & (other > 0)
        if known.any():
            x, y = np.log(other[known]), np.log(value[known])
            low, high = np.quantile(x, (0.05, 0.95))
            moved = float(high - low)
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


def _spans(time: Array, gap: Flags, flags: Flags) -> list[tuple[int, int]]:
    """Return (first, last) of the runs of ``flags`` that last :data:`HELD` s or more."""
    at = np.flatnonzero(flags)
    if not len(at):
        return []
    split = np.flatnonzero((np.diff(at) != 1) | gap[at[1:]]) + 1
    runs = ((int(run[0]), int(run[-1])) for run in np.split(at, split))
    return [(a, b) for a, b in runs if time[b] - time[a] >= HELD - 1e-9]
