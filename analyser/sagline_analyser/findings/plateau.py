"""The level at which a quantity was held while something else moved: a limit at work.

A quantity below its limit follows the ride; one at its limit stays where it is whatever else moves.
So a level counts as a limit's only where the quantity stayed there while another quantity, which
would have moved it, went over a range: a motor current that stays while the duty cycle rises, a
battery current that stays while the motor current falls, a duty cycle that stays while the current
falls.  A peak or a steady cruise, where all stand still together, shows no limit.
"""

from dataclasses import dataclass

import numpy as np

from .series import Array, Flags

HELD = 0.3
"""s for which a quantity must stay at a level to count as held (our choice)."""

SMOOTH = 0.1
"""s over which ripple and noise are averaged (our choice)."""

NARROW = 0.015
"""Least share of a level within which a quantity counts as staying there (our choice)."""

WIDE = 0.03
"""Most of the same, however noisy the quantity (our choice)."""

MOVED = 0.12
"""Share by which the other quantity must have moved meanwhile (our choice)."""

LEANS = 0.06
"""Share per share by which a quantity may follow the other and still count as held (our choice):
one that slides while the other goes is on its way, as where a cut-back follows the voltage."""

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


def smooth(time: Array, value: Array, gap: Flags, window: float = SMOOTH) -> Array:
    """Return the mean of ``value`` over ``window`` s around each sample, never across a gap."""
    count = len(time)
    if count < 3:
        return value
    known = np.isfinite(value)
    breaks = gap | ~known
    breaks[1:] |= ~known[:-1]
    breaks[0] = True
    run = np.cumsum(breaks) - 1
    first = np.flatnonzero(breaks)
    end = np.r_[first[1:], count]
    low = np.maximum(np.searchsorted(time, time - window / 2 - 1e-9, "left"), first[run])
    high = np.minimum(np.searchsorted(time, time + window / 2 + 1e-9, "right"), end[run])
    sums = np.r_[0.0, np.cumsum(np.where(known, value, 0.0))]
    return np.where(known, (sums[high] - sums[low]) / np.maximum(high - low, 1), np.nan)


def find_plateau(
    time: Array, gap: Flags, step: Array, value: Array, other: Array | None, where: Flags,
    near: float | None = None, reach: float = 0.12,
) -> Plateau | None:  # fmt: skip
    """Return the highest level at which ``value`` was held ``where`` while ``other`` moved.

    Arrays are of shape (n,) on ``time`` (s); ``step`` is the s each sample stands for; ``value``
    is smoothed already.  With ``near`` only levels within ``reach`` (a share) of it are looked at,
    and there a held level counts even if nothing else moved: the level is expected.
    """
    inside = where & np.isfinite(value) & (value > 0)
    if near is not None:
        inside &= np.abs(value / near - 1) < reach + WIDE
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
        if near is not None and abs(level / near - 1) > reach:
            continue
        found = _judge(time, gap, step, value, other, inside, level, near is not None)
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
    time: Array, gap: Flags, step: Array, value: Array, other: Array | None, inside: Flags,
    level: float, expected: bool,
) -> Plateau | None:  # fmt: skip
    band = NARROW
    for _ in range(2):
        close = inside & (np.abs(value / level - 1) < band)
        if not close.any():
            return None
        level = float(np.median(value[close]))
        off = np.abs(value[close] / level - 1)
        spread = 1.48 * float(np.median(off))
        band = float(np.clip(2.5 * spread, NARROW, WIDE))
    close = inside & (np.abs(value / level - 1) < band)
    spans = _spans(time, gap, close)
    if not spans:
        return None
    held = np.zeros(len(time), bool)
    for first, last in spans:
        held[first : last + 1] = True
    seconds = float(np.sum(step[held]))
    # Time just above the level: a quantity that passes through has as much there as here.
    above = inside & (value > level * (1 + band)) & (value < level * (1 + 3 * band))
    if np.sum(step[above]) > 0.5 * seconds:
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
        level, spread * level, seconds, moved,
        tuple((float(time[a]), float(time[b])) for a, b in spans),
    )  # fmt: skip


def _spans(time: Array, gap: Flags, flags: Flags) -> list[tuple[int, int]]:
    """Return (first, last) of the runs of ``flags`` that last :data:`HELD` s or more."""
    at = np.flatnonzero(flags)
    if not len(at):
        return []
    split = np.flatnonzero((np.diff(at) != 1) | gap[at[1:]]) + 1
    runs = ((int(run[0]), int(run[-1])) for run in np.split(at, split))
    return [(a, b) for a, b in runs if time[b] - time[a] >= HELD - 1e-9]
