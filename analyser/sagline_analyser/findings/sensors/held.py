"""A channel that says each reading again and again before it takes the next one.

The readings themselves are right, each at the moment it was taken; what is wrong is all that is
said after it.  So the others of the ride agree with the first sample of each hold, and no longer
with the later ones.  A quantity that did not move agrees with both, and so does one of a coarse
quantum.
"""

from dataclasses import dataclass

import numpy as np
import numpy.typing as npt

from ..readings.series import Array, Series
from .doubt import marked, runs, spans_of
from .look import Look
from .partners import likes_of

HOLD = 1.25
"""s from which a reading that stays is an old one: satellite receivers and battery monitors send
one each second (common practice, no source)."""

SAMPLES = 3
"""Samples that a hold has at least, so that it is the channel that stays and not its stream that is
slow (our choice)."""

HOLDS, TELLING = 20, 5
"""Holds one after another that are looked at, and those of them, at least, that the others must
have moved in (our choice)."""

FITS = 0.7
"""Share of the held readings' variance that the others explain at the moment they were taken."""

MOVED = 0.05
"""Share of the readings' whole range from which the others are said to have moved."""

LEVELS, STEPS = 8, 3.0
"""Different readings that are held, at least, and steps between them that the others must have
moved by: a coarse quantum holds still by itself (our choice)."""

WORSE = 4.0
"""By how much the mean square of what is left must have grown from a hold's first sample to its
later half (our choice: an error of twice the size)."""


@dataclass(frozen=True)
class Holds:
    """Holds of one column that follow each other: the ``first`` and ``last`` sample of each (h,),
    the ``value`` (h,) they hold in the column's unit, and when (h,) they ``start`` and ``end``, in
    s."""

    first: npt.NDArray[np.intp]
    last: npt.NDArray[np.intp]
    value: Array
    start: Array
    end: Array


def check_held(look: Look) -> None:
    """Note every column that holds each reading while the sensors it goes with go on."""
    found = []
    for key, partners in likes_of(look):
        series = look.native(key)
        holds = holds_of(series) if series is not None else None
        if series is not None and holds is not None and _stale(look, holds, partners):
            found.append((key, series, holds))
    for key, series, holds in found:
        rows = zip(holds.first.tolist(), holds.last.tolist(), strict=True)
        flags = marked(rows, len(series))
        lasts = np.median(holds.end - holds.start)
        look.add(
            key,
            "repeats",
            f"It said one reading for {lasts:.1f} s before the next, {len(holds.value)} times, "
            f"{float(np.sum(holds.end - holds.start)):.0f} s in all, while the sensors it goes "
            "with went on.",
            spans_of(series.time, flags, 0.0, HOLD),
        )


def holds_of(series: Series) -> Holds | None:
    """Return the holds of a column of which :data:`HOLDS` or more follow each other; None where
    there are no such."""
    if len(series) < HOLDS * SAMPLES:
        return None
    first = np.flatnonzero(np.r_[True, np.diff(series.value) != 0])
    last = np.r_[first[1:], len(series)] - 1
    start = series.time[first]
    end = np.r_[series.time[first[1:]], series.time[-1]]
    long = (end - start >= HOLD) & (last - first + 1 >= SAMPLES)
    kept = marked(runs(long, HOLDS), len(first))
    if not kept.any():
        return None
    first, last = first[kept], last[kept]
    return Holds(first, last, series.value[first], start[kept], end[kept])


def _stale(look: Look, holds: Holds, partners: list[Array]) -> bool:
    """Return whether the partners (each (n,) on the axis) tell the held readings at the moment they
    were taken, and other ones later."""
    table = np.column_stack([np.ones(len(look.time)), *partners])
    at = np.searchsorted(look.time, holds.start, "left")
    half = np.searchsorted(look.time, (holds.start + holds.end) / 2, "left")
    until = np.searchsorted(look.time, holds.end, "left")
    inside = (at < half) & (half < until)
    known = np.asarray(np.isfinite(table).all(axis=1))
    inside[inside] &= known[at[inside]]
    if np.count_nonzero(inside) < HOLDS:
        return False
    at, half, until = at[inside], half[inside], until[inside]
    value = holds.value[inside]
    fit = np.linalg.lstsq(table[at], value, rcond=None)[0]
    told = table @ fit
    early = value - told[at]
    if float(np.var(value)) <= 0 or 1 - float(np.var(early)) / float(np.var(value)) < FITS:
        return False
    low, high = np.quantile(value, (0.02, 0.98))
    # What is sent finely may have been read coarsely: then it stays until the next step is reached.
    levels = np.unique(value)
    if len(levels) < LEVELS:
        return False
    least = max(MOVED * float(high - low), STEPS * float(np.diff(levels).min()))
    before, after = [], []
    for k in range(len(at)):
        late = told[half[k] : until[k]]
        late = late[np.isfinite(late)]
        if len(late) and float(np.abs(late - told[at[k]]).max()) > least:
            before.append(early[k] ** 2)
            after.append(float(np.mean((value[k] - late) ** 2)))
    return len(after) >= TELLING and sum(after) > WORSE * sum(before)
