"""Which pack was in the vehicle when: a ride is cut where the pack was swapped."""

from dataclasses import dataclass
from typing import Literal

import numpy as np

from sagline_logger.format import Battery

from ...load.ride import Ride
from .electric import pack_voltage, present
from .quantiles import median
from .series import Series

SWAP_STEP = 0.05
"""V for a cell: a greater change across a restart cannot be rest alone (our choice; a rested cell
recovers by the voltage its slow resistance held, some hundredths of a volt at most)."""

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
    """Return the packs of a ride in order.

    A restart of the device begins a new pack when the voltage at rest jumped across it: that of
    any cell, or of the whole pack, by more than :data:`SWAP_STEP` a cell.
    """
    spans = [PackSpan(1, 0.0, ride.duration)]
    cells = [series for _, series in present(ride, "cell_voltage")]
    whole = pack_voltage(ride)
    watched = cells or ([whole.series] if whole else [])
    allowed = SWAP_STEP if cells else SWAP_STEP * 10
    for segment in ride.segments[1:]:
        jumps = [jump for one in watched if (jump := _jump(one, segment.start)) is not None]
        largest = max(jumps, key=abs, default=0.0)
        if abs(largest) > allowed:
            last = spans.pop()
            what = "a cell's" if cells else "the pack's"
            reason = f"{what} voltage changed by {largest:+.2f} V while the power was off"
            spans += [
                PackSpan(last.number, last.start, segment.start, last.swapped),
                PackSpan(last.number + 1, segment.start, last.end, reason.replace("-", "−")),
            ]
    return tuple(spans)


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
