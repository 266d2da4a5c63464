"""Simulated rides that ran faster than life: the host's instants put on the device's time.

No oscillator is off by half.  Where the two clocks differ by more, the device's time was not real
time; the host's clock then only tells the order of things, and how long a restart took in
proportion.
"""

from dataclasses import dataclass, replace
from itertools import groupby

import numpy as np
import numpy.typing as npt

from .clocks import known_arrivals
from .tables import FURTHEST, Tables
from .timebase import LONG, Micros, count_before, unwrap

NO_CLOCK = 0.5
"""Rate error from which a device's clock measures no real time."""
PARTS = 4
"""Parts of a short ride of which every one must run faster than life by itself."""
QUICK = 0.7
"""Host s to one device s below which a part of a short ride does."""
BACKLOG = 4e6
"""µs of samples that a board may have kept back and sent at once when the link came up; what is
faster than life by more is no real time (common practice, no source)."""


@dataclass(frozen=True)
class Pace:
    """What the host's clock (µs) read when the device's time, restarts bridged, was so many µs.

    ``factor`` is device s to one host s.
    """

    host: Micros
    device: npt.NDArray[np.float64]
    factor: float

    def stretched(self, monotonic: Micros) -> Micros:
        """Return host instants on the device's time, starting from the first one known."""
        inside = np.interp(monotonic, self.host, self.device)
        before = np.minimum(monotonic - self.host[0], 0) * self.factor
        after = np.maximum(monotonic - self.host[-1], 0) * self.factor
        held = np.clip(inside + before + after, -FURTHEST, FURTHEST)
        moved: Micros = np.rint(held).astype(np.int64)
        return moved


def unreal_pace(tables: Tables) -> Pace | None:
    """Return the pace of a device whose clock measures no real time, None for a real clock."""
    timed = tables.instants[tables.instants["time"]]
    sizes: dict[int, int] = {}
    for key, chunk in tables.samples.items():
        sizes[key.stream] = sizes.get(key.stream, 0) + chunk.offset.size
    if not sizes or not timed.size:
        return None
    busiest = max(sizes, key=lambda stream: sizes[stream])
    keys = sorted(key for key in tables.samples if key.stream == busiest)
    host: list[Micros] = []
    device: list[Micros] = []
    exact: list[npt.NDArray[np.bool_]] = []  # those whose arrival a TIME record tells
    for _, own in groupby(keys, lambda key: key.segment):
        chunks = [tables.samples[key] for key in own]
        offset = np.concatenate([chunk.offset for chunk in chunks])
        clock = np.concatenate([chunk.clock for chunk in chunks])
        order = np.argsort(offset, kind="stable")
        offset, clock = offset[order], clock[order]
        last = count_before(timed["offset"], offset) - 1
        known = np.flatnonzero(last >= 0)
        if known.size:
            arrival = timed["monotonic"][last[known]].astype(np.int64)
            host.append(arrival)
            device.append(unwrap(clock[known], arrival))
            timely, _ = known_arrivals(tables, offset)
            exact.append(np.isin(known, timely))
    # What stands further behind a TIME record may have come much later: another may be damaged.
    told = [(h[e], d[e]) for h, d, e in zip(host, device, exact, strict=True) if e.any()]
    lived = sum(int(np.ptp(part)) for _, part in told)
    heard = sum(int(np.ptp(part)) for part, _ in told)
    if heard <= 0:
        return None
    long = lived >= LONG and abs(heard / lived - 1.0) > NO_CLOCK
    if not long and not _quick_throughout([h for h, _ in told], [d for _, d in told]):
        return None
    factor = lived / heard
    times: list[npt.NDArray[np.float64]] = []
    until = float(host[0][0])
    for number, part in enumerate(device):
        pause = host[number][0] - host[number - 1][-1] if number else 0
        start = until + pause * factor
        times.append(start + (part - part[0]))
        # The last frame holds samples of its own: as many as lie between two frames.
        until = float(times[-1][-1] + np.median(np.diff(part))) if len(part) > 1 else start
    # What stands first behind a TIME record came at that instant; the rest may have come later.
    instants, first = np.unique(np.concatenate(host), return_index=True)
    return Pace(instants, np.maximum.accumulate(np.concatenate(times)[first]), factor)


def _quick_throughout(host: list[Micros], device: list[Micros]) -> bool:
    """Return whether a board's clock outran the host's in every part of the ride alike.

    A board that sends what it kept back does so at the start, or after a silence; a ride that a
    simulation hastens is hasty from end to end.
    """
    lived = np.concatenate([np.diff(part) for part in device])
    heard = np.concatenate([np.diff(part) for part in host])
    if lived.size < PARTS or lived.sum() - heard.sum() <= BACKLOG:
        return False
    part = np.minimum(np.cumsum(lived) * PARTS // max(int(lived.sum()), 1), PARTS - 1)
    ends = np.clip(part, 0, PARTS - 1).astype(np.intp)
    there = np.bincount(ends, lived, PARTS)
    here = np.bincount(ends, heard, PARTS)
    return bool((here < QUICK * there).all())


def stretch(tables: Tables, pace: Pace) -> Tables:
    """Return the tables with every host instant on the device's time."""
    instants = tables.instants.copy()
    instants["monotonic"] = pace.stretched(tables.instants["monotonic"])
    instants["wall"] += instants["monotonic"] - tables.instants["monotonic"]
    host = []
    for offset, record in tables.host:
        if (at := getattr(record, "at", None)) is not None:
            moved = int(pace.stretched(np.array([at.monotonic], np.int64))[0])
            record = replace(
                record, at=replace(at, monotonic=moved, wall=at.wall + moved - at.monotonic)
            )
        host.append((offset, record))
    return replace(tables, instants=instants, host=host)
