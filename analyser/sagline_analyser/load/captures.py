"""Captures joined in one file, laid on one time axis (protocol_docs/frame_format.md §6.5)."""

import math
from dataclasses import dataclass, replace

import numpy as np
import numpy.typing as npt

from sagline_logger.format import Capture, Record

from .clocks import Clocks
from .tables import FURTHEST, Tables
from .timebase import Micros, wall_offset

YEAR_2000 = 946_684_800_000_000
"""µs since 1970: a host clock before this was never set."""
YEAR_9000 = 221_845_392_000_000_000
"""µs since 1970; the ride's end still has to be a date that calendars (to 9999) can show."""
_SECOND = 1_000_000


@dataclass(frozen=True)
class Placed:
    """``start`` is the first capture's start in host µs; ``blind`` the captures, from 0, of which
    nothing tells how long after the one before they began."""

    tables: Tables
    start: int
    blind: tuple[int, ...] = ()


def place_captures(tables: Tables) -> Placed:
    """Return the tables with every host instant on the first capture's clock."""
    zero = _start(tables, 0)
    if not tables.starts:
        return Placed(tables, zero)
    shifts = [0]
    blind = []
    own = capture_of(tables, tables.instants["offset"])
    times = tables.instants["monotonic"]
    end = int(times[own == 0].max()) if (own == 0).any() else zero
    for capture in range(1, len(tables.starts) + 1):
        mine, before = own == capture, own == capture - 1
        if not mine.any():  # its segments, if there are any, are set behind by read_clocks
            shifts.append(shifts[-1])
            blind += [capture] if capture in tables.capture_of else []
            continue
        start = _start(tables, capture)
        shift = _told(tables, mine, before, shifts[-1])
        if shift is None or start + shift < end:
            shift = end + _SECOND - start
            blind.append(capture)
        shifts.append(shift)
        end = max(end, int(times[mine].max()) + shift)
    return Placed(moved(tables, shifts), zero, tuple(blind))


def moved(tables: Tables, shifts: list[int]) -> Tables:
    """Return the tables with each capture's host instants later by its ``shifts``, in µs."""
    shift = np.array(shifts, np.int64)
    instants = tables.instants.copy()
    own = capture_of(tables, instants["offset"])
    instants["monotonic"] = np.clip(instants["monotonic"] + shift[own], -FURTHEST, FURTHEST)
    host: list[tuple[int, Record]] = []
    for offset, record in tables.host:
        at = getattr(record, "at", None)
        by = shifts[int(capture_of(tables, np.array([offset]))[0])]
        if at is not None and by:
            later = min(max(at.monotonic + by, -FURTHEST), FURTHEST)
            record = replace(record, at=replace(at, monotonic=later))
        host.append((offset, record))
    return replace(tables, instants=instants, host=host)


def overlap(tables: Tables, placed: Placed, clocks: Clocks) -> list[int]:
    """Return how much later each capture has to lie, in µs, so that none begins before the last
    sample of those before it; empty where all lie right."""
    shifts = [0]
    end = 0.0
    own = capture_of(tables, tables.instants["offset"])
    for capture in range(len(tables.starts) + 1):
        spans = [
            span for of, span in zip(tables.capture_of, clocks.spans, strict=True) if of == capture
        ]
        times = tables.instants["monotonic"][own == capture] - placed.start
        starts = [*(start for start, _ in spans), *times[:1].tolist()]
        ends = [*(stop for _, stop in spans), *times.tolist()]
        if not starts:
            shifts.append(shifts[-1])
            continue
        shift = shifts[-1]
        if capture and min(starts) + shift < end + (_SECOND if capture in placed.blind else 0):
            shift = math.ceil(end + _SECOND - min(starts))
        shifts.append(shift)
        end = max(end, max(ends) + shift)
    return shifts[1:] if any(shifts) else []


def is_date(start: int, offset: int | None) -> bool:
    """Whether a capture's start in host µs is a moment of a clock that somebody had set."""
    return offset is not None and YEAR_2000 <= start + offset < YEAR_9000


def first_capture(tables: Tables) -> npt.NDArray[np.void]:
    """Return the instants of the first capture."""
    own: npt.NDArray[np.void] = tables.instants[capture_of(tables, tables.instants["offset"]) == 0]
    return own


def _told(
    tables: Tables, mine: npt.NDArray[np.bool_], before: npt.NDArray[np.bool_], shift: int
) -> int | None:
    """Return what a capture's host clock has to be put forward by, by the wall clocks; ``shift`` is
    that of the capture before."""
    instants = tables.instants
    offsets = []
    for part in (before, mine):
        of = instants[part]
        offset = wall_offset(of["monotonic"], of["wall"]) if of.size else None
        if offset is None or not is_date(int(of["monotonic"][0]), offset):
            return None
        offsets.append(offset)
    change = offsets[1] - offsets[0]
    return shift + (change if abs(change) > _SECOND else 0)


def _start(tables: Tables, capture: int) -> int:
    """Return when a capture began, in its own host µs: its CAPTURE, or its first host record."""
    begin, end = ([0, *tables.starts, 1 << 62])[capture : capture + 2]
    for offset, record in tables.host:
        if begin <= offset < end and isinstance(record, Capture):
            return record.at.monotonic
    own = tables.instants[(tables.instants["offset"] >= begin) & (tables.instants["offset"] < end)]
    return int(own["monotonic"][0]) if own.size else 0


def capture_of(tables: Tables, offset: Micros) -> npt.NDArray[np.intp]:
    """Return the number of the capture at some places of the file, from 0."""
    starts = np.array(tables.starts, np.int64)
    found: npt.NDArray[np.intp] = np.searchsorted(starts, offset, "right")
    return found
