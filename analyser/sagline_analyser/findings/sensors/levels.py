"""Stretches at a level that a quantity cannot have come to: it would have had to jump there."""

from dataclasses import dataclass

import numpy as np

from ..readings.series import Array, Flags, Series


@dataclass(frozen=True)
class ReadingPace:
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
        first,
        series.time[first],
        series.time[last],
        np.minimum.reduceat(series.value, first),
        np.maximum.reduceat(series.value, first),
    )


LONG = 10.0
"""s without a sample after which a quantity may have come to anything: the pack may be another."""

TOLD_APART = 0.02
"""Share of the blocks on which the two ways of :func:`unreachable` may differ."""


def unreachable(blocks: Blocks, pace: ReadingPace, possible: Flags) -> Flags:
    """Return which blocks lie where the quantity cannot have come to from the trusted ones.

    Trust goes from block to block both ways; a block that is not possible is never trusted.  It
    starts at the block nearest to the middle of the possible ones, and once more at the first; if
    that leads to other blocks, nothing tells which are the true ones, and all are doubted.
    """
    middle = (blocks.low + blocks.high) / 2
    calm = possible & (blocks.high - blocks.low <= pace.room + pace.fast * pace.block)
    if not calm.any():
        return np.ones(len(possible), bool) if not possible.all() else ~possible
    usual = int(np.argmin(np.where(calm, np.abs(middle - np.median(middle[calm])), np.inf)))
    doubted = _from(usual, blocks, pace, possible)
    if np.array_equal(doubted, ~possible):
        return doubted
    other = _from(int(np.argmax(calm)), blocks, pace, possible)
    if np.mean(doubted != other) > TOLD_APART:
        return np.ones(len(possible), bool)
    return doubted | other


def _from(start: int, blocks: Blocks, pace: ReadingPace, possible: Flags) -> Flags:
    """Return which blocks cannot be reached from the block ``start``."""
    doubted = ~possible
    at = (blocks.start + blocks.end) / 2
    parted = np.diff(blocks.start, prepend=blocks.start[0]) > LONG
    for way, before in (
        (slice(start, None), parted[start:]),
        (slice(start, None, -1), np.r_[False, parted[start:0:-1]]),
    ):
        doubted[way] |= _lost(
            blocks.low[way], blocks.high[way], at[way], possible[way], before, pace
        )
    return doubted


def _lost(
    low: Array, high: Array, at: Array, fine: Flags, parted: Flags, pace: ReadingPace
) -> Flags:
    """Return which blocks the last trusted one before does not lead to; the first is trusted.

    ``parted`` tells where a long time without a sample lies before a block.
    """
    lost = np.zeros(len(at), bool)
    middle = (low + high) / 2
    # Mostly each block leads to the next: all of these are judged together.
    before, when = np.r_[middle[:1], middle[:-1]], np.r_[at[:1], at[:-1]]
    away = np.abs(at - when)
    room = pace.room + np.minimum(
        pace.fast * np.minimum(away, 1.0) + pace.slow * np.maximum(away - 1.0, 0.0), pace.most
    )
    anew = parted & (np.arange(len(at)) > 0)
    leads = fine & (anew | ((high - before <= room) & (before - low <= room)))
    falls = np.flatnonzero(~leads).tolist()
    done = 0
    for fall in falls:
        if fall < done:
            continue
        ref, time = float(before[fall]), float(when[fall])
        done = fall
        while done < len(at):
            gone = abs(float(at[done]) - time)
            near = pace.room + min(
                pace.fast * min(gone, 1.0) + pace.slow * max(gone - 1.0, 0.0), pace.most
            )
            if fine[done] and (
                anew[done] or (high[done] - ref <= near and ref - low[done] <= near)
            ):
                break
            lost[done] = True
            done += 1
        done += 1  # that one is trusted, and the next held against it
    return lost
