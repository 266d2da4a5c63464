"""The rests of a pack within one ride: what its cells show without load, and the charge between."""

import math
from collections.abc import Sequence

import numpy as np

from ...load.ride import Ride
from ..readings.coverage import ENOUGH
from ..readings.electric import battery_current, present
from ..readings.packs import PackSpan, during
from ..readings.series import Array, Series, interpolate, reading_at
from .history import RestPoint

IDLE = 1.0
"""A up to which a pack counts as resting; what so little takes is allowed for."""

SHORTEST, LEAST_START = 60.0, 3.0
"""s that a rest must last; at the start of a capture less will do, with :data:`RIDDEN_BEFORE`."""

RIDDEN_BEFORE = 0.05
"""V by which a cell whose earlier hours are not known may miss its rest (our judgement)."""

LATE = 2.0
"""s after the load went that are left out: readings late against the current."""

FINEST = 0.0005
"""V that no reading is finer than."""

CURRENT_ERROR, OFFSET = 0.015, 0.08
"""Share and A (90 %) by which a current sensor may miss (common for hall sensors, no source)."""

LEAST = 10


def rest_points(ride: Ride, span: PackSpan) -> tuple[RestPoint, ...]:
    """Return the rests of one pack: every stretch of at least :data:`SHORTEST` s with at most
    :data:`IDLE` A, and the start where the capture begins at rest; () without currents and cells.

    After a load the voltage creeps towards its rest as diffusion evens out the charge: from an
    endless slab loaded for T s, V(t) = V∞ − a·(√(t + T) − √t) (Crank, The Mathematics of Diffusion,
    from memory).  A particle is no endless slab and ends sooner, so the truth lies between the
    last reading and that V∞: told is the middle, the error reaches both.  What flowed while the
    current was not known is taken for the mean of both its ends and doubted by the most there was;
    where more than half of the time since the first rest is unknown, no rest is told.
    """
    current = battery_current(ride)
    cells = [(key, during(series, span)) for key, series in present(ride, "cell_voltage")]
    cells = [(key, series) for key, series in cells if len(series) > LEAST]
    if current is None or not cells:
        return ()
    amperes = during(current.series, span)
    if len(amperes) < LEAST:
        return ()
    warm = present(ride, "battery_temperature")
    ohms = np.array([_slope(series, amperes) for _, series in cells])
    drawn, unseen = _drawn(amperes), _unseen(amperes)
    most = float(np.max(np.abs(amperes.value)))
    origin = 0
    found: list[RestPoint] = []
    for first, last in _stretches(amperes):
        begin, end = float(amperes.time[first]), float(amperes.time[last])
        opening = first == 0 and not found
        if end - begin < (LEAST_START if opening else SHORTEST):
            continue
        loaded = 0.0 if opening else begin - float(amperes.time[0])
        small = float(np.mean(amperes.value[first : last + 1]))
        rests = [_rest(series, begin, end, loaded) for _, series in cells]
        if any(rest is None for rest in rests):
            continue
        known = [rest for rest in rests if rest is not None]
        volts = np.array([value for value, _ in known]) + ohms * small
        error = max(error for _, error in known) + float(np.max(ohms)) * abs(small) / 2
        if opening:
            error += RIDDEN_BEFORE
        charge = float(drawn[last])
        if not found:
            drawn = drawn - charge
            charge = 0.0
            origin = last
        hidden = float(unseen[last] - unseen[origin])
        if hidden > (1 - ENOUGH) * (end - float(amperes.time[origin])):
            break  # of the charge from here on less is known than is not
        when = (begin + end) / 2
        doubt = CURRENT_ERROR * abs(charge) + OFFSET * (end - _origin(found, amperes)) / 3600
        doubt += hidden * most / 3600
        found.append(
            RestPoint(
                end,
                charge,
                doubt,
                tuple(volts.tolist()),
                error,
                end - begin,
                reading_at(warm[0][1], when) if warm else None,
            )
        )
    return tuple(found)


def _origin(found: Sequence[RestPoint], amperes: Series) -> float:
    """Return the time from which charge is counted, to within the first rest."""
    return float(amperes.time[0]) + (found[0].rested if found else 0.0)


def _drawn(amperes: Series) -> Array:
    step = np.diff(amperes.time, prepend=amperes.time[0])
    middle = (amperes.value + np.r_[amperes.value[0], amperes.value[:-1]]) / 2
    return np.asarray(np.cumsum(step * middle) / 3600, np.float64)


def _unseen(amperes: Series) -> Array:
    """Return for how many s up to each sample the current is not known."""
    step = np.diff(amperes.time, prepend=amperes.time[0])
    return np.asarray(np.cumsum(np.where(amperes.gap, step, 0.0)), np.float64)


def _stretches(amperes: Series) -> list[tuple[int, int]]:
    """Return the first and last places of every stretch at rest; no hole lies within one."""
    still = np.abs(amperes.value) <= IDLE
    inside = still & np.r_[False, still[:-1]] & ~amperes.gap
    edges = np.flatnonzero(np.diff(np.r_[False, inside, False].astype(np.int8)))
    return [(int(a) - 1, int(b) - 1) for a, b in zip(edges[::2], edges[1::2], strict=True)]


def _rest(series: Series, begin: float, end: float, loaded: float) -> tuple[float, float] | None:
    """Return V at rest and the half-width of its 90 % interval from one stretch of readings."""
    use = (series.time >= begin + LATE) & (series.time <= end)
    time, value = series.time[use] - begin, series.value[use]
    if len(value) < 3:
        return None
    grain = float(np.median(np.abs(np.diff(series.value[:2000])))) / 2 + FINEST
    tail = value[time >= time[-1] - max(10.0, (end - begin) / 10)]
    last = float(np.mean(tail))
    if end - begin < SHORTEST:
        return last, grain
    before = min(max(loaded, 60.0), 1800.0)
    shape = np.sqrt(time + before) - np.sqrt(time)
    slope, final = np.polyfit(shape, value, 1)
    spread = float(np.std(value - slope * shape - final))
    noise = 1.645 * spread / math.sqrt(max(len(tail), 1)) + grain
    # Towards the end the creep is slow; what it still may do is bounded by what it did.
    return (float(final) + last) / 2, abs(float(final) - last) / 2 + noise


def _slope(series: Series, amperes: Series) -> float:
    """Return the Ω by which a cell answers to changes of load, 0 where there are none."""
    load = interpolate(amperes, series.time)
    change, answer = np.diff(load), np.diff(series.value)
    strong = np.isfinite(change) & (np.abs(change) > IDLE)
    if strong.sum() < LEAST:
        return 0.0
    across = float(np.sum(change[strong] * answer[strong]))
    return max(-across / float(np.sum(change[strong] ** 2)), 0.0)
