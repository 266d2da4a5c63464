"""One table on one time grid, without inventing samples."""

from collections.abc import Sequence

import numpy as np
import numpy.typing as npt
import pandas as pd

from sagline_logger.format import SaglineError

from .load.ride import Ride, StreamColumns

HOLD = 1.5
"""Periods for which a reading stands: one period is due, half a one covers jitter."""


def merge(ride: Ride, period: float, keys: Sequence[str] | str | None = None) -> pd.DataFrame:
    """Return the columns ``keys`` at 0, ``period``, 2 × ``period``, … s.

    ``keys`` is one name, several, or None for all.

    Each value is the last sample at or before its moment, so every number in the table was
    measured; a straight line between two samples would not have been.  It stands for at most 1.5
    periods of its stream, and in an irregular stream until the next sample; where samples are
    missing, the device restarted or nothing came, the table holds NaN.

    Raises:
        SaglineError: no such column, or a period that is no positive time.
    """
    if not (np.isfinite(period) and period > 0):
        raise SaglineError(f"a grid of {period} s", remedy="give a period above 0 s")
    if isinstance(keys, str):
        keys = [keys]
    steps = np.arange(int(ride.duration / period + 1e-9) + 1, dtype=np.float64)
    grid: npt.NDArray[np.float64] = np.multiply(steps, period)
    columns: dict[str, npt.NDArray[np.float64]] = {}
    taken: dict[str, tuple[npt.NDArray[np.intp], npt.NDArray[np.bool_]]] = {}
    for key in keys if keys is not None else _all_keys(ride):
        stream = ride.find(key)
        if stream is None:
            raise SaglineError(
                f"unknown channel {key!r}", where=ride.path, remedy=f"choose from: {_list(ride)}"
            )
        if stream.name not in taken:
            taken[stream.name] = _last(stream, grid)
        place, stands = taken[stream.name]
        column = np.full(grid.size, np.nan)
        column[stands] = stream.values[key][place[stands]]
        columns[key] = column
    found = pd.DataFrame(columns, index=pd.Index(grid, name="time"))
    units = {key: s.channels[key].unit for s in ride.streams.values() for key in s.channels}
    found.attrs["units"] = {key: units[key] for key in columns}
    return found


def _last(
    stream: StreamColumns, grid: npt.NDArray[np.float64]
) -> tuple[npt.NDArray[np.intp], npt.NDArray[np.bool_]]:
    """Return each moment's last sample, and whether that still stands."""
    place = np.searchsorted(stream.time, grid, side="right") - 1
    found = place >= 0
    place = np.maximum(place, 0)
    if not stream.time.size:
        return place, found
    age = grid - stream.time[place]
    if stream.period:
        return place, found & (age <= HOLD * stream.period)
    # Irregular: what stands before a gap, or last of all, holds at its own moment only.
    open_end = np.append(stream.gap[1:], True)
    return place, found & (~open_end[place] | (age == 0))


def _all_keys(ride: Ride) -> list[str]:
    return list(dict.fromkeys(key for s in ride.streams.values() for key in s.channels))


def _list(ride: Ride) -> str:
    return ", ".join(_all_keys(ride)) or "none"
