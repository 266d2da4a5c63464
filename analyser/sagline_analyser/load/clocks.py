"""Every device clock reading of a log, unwrapped and set against the host's clock."""

from bisect import bisect
from collections.abc import Callable
from dataclasses import dataclass
from itertools import pairwise

import numpy as np
import numpy.typing as npt

from sagline_logger.format import Foreign

from .tables import CLOCKED, Key, Tables
from .timebase import LONG, ClockLine, Micros, count_before, fit, unwrap


@dataclass(frozen=True)
class Clocks:
    """Unwrapped readings in device µs, and one line a segment onto µs since the capture's start."""

    samples: dict[Key, Micros]
    """Of each SAMPLES record's first sample."""
    events: dict[int, int]
    """Of EVENT records, by their place in the file."""
    lines: list[ClockLine]
    spans: list[tuple[float, float]]
    """When each segment was first and last heard of, µs since the capture's start."""
    drift_ppm: float | None
    """Of the longest segment long enough to tell."""
    delays: npt.NDArray[np.float64]
    """How much later than the fastest delivery each timed record came, µs."""
    blind: list[int]
    """Segments that no host clock tells the place of; each follows on the one before."""


def read_clocks(tables: Tables, zero: int, period: Callable[[Key], int]) -> Clocks:
    """Return the clocks of a log.

    ``zero`` is the capture's start in host µs, ``period`` gives the time between the samples of a
    key in µs.
    """
    # All readings in one table, in file order.
    keys, chunks = list(tables.samples), list(tables.samples.values())
    events = np.array([(at, s, event.clock) for at, s, event in tables.events], CLOCKED)
    alone = np.concatenate([tables.boards, events])
    sizes = [chunk.offset.size for chunk in chunks]
    place = np.concatenate([*(c.offset for c in chunks), alone["offset"]])
    clock = np.concatenate([*(c.clock for c in chunks), alone["clock"]]).astype(np.uint32)
    segment = np.concatenate([np.repeat([k.segment for k in keys], sizes), alone["segment"]])
    # A record can leave the device after its last sample, not after its first.
    ages = [(c.count.astype(np.int64) - 1) * period(k) for k, c in zip(keys, chunks, strict=True)]
    age = np.concatenate([*ages, np.zeros(alone.size, np.int64)])
    stream = np.repeat([k.stream for k in keys] + [_ALONE], [*sizes, alone.size])
    order = np.argsort(place, kind="stable")
    stream = stream[order]
    place, clock, segment, age = (
        place[order],
        clock[order],
        segment[order].astype(np.intp),
        age[order],
    )

    arrival, exact = _arrivals(tables, place)
    arrival -= zero

    bounds = np.searchsorted(segment, np.arange(len(tables.boots) + 1))
    device = np.empty(place.size, np.int64)
    anchors: list[npt.NDArray[np.intp]] = []
    for first, last in pairwise(bounds.tolist()):
        device[first:last] = unwrap(clock[first:last], arrival[first:last])
        anchors.append(first + np.flatnonzero(exact[first:last]))
    sent = device + age

    # The oscillator is the same after a restart: a stretch too short to tell its own rate takes
    # that of the nearest one that is long enough.
    steady = [_steady(points, stream[points], sent[points]) for points in anchors]
    spans = np.array([np.ptp(sent[a]) if a.size else 0 for a in steady])
    own: dict[int, ClockLine] = {}
    for s in np.flatnonzero(spans >= LONG).tolist():
        told = fit(sent[steady[s]], arrival[steady[s]])
        own[s] = fit(sent[anchors[s]], arrival[anchors[s]], told.rate)
    long = list(own)  # in rising order
    lines: list[ClockLine] = []
    heard: list[tuple[float, float]] = []
    delays, blind = [], []
    until = 0.0
    for number, (first, last) in enumerate(pairwise(bounds.tolist())):
        after = bisect(long, number)
        beside = long[max(after - 1, 0) : after + 1]
        nearest = min(beside, key=lambda other: abs(other - number), default=None)
        rate = None if nearest is None else own[nearest].rate
        points = anchors[number]
        if number in own:
            line = own[number]
        elif points.size:
            if rate is None:
                rate = fit(sent[steady[number]], arrival[steady[number]]).rate
            line = fit(sent[points], arrival[points], rate)
        else:
            line = ClockLine(int(device[first]) if last > first else 0, until, rate or 0.0)
            blind.append(number)
        if points.size:
            delays.append(arrival[points] - line.host(sent[points]))
        if last > first:
            span = line.host(np.array([device[first:last].min(), sent[first:last].max()]))
            heard.append((float(span[0]), float(span[1])))
        else:
            heard.append((until, until))
        until = max(until, heard[-1][1])
        lines.append(line)

    back = np.empty_like(device)
    back[order] = device
    parts = np.split(back, np.cumsum(sizes)) if sizes else [back]
    return Clocks(
        dict(zip(keys, parts, strict=False)),
        dict(zip(events["offset"].tolist(), parts[-1][tables.boards.size :].tolist(), strict=True)),
        lines,
        heard,
        own[int(np.argmax(spans))].drift_ppm if own else None,
        np.concatenate(delays) if delays else np.empty(0),
        blind,
    )


_ALONE = -1
"""Stands for the stream of BOARD and EVENT records."""
_ENOUGH = 30
"""Timed records of which one is likely to have come fast."""
_MIDDLE = 0.2
"""How far their mean may lie from a segment's middle, as a share of it."""


def _steady(
    anchors: npt.NDArray[np.intp], stream: npt.NDArray[np.int64], sent: Micros
) -> npt.NDArray[np.intp]:
    """Return those of a segment's timed records that tell how fast its clock runs: one stream's, of
    which there are most; all, where those do not lie all along a long segment or are few in it.

    What is sent another way leaves the device sooner or later after its clock was read, and where
    it comes at one end only, bends the line: 2 ms are 80 ppm of 25 s and 7 ppm of five minutes.
    """
    sampled = stream[stream != _ALONE]
    if not sampled.size:
        return anchors
    most: npt.NDArray[np.bool_] = stream == np.bincount(sampled).argmax()
    if (span := np.ptp(sent)) >= LONG:
        lie = float(sent[most].mean() - sent.min()) / span
        if np.count_nonzero(most) < _ENOUGH or abs(lie - 0.5) > _MIDDLE:
            return anchors
    steady: npt.NDArray[np.intp] = anchors[most]
    return steady


def _arrivals(tables: Tables, place: npt.NDArray[np.int64]) -> tuple[Micros, npt.NDArray[np.bool_]]:
    """Return when the records at some rising places arrived in host µs, and where that is exact.

    It is exact for what comes first after a TIME record (protocol_docs/frame_format.md §6.3); what
    stands behind that, or behind anything else from the device, may have arrived later.  Damage of
    the file counts too: another TIME may have stood there.
    """
    arrival = np.zeros(place.size, np.int64)
    known = np.zeros(place.size, np.bool_)
    exact = tables.instants[tables.instants["time"]]
    foreign = [at for at, record in tables.host if isinstance(record, Foreign)]
    starts = np.array(tables.starts, np.intp)
    between = np.concatenate(
        [tables.damaged, tables.descriptors, np.array(foreign, np.intp), starts]
    )
    between.sort()
    for instants, timed in ((tables.instants, False), (exact, True)):
        if instants.size:
            last = count_before(instants["offset"], place) - 1
            found = last >= 0
            arrival[found] = instants["monotonic"][last[found]]
            if timed:
                passed = count_before(between, instants["offset"])
                alone = count_before(between, place) == passed[last]
                known = found & alone & (np.diff(last, prepend=-1) > 0)
            else:
                arrival[~found] = instants["monotonic"][0]
                for start in tables.starts:  # before a capture's first instant that is the nearest
                    if (n := int(np.searchsorted(instants["offset"], start))) < instants.size:
                        early = slice(*np.searchsorted(place, (start, instants["offset"][n])))
                        arrival[early] = instants["monotonic"][n]
    return arrival, known
