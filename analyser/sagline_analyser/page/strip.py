"""The whole ride at a glance: what the strip at the head of a page draws."""

import numpy as np
import numpy.typing as npt

from ..findings.readings.electric import present
from ..findings.readings.gathered import Gathered
from ..findings.readings.series import Series
from ..findings.readings.unknown import NotKnown
from .page_data import StripData, Values

STRETCHES = 480
"""Equal stretches of the ride that the strip is drawn from, each with its extremes."""


def strip(it: Gathered) -> StripData:
    """Return the strip's rows; a row whose channel was not recorded is left out.

    ``speed`` the greatest |speed| of each stretch in km/h, ``current`` the least and the greatest
    battery current in A, ``cell`` the lowest cell in V above ``stop``, its stop voltage (above 0 V
    where no board file states one).  None where a stretch holds no sample.
    """
    found: StripData = {"count": STRETCHES}
    ride, speed = it.ride, it.speed
    if not isinstance(speed, NotKnown):
        low, high = _extremes(speed.series, ride.duration)
        found["speed"] = _rounded(3.6 * np.fmax(np.abs(low), np.abs(high)), 1)
    if it.current is not None:
        low, high = _extremes(it.current.series, ride.duration)
        found["current"] = [_rounded(low, 1), _rounded(high, 1)]
    if cells := present(ride, "cell_voltage"):
        lowest = np.full(STRETCHES, np.inf)
        for _, series in cells:
            lowest = np.fmin(lowest, _extremes(series, ride.duration)[0])
        stop = it.board.battery.cell_stop if it.board else None
        found["stop"] = stop
        found["cell"] = _rounded(lowest - (stop or 0.0), 3)
    return found


def _extremes(
    series: Series, duration: float
) -> tuple[npt.NDArray[np.float64], npt.NDArray[np.float64]]:
    """Return the least and the greatest reading of each stretch.

    A stretch between two samples of a slow stream holds what was read last; NaN where a gap or
    the stream's end left nothing.
    """
    edges = np.linspace(0.0, max(duration, 1e-3), STRETCHES + 1)[:-1]
    starts = np.searchsorted(series.time, edges)
    counts = np.diff(np.append(starts, len(series)))
    low, high = np.full(STRETCHES, np.nan), np.full(STRETCHES, np.nan)
    filled = np.flatnonzero(counts > 0)
    if len(filled):
        low[filled] = np.minimum.reduceat(series.value, starts[filled])
        high[filled] = np.maximum.reduceat(series.value, starts[filled])
    empty = np.flatnonzero((counts == 0) & (starts > 0) & (starts < len(series)))
    held = empty[~series.gap[starts[empty]]]
    low[held] = high[held] = series.value[starts[held] - 1]
    return low, high


def _rounded(values: npt.NDArray[np.float64], digits: int) -> Values:
    finite = np.isfinite(values)
    return [
        float(value) if good else None
        for value, good in zip(np.round(values, digits), finite, strict=True)
    ]
