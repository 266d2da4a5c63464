"""A board that goes on sending and no longer measures: all that it says stays the very same."""

import numpy as np

from sagline_logger.format import vocabulary

from ...load.ride import StreamColumns
from ..readings.series import Array, Flags
from .currents import CURRENTS
from .doubt import runs
from .look import Look

LEAST = 10.0
"""s for which everything must stay the same (our choice: noise and falling voltages move something
within a second or two)."""

MANY = 4
"""Columns that must be there to say so."""

FLOWS, ROLLS = 2.0, 1.0
"""A, and m/s, from which something is going on that would move the others."""


def check_still(look: Look) -> None:
    """Note the streams of a board all of whose columns stay the very same while it claims a current
    or a speed."""
    columns = [
        look.at(key)
        for stream in look.ride.streams.values()
        for key, channel in stream.channels.items()
        if channel.name in vocabulary() and vocabulary()[channel.name].group != "temperature"
    ]
    if len(columns) < MANY:
        return
    there = sum(np.isfinite(column).astype(int) for column in columns)
    same = np.logical_and.reduce([_unchanged(column) for column in columns]) & (there >= MANY)
    going = _going_on(look)
    for first, last in runs(same, max(int(LEAST / look.step), 2)):
        if not going[first : last + 1].all():
            continue
        start, end = float(look.time[first]) - look.step, float(look.time[last])
        told = (
            f"Everything that the board sends stayed the very same for {end - start:.0f} s from "
            f"{start:.1f} s on, a current or a speed among it: it went on sending and no longer "
            "measured."
        )
        for stream in look.ride.streams.values():
            if _sent_the_same(stream, start + look.step, end):
                look.add(stream.name, "stands still", told, ((start, end),))


def _unchanged(column: Array) -> Flags:
    before = np.r_[np.nan, column[:-1]]
    return np.asarray((column == before) | (np.isnan(column) & np.isnan(before)))


def _going_on(look: Look) -> Flags:
    """Return where a current flows or the vehicle rolls."""
    going = np.zeros(len(look.time), bool)
    with np.errstate(invalid="ignore"):
        for name in CURRENTS:
            for column in look.all_of(name):
                going |= np.abs(column) > FLOWS
        for column in look.all_of("speed"):
            going |= np.abs(column) > ROLLS
    return going


def _sent_the_same(stream: StreamColumns, start: float, end: float) -> bool:
    """Return whether a stream has samples in a span, and they are all alike."""
    first, last = np.searchsorted(stream.time, (start, end))
    if last - first < 2:
        return False
    # Temperatures hold still anyhow: they go with the rest.
    return all(
        np.array_equal(values[first : last - 1], values[first + 1 : last], equal_nan=True)
        for values in (stream.values[key] for key in stream.channels)
    )
