"""Samples that are missing by the many, and samples that share one time."""

import numpy as np

from ..readings.series import Array, Flags
from .doubt import Spans, spans_of
from .look import Look

MISSING = 0.08
"""Share of a channel's samples whose lack is told (our choice: sums are then short by as much)."""

LATTICE = 0.1
"""How near the steps of a stream without a stated period must lie to whole numbers of the
shortest usual one, before holes in it are counted."""


SAME = 1e-6
"""s that two samples lie apart at most to have one time."""

LINK = 2.0
"""s without a sample from which it is the link that was lost, not samples."""


def check_times(look: Look) -> None:
    """Note streams and channels with many samples missing, and samples of one time."""
    for name, stream in look.ride.streams.items():
        if len(stream.time) < 20:
            continue
        step = np.diff(stream.time)
        # Where no host clock told when a device came back, its boots are set end to end.
        same = (step <= SAME) & (np.diff(stream.segment) == 0)
        twice = np.r_[False, same] | np.r_[same, False]
        if twice.any():
            count = int(np.count_nonzero(same))
            look.add(
                name,
                "two samples of one time",
                f"{count} of {len(stream.time)} samples carry the time of the one before.",
                _points(stream.time, twice),
            )
        holes = _holes(stream.time, same, stream.period)
        share = holes / (holes + len(stream.time))
        if share > MISSING:
            usual = stream.period or float(np.median(step))
            look.add(
                name,
                "samples missing",
                f"{100 * share:.0f} % of its samples are missing ({holes} of "
                f"{holes + len(stream.time)}); sums and lengths come out short by about as much.",
                _between(stream.time, step > 1.5 * usual),
                aside=False,
            )
        for key, values in stream.values.items():
            lacking = ~np.isfinite(values)
            share = float(lacking.mean())
            if MISSING < share < 1.0:
                look.add(
                    key,
                    "samples missing",
                    f"{100 * share:.0f} % of its samples hold no reading "
                    f"({np.count_nonzero(lacking)} of {len(values)}); sums and lengths come out "
                    "short by about as much.",
                    spans_of(stream.time, lacking, 0.0, 1.0),
                    aside=False,
                )


def _points(time: Array, flags: Flags) -> Spans:
    """Return the shared times, each up to the next one: the later sample lies anywhere between."""
    at = np.unique(time[flags])
    if len(at) > 0.5 * len(time):
        return ((float(time[0]), float(time[-1])),)
    after = np.minimum(np.searchsorted(time, at, "right"), len(time) - 1)
    ends = np.maximum(at, time[after] - SAME)
    return tuple(zip(at.tolist(), ends.tolist(), strict=True))


def _holes(time: Array, same: Flags, period: float) -> int:
    """Return how many samples lack between the ones there are; a lost link is told elsewhere.

    ``same`` (n - 1,) tells which samples carry the time of the one before.  Where they do, they
    are there, at a wrong time: each fills a place beside its time that would else be empty.
    """
    usual = period or float(np.median(np.diff(time)))
    if usual <= 0:
        return 0
    first = np.flatnonzero(np.r_[True, ~same])
    step = np.diff(time[first])
    whole = step / usual
    if not period and len(whole):
        off = np.abs(whole - np.rint(whole))
        if float(np.quantile(off, 0.9)) > LATTICE:
            return 0
    count = np.diff(np.r_[first, len(time)])
    short = (step < LINK) | (whole < 10)
    lacking = np.where(short, np.maximum(np.rint(whole) - 1, 0), 0)
    spare = count - 1
    after = np.minimum(lacking, spare[:-1])
    before = np.minimum(lacking - after, spare[1:] - np.r_[after[1:], 0])
    return int(np.sum(lacking - after - before))


def _between(time: Array, after: Flags) -> Spans:
    """Return the spans between the samples around each hole, near ones made one."""
    found: list[list[float]] = []
    for i in np.flatnonzero(after).tolist():
        if found and time[i] - found[-1][1] <= 1.0:
            found[-1][1] = float(time[i + 1])
        else:
            found.append([float(time[i]), float(time[i + 1])])
    return tuple((start, end) for start, end in found)
