"""The sudden moments of a ride that are worth a story."""

from dataclasses import dataclass

import numpy as np

from sagline_logger.format import EventKind

from ...load.ride import Ride
from ..readings.around import highest_before
from ..readings.electric import battery_current, pack_voltage, present
from ..readings.once import once
from ..readings.series import Array, Series, column, combine, interpolate, size
from .story import Moment, quantity

HARD = 0.25
"""Share of the ride's own strongest current from which demand counts as hard (our choice)."""

GONE = 0.08
"""Share of the current before that may be left after a cut-out (our choice)."""

INSTANT = 0.25
"""s within which a current must fall to count as cut (our choice: a released throttle takes a
person about as long, common practice, no source)."""

COLLAPSE = 0.35
"""Share of the pack voltage lost at once that is no sag (our choice: twice what packs sag)."""

SAME = 2.0
"""s within which two findings are one moment: the first tells it."""

ALIVE = 0.3
"""m/s, or A with :data:`HARD`, from which a restart or link loss counts as mid-ride."""


@once
def fault_moments(ride: Ride) -> tuple[Moment, ...]:
    """Return the faults and other sudden moments of ``ride``, in order of time.

    They are: fault events; cut-outs without one (battery or motor current falls from hard demand
    to nothing within :data:`INSTANT` while the throttle stays open); a collapse of the pack
    voltage; a restart of the board in motion or under load; and the link lost in motion or under
    load.  Of several within :data:`SAME` s only one is told, a fault event before the rest.
    """
    found = [
        *_fault_events(ride),
        *_restarts(ride),
        *_collapses(ride),
        *_cut_outs(ride),
        *_link_losses(ride),
    ]
    kept: list[Moment] = []
    for moment in found:  # in order of how much each says
        if all(abs(moment.time - other.time) >= SAME for other in kept):
            kept.append(moment)
    return tuple(sorted(kept, key=lambda moment: moment.time))


def _fault_events(ride: Ride) -> list[Moment]:
    found = []
    for event in ride.events:
        if event.kind == EventKind.FAULT:
            about = f" (index {event.index})" if event.index and not event.text else ""
            said = f" “{event.text}”" if event.text else ""
            found.append(Moment(event.time, "fault", f"fault {event.number}{about}{said}"))
    return found


@dataclass(frozen=True)
class _Load:
    """The size of the load's current, and the A from which demand counts as hard."""

    series: Series
    hard: float


@once
def _load(ride: Ride) -> _Load | None:
    """Return the size of the load's current: of the pack, else of the motors together."""
    if (whole := battery_current(ride)) is not None:
        load = size(whole.series)
    else:
        parts = [series for _, series in present(ride, "motor_current")]
        if not parts:
            return None
        load = size(combine(parts, "sum"))
    hard = max(HARD * float(np.quantile(load.value, 0.995)), 2.0) if len(load) else 2.0
    return _Load(load, hard)


def _busy(ride: Ride, time: float) -> str:
    """Return what shows that the vehicle was working in the second before ``time``, or ""."""
    load = _load(ride)
    if load is not None:
        near = load.series.value[_second_before(load.series, time)]
        if len(near) and float(near.max()) >= load.hard:
            return f"under {quantity(float(near.max()), 'A')}"
    for name, unit, floor in (
        ("speed", "m/s", ALIVE),
        ("motor_speed", "r/min", 20.0),
        ("motor_electrical_speed", "r/min", 100.0),
    ):
        for _, series in present(ride, name):
            near = np.abs(series.value[_second_before(series, time)])
            if len(near) and float(near[-1]) >= floor:
                return f"at {quantity(float(near[-1]), unit)}"
    return ""


def _second_before(series: Series, time: float) -> slice:
    first, last = np.searchsorted(series.time, (time - 1.0, time), "right")
    return slice(int(first), int(last))


def _restarts(ride: Ride) -> list[Moment]:
    found = []
    for before, after in zip(ride.segments, ride.segments[1:], strict=False):
        if busy := _busy(ride, before.end):
            silent = after.start - before.end
            found.append(
                Moment(
                    before.end,
                    "restart",
                    f"the board started anew {silent:.1f} s after its last reading {busy}",
                )
            )
    return found


def _link_losses(ride: Ride) -> list[Moment]:
    found = []
    for gap in ride.link_gaps:
        known = [s.time[s.time <= gap.start + 0.1][-1:] for s in ride.streams.values()]
        last = max((float(time[0]) for time in known if len(time)), default=gap.start)
        if busy := _busy(ride, last):
            long = "for good" if gap.end is None else f"for {gap.end - gap.start:.1f} s"
            found.append(Moment(last, "link loss", f"the link was lost {long}, last seen {busy}"))
    return found


def drops(series: Series, share: float, least: float) -> list[tuple[int, int]]:
    """Return (before, after) sample pairs where ``series`` falls from ``least`` or more by
    ``share`` of its size within :data:`INSTANT`, or one step, of one unbroken run."""
    value, time = series.value, series.time
    most = np.fmax.reduce(value, initial=-np.inf)
    if most < least or np.fmin.reduce(value) > (1 - share) * most:
        return []  # never so high, or never so low: mostly so of a voltage
    run = np.cumsum(series.gap)
    high = np.fmax(highest_before(time, value, INSTANT), np.r_[np.nan, value[:-1]])
    found: list[tuple[int, int]] = []
    low = np.flatnonzero((high >= max(least, 1e-9)) & (value <= (1 - share) * high))
    starts = np.minimum(np.searchsorted(time, time[low] - INSTANT, "left"), low - 1)
    starts = np.maximum(starts, np.searchsorted(run, run[low], "left"))  # not across a gap
    for start, after in zip(starts.tolist(), low.tolist(), strict=True):
        if start == after:
            continue
        before = start + int(np.argmax(value[start:after]))
        fell = value[before] >= least and value[after] <= (1 - share) * value[before]
        if fell and (not found or time[before] - time[found[-1][1]] > SAME):
            found.append((before, after))
    return found


def _cut_outs(ride: Ride) -> list[Moment]:
    throttle = column(ride, "throttle")
    known = _load(ride)
    if throttle is None or known is None or not len(known.series):
        return []
    load = known.series
    found = []
    for before, after in drops(load, 1 - GONE, known.hard):
        begun, ended = float(load.time[before]), float(load.time[after])
        # The throttle must be as open after the fall as before: a rider that lets go is no fault.
        was, is_now = _between(throttle, begun - 0.3, begun), _between(throttle, ended, ended + 0.3)
        if not len(was) or not len(is_now):
            continue
        if float(np.median(was)) >= 0.15 and float(is_now.min()) >= 0.7 * float(np.median(was)):
            read = quantity(float(load.value[before]), "A")
            left = quantity(float(load.value[after]), "A")
            found.append(
                Moment(
                    ended,
                    "cut-out",
                    f"the current fell from {read} to {left} within "
                    f"{(ended - begun) * 1000:.0f} ms while the throttle stayed at "
                    f"{quantity(float(np.median(is_now)), '1')}",
                )
            )
    return found


def _collapses(ride: Ride) -> list[Moment]:
    voltage = pack_voltage(ride)
    if voltage is None:
        return []
    series = voltage.series
    found = []
    for before, after in drops(series, COLLAPSE, 0.5 * float(np.median(series.value))):
        high, low = (quantity(float(series.value[n]), "V") for n in (before, after))
        gone = (float(series.time[after]) - float(series.time[before])) * 1000
        found.append(
            Moment(
                float(series.time[after]),
                "voltage collapse",
                f"the pack voltage collapsed from {high} to {low} within {gone:.0f} ms",
            )
        )
    return found


def _between(series: Series, start: float, end: float) -> Array:
    """Return the readings from ``start`` to ``end``, or the line between where there is none."""
    first = int(np.searchsorted(series.time, start, "left"))
    last = int(np.searchsorted(series.time, end, "right"))
    if last > first:
        return series.value[first:last]
    value = interpolate(series, np.array([(start + end) / 2]))
    return value[np.isfinite(value)]
