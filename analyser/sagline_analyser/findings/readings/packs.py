"""Which pack was in the vehicle when: a ride is cut where the pack was swapped."""

from collections.abc import Iterable, Sequence
from dataclasses import dataclass
from typing import Literal

import numpy as np

from sagline_logger.format import Battery

from ...load.ride import Ride
from .electric import battery_current, pack_voltage, present
from .quantiles import median
from .series import Series

SWAP_STEP = 0.05
"""V for a cell: a greater change across a restart cannot be rest alone (our choice; a rested cell
recovers by the voltage its slow resistance held, some hundredths of a volt at most)."""

PACK_MARK, PACK_SETTING = "pack:", "pack"
"""What begins a mark that names the pack in the vehicle, and the setting that names the first."""

IDLE, RESTED = 1.0, 5.0
"""A up to which a pack counts as resting, and s for which it must have rested before a step of its
voltage tells of another one (our choice)."""

AT_ONCE, STEPS = 2.0, (0.10, 0.15)
"""s between two readings up to which a step came at once, and V for a cell that no rest recovers
then, or over a longer hole (our choice; recovery is quickest just after a load)."""

NEAR_MARK = (900.0, 120.0)
"""s before and after a mark within which the swap that it tells of is looked for (our choice)."""

CORRECTED = 60.0
"""s within which a second name, without a step near it, corrects the first (our choice)."""

MANY = 3
"""Packs above which an answer tells them together, with a line for each among its details."""


@dataclass(frozen=True)
class PackSpan:
    """One pack in use, ``start`` to ``end`` in s, numbered from 1.

    ``swapped`` says why a new one is believed to begin here; empty for the first.
    """

    number: int
    start: float
    end: float
    swapped: str = ""


def pack_spans(ride: Ride) -> tuple[PackSpan, ...]:
    """Return the packs of a ride in order.  A new one begins

    * with a restart of the device across which the voltage at rest jumped: that of any cell, or of
      the whole pack, by more than :data:`SWAP_STEP` a cell;
    * where the device stayed on and the cells of a pack at rest step by more than rest recovers
      (:data:`STEPS`), or
    * where a mark names another pack than the one before: at the greatest step near it.
    """
    cells = [series for _, series in present(ride, "cell_voltage")]
    whole = pack_voltage(ride)
    watched = cells or ([whole.series] if whole else [])
    many = 1.0 if cells else 10.0
    what = "a cell's" if cells else "the pack's"
    starts: dict[float, str] = {}
    for segment in ride.segments[1:]:
        jumps = [jump for one in watched if (jump := _jump(one, segment.start)) is not None]
        largest = max(jumps, key=abs, default=0.0)
        if abs(largest) > SWAP_STEP * many:
            reason = f"{what} voltage changed by {largest:+.2f} V while the power was off"
            starts[segment.start] = reason
    steps = _steps_at_rest(ride, watched)
    for when, hole, jump in steps:
        if abs(jump) > STEPS[hole > AT_ONCE] * many and not _near(when, hole, starts):
            starts[when] = f"{what} voltage changed by {jump:+.2f} V at rest"
    for when, name, since in _renamed(ride, sorted(starts)):
        before, after = (max(when - NEAR_MARK[0], since), when + NEAR_MARK[1])
        close = [one for one in steps if before <= one[0] <= after]
        clear = max(close, key=lambda one: abs(one[2]), default=(when, 0.0, 0.0))
        if abs(clear[2]) > SWAP_STEP * many:
            starts[clear[0]] = f"a mark named it {name}"
        elif when - since > CORRECTED:
            starts[when] = f"a mark named it {name}"
    edges = [0.0, *sorted(starts), ride.duration]
    reasons = ["", *(starts[at].replace("-", "−") for at in sorted(starts))]
    return tuple(
        PackSpan(number, start, end, reason)
        for number, (start, end, reason) in enumerate(
            zip(edges[:-1], edges[1:], reasons, strict=True), start=1
        )
    )


def _near(when: float, hole: float, starts: Iterable[float]) -> bool:
    """Return whether a step at ``when`` s, after a hole of so many s, is one that is known: a board
    starts anew within the hole."""
    return any(when - hole - AT_ONCE < start < when + AT_ONCE for start in starts)


def _steps_at_rest(ride: Ride, watched: list[Series]) -> list[tuple[float, float, float]]:
    """Return (s, s of the hole before it, V) of the steps between two readings of a pack at rest:
    the middle cell's, of those whose first cell goes beyond :data:`SWAP_STEP`."""
    current = battery_current(ride)
    if current is None or not watched or not len(current.series):
        return []
    flow, first = current.series, watched[0]
    if len(first) < 6:
        return []
    loaded = np.r_[0, np.cumsum(np.abs(flow.value) > IDLE)]
    time = first.time
    begin = np.searchsorted(flow.time, time[:-1] - RESTED)
    end = np.searchsorted(flow.time, time[1:] + AT_ONCE / 2, "right")
    step = np.abs(np.diff(first.value)) > SWAP_STEP
    rests = (loaded[end] == loaded[begin]) & (end > begin) & step
    found = []
    for at in np.flatnonzero(rests):
        before, after = float(time[at]), float(time[at + 1])
        jumps = [jump for one in watched if (jump := _jump(one, after)) is not None]
        jump = median(np.array(jumps))
        inside = (flow.time > before) & (flow.time < after)
        seen = np.diff(np.r_[before, flow.time[inside], after]).max() <= AT_ONCE
        if seen or jump > 0:  # what falls while nobody looks may have been ridden
            found.append((after, after - before, jump))
    return found


def _renamed(ride: Ride, starts: Sequence[float]) -> list[tuple[float, str, float]]:
    """Return (s, name, s of the name before) of the marks that name another pack than the one that
    was in the vehicle; a pack without a name only gets one."""
    name, found, known = plain_name(ride.settings.get(PACK_SETTING, "")), [], 0.0
    for mark in sorted(ride.marks, key=lambda mark: mark.time):
        if not (own := name_in(mark.text)):
            continue
        if any(known < start <= mark.time for start in starts):
            name = ""  # another pack since, which has no name yet
        if name and own.casefold() != name.casefold():
            found.append((mark.time, own, known))
        name, known = own, mark.time
    return found


def name_in(mark: str) -> str:
    """Return the pack that a mark names, "" where it names none."""
    text = mark.strip()
    return plain_name(text[len(PACK_MARK) :]) if text.casefold().startswith(PACK_MARK) else ""


def plain_name(text: str) -> str:
    """Return a name with single spaces."""
    return " ".join(text.split())


def _jump(series: Series, time: float) -> float | None:
    at = int(np.searchsorted(series.time, time - 1e-6))
    before, after = series.value[max(at - 3, 0) : at], series.value[at : at + 3]
    return median(after) - median(before) if len(before) and len(after) else None


def during(series: Series, span: PackSpan) -> Series:
    """Return the part of ``series`` that falls into the span."""
    whole = len(series) and span.end >= series.time[-1]
    last: Literal["left", "right"] = "right" if whole else "left"
    start = int(np.searchsorted(series.time, span.start, "left"))
    inside = slice(start, int(np.searchsorted(series.time, span.end, last)))
    return Series(series.time[inside], series.value[inside], series.gap[inside])


def pack_capacity(battery: Battery) -> float | None:
    """Return the pack's stated capacity in Ah; None where a unit does not state its own."""
    parts = [unit.capacity for unit in battery.units]
    known = [part for part in parts if part is not None]
    if not known or len(known) < len(parts):
        return None
    return sum(known) if battery.joined == "parallel" else min(known)
