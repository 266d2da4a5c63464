"""Every device clock reading of a log, unwrapped and set against the host's clock."""

import math
from bisect import bisect
from collections.abc import Callable, Mapping, Sequence
from dataclasses import dataclass
from functools import cached_property
from itertools import pairwise

import numpy as np
import numpy.typing as npt

from sagline_logger.format import Dropped, Foreign, Record

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
    """Segments that no TIME record places; each lies as early as the file allows."""


@dataclass(frozen=True)
class _Readings:
    """Every record with a device clock, in file order, n of them.

    ``place`` (n,) in the file, ``clock`` (n,) as it was sent, ``segment`` (n,), ``age`` (n,) in µs
    between the clock and the last sample of the record, ``stream`` (n,) or :data:`_ALONE`,
    ``whole`` (n,) whether that sample is known: a descriptor came that the record fits.
    ``order`` (n,) is where each stood in the tables: the chunks one after another, of ``sizes``
    records, then BOARD and EVENT.
    """

    place: npt.NDArray[np.int64]
    clock: npt.NDArray[np.uint32]
    segment: npt.NDArray[np.intp]
    age: npt.NDArray[np.int64]
    stream: npt.NDArray[np.int64]
    whole: npt.NDArray[np.bool_]
    order: npt.NDArray[np.intp]
    sizes: list[int]
    events: npt.NDArray[np.void]

    def parts(self, values: Micros) -> list[Micros]:
        """Return ``values`` (n,) of the readings as they stood in the tables: by chunk, and last
        of BOARD and EVENT."""
        back = np.empty_like(values)
        back[self.order] = values
        return np.split(back, np.cumsum(self.sizes)) if self.sizes else [back]


def _readings(tables: Tables, period: Callable[[Key], int | None]) -> _Readings:
    keys, chunks = list(tables.samples), list(tables.samples.values())
    events = np.array([(at, s, event.clock) for at, s, event in tables.events], CLOCKED)
    alone = np.concatenate([tables.boards, events])
    sizes = [chunk.offset.size for chunk in chunks]
    place = np.concatenate([*(c.offset for c in chunks), alone["offset"]])
    clock = np.concatenate([*(c.clock for c in chunks), alone["clock"]]).astype(np.uint32)
    segment = np.concatenate([np.repeat([k.segment for k in keys], sizes), alone["segment"]])
    # A record can leave the device after its last sample, not after its first.
    periods = [period(key) for key in keys]
    ages = [
        (chunk.count.astype(np.int64) - 1) * (own or 0)
        for own, chunk in zip(periods, chunks, strict=True)
    ]
    age = np.concatenate([*ages, np.zeros(alone.size, np.int64)])
    fits = [
        (chunk.count == 1) | bool(own) if own is not None else np.zeros(chunk.count.size, np.bool_)
        for own, chunk in zip(periods, chunks, strict=True)
    ]
    whole = np.concatenate([*fits, np.ones(alone.size, np.bool_)])
    stream = np.repeat([k.stream for k in keys] + [_ALONE], [*sizes, alone.size])
    order = np.argsort(place, kind="stable")
    return _Readings(
        place[order],
        clock[order],
        segment[order].astype(np.intp),
        age[order],
        stream[order],
        whole[order],
        order,
        sizes,
        events,
    )


@dataclass(frozen=True)
class _Stretch:
    """The readings of one segment, n of them, of which m arrived at a known instant.

    ``device`` (n,) µs, ``sent`` (n,) µs by the same clock, ``host`` (n,) µs in the record before
    them, ``stream`` (n,); ``points`` (m,) are those of known arrival, ``arrival`` (m,) host µs.
    """

    device: Micros
    sent: Micros
    host: Micros
    stream: npt.NDArray[np.int64]
    points: npt.NDArray[np.intp]
    arrival: Micros

    @cached_property
    def steady(self) -> npt.NDArray[np.intp]:
        """Those of the points that tell how fast the clock runs."""
        return _steady(self.stream[self.points], self.timed)

    @cached_property
    def timed(self) -> Micros:
        """When the points were sent, device µs."""
        return self.sent[self.points]

    @property
    def span(self) -> int:
        """Device µs between the first and the last of the steady ones."""
        return int(np.ptp(self.timed[self.steady])) if self.steady.size else 0

    def line(self, rate: float | None = None) -> ClockLine:
        """Return the line through the points, of ``rate`` where that is given."""
        return fit(self.timed, self.arrival, rate)

    def own_rate(self) -> float:
        """Return the rate that the stretch shows."""
        return fit(self.timed[self.steady], self.arrival[self.steady]).rate

    def heard(self, line: ClockLine) -> tuple[float, float]:
        """Return when it was first and last heard of, host µs."""
        first, last = line.host(np.array([self.device.min(), self.sent.max()]))
        return float(first), float(last)


def _stretches(tables: Tables, readings: _Readings, zero: int) -> list[_Stretch]:
    host = _hosts(tables, readings.place) - zero
    points, arrival = known_arrivals(tables, readings.place)
    points, arrival = points[readings.whole[points]], arrival[readings.whole[points]] - zero
    bounds = np.searchsorted(readings.segment, np.arange(len(tables.boots) + 1))
    found = []
    for first, last in pairwise(bounds.tolist()):
        own = slice(first, last)
        timed = slice(*np.searchsorted(points, (first, last)))
        device = unwrap(readings.clock[own], host[own])
        found.append(
            _Stretch(
                device,
                device + readings.age[own],
                host[own],
                readings.stream[own],
                points[timed] - first,
                arrival[timed],
            )
        )
    return found


def read_clocks(tables: Tables, zero: int, period: Callable[[Key], int | None]) -> Clocks:
    """Return the clocks of a log.

    ``zero`` is the capture's start in host µs, ``period`` gives the time between the samples of a
    key in µs, None where nothing describes them or they do not fit.
    """
    readings = _readings(tables, period)
    stretches = _stretches(tables, readings, zero)
    # The oscillator is the same after a restart: a stretch too short to tell its own rate takes
    # that of the nearest one that is long enough.
    own = {n: one.line(one.own_rate()) for n, one in enumerate(stretches) if one.span >= LONG}
    telling = list(own)  # in rising order
    lines: list[ClockLine] = []
    heard: list[tuple[float, float]] = []
    delays: list[npt.NDArray[np.float64]] = []
    blind: list[int] = []
    early = _Earliest(tables, zero)
    for number, one in enumerate(stretches):
        capture = tables.capture_of[number]
        rate = _nearest_rate(own, telling, number)
        if number in own:
            line = own[number]
        elif one.points.size:
            line = one.line(one.own_rate() if rate is None else rate)
        else:
            start = early.start(capture, one.host)
            line = ClockLine(int(one.device.min()) if one.device.size else 0, start, rate or 0.0)
            blind.append(number)
        if one.points.size:
            delays.append(one.arrival - line.host(one.timed))
        heard.append(one.heard(line) if one.device.size else (line.start, line.start))
        early.heard(capture, heard[-1][1])
        lines.append(line)
    longest = max(own, key=lambda n: stretches[n].span, default=None)
    device = [one.device for one in stretches]
    *parts, alone = readings.parts(np.concatenate(device) if device else np.empty(0, np.int64))
    events = readings.events["offset"].tolist()
    return Clocks(
        dict(zip(tables.samples, parts, strict=True)),
        dict(zip(events, alone[tables.boards.size :].tolist(), strict=True)),
        lines,
        heard,
        None if longest is None else own[longest].drift_ppm,
        np.concatenate(delays) if delays else np.empty(0),
        blind,
    )


class _Earliest:
    """When a segment that no TIME record places began at the earliest (frame_format.md §6.3).

    All in µs since the first capture's start, ``zero`` in host µs.
    """

    def __init__(self, tables: Tables, zero: int) -> None:
        self._first: dict[int, float] = {}
        self._end: dict[int, float] = {}  # of each capture, as far as is known
        own = np.searchsorted(np.array(tables.starts, np.int64), tables.instants["offset"], "right")
        times = (tables.instants["monotonic"] - zero).astype(np.float64)
        for capture in np.unique(own).tolist():
            mine = times[own == capture]
            self._first[capture], self._end[capture] = float(mine[0]), float(mine.max())
        self._heard: dict[int, float] = {}  # end of each capture's segments

    def start(self, capture: int, host: Micros) -> float:
        """Return it for a segment whose readings came behind the host instants ``host``."""
        until = self._heard.get(capture, -math.inf)
        if capture in self._first:
            record = float(host[0]) if host.size else -math.inf
            return max(self._first[capture], record, until)
        before = [end for of, end in self._end.items() if of < capture]
        before += [end for of, end in self._heard.items() if of < capture]
        return max(until, max(before) + _SECOND if before else 0.0)

    def heard(self, capture: int, until: float) -> None:
        """Note that a segment of a capture was last heard of at ``until``."""
        self._heard[capture] = max(self._heard.get(capture, -math.inf), until)


def _nearest_rate(
    own: Mapping[int, ClockLine], telling: Sequence[int], number: int
) -> float | None:
    """Return the rate of the segment nearest to ``number`` of those ``telling`` their own."""
    after = bisect(telling, number)
    beside = telling[max(after - 1, 0) : after + 1]
    nearest = min(beside, key=lambda other: abs(other - number), default=None)
    return None if nearest is None else own[nearest].rate


_SECOND = 1e6
_ALONE = -1
"""Stands for the stream of BOARD and EVENT records."""
_ENOUGH = 30
"""Timed records of which one is likely to have come fast."""
_MIDDLE = 0.2
"""How far their mean may lie from a segment's middle, as a share of it."""


def _steady(stream: npt.NDArray[np.int64], sent: Micros) -> npt.NDArray[np.intp]:
    """Return those of a segment's timed records that tell how fast its clock runs: one stream's, of
    which there are most; all, where those do not lie all along a long segment or are few in it.

    What is sent another way leaves the device sooner or later after its clock was read, and where
    it comes at one end only, bends the line: 2 ms are 80 ppm of 25 s and 7 ppm of five minutes.
    """
    sampled = stream[stream != _ALONE]
    if not sampled.size:
        return np.arange(stream.size)
    most: npt.NDArray[np.bool_] = stream == np.bincount(sampled).argmax()
    if (span := np.ptp(sent)) >= LONG:
        lie = float(sent[most].mean() - sent.min()) / span
        if np.count_nonzero(most) < _ENOUGH or abs(lie - 0.5) > _MIDDLE:
            return np.arange(stream.size)
    return np.flatnonzero(most)


def _hosts(tables: Tables, place: npt.NDArray[np.int64]) -> Micros:
    """Return the host's clock, µs, in the record before some rising places of their capture; what
    stands before the capture's first takes that."""
    instants = tables.instants
    host = np.zeros(place.size, np.int64)
    if not instants.size:
        return host
    last = count_before(instants["offset"], place) - 1
    host = instants["monotonic"][np.maximum(last, 0)]
    for start in tables.starts:
        if (n := int(np.searchsorted(instants["offset"], start))) < instants.size:
            early = slice(*np.searchsorted(place, (start, instants["offset"][n])))
            host[early] = instants["monotonic"][n]
    return host


def _parts(record: Record) -> bool:
    """Return whether a host record ends what a TIME before it tells."""
    return isinstance(record, Foreign) or (isinstance(record, Dropped) and record.size > 0)


def known_arrivals(
    tables: Tables, place: npt.NDArray[np.int64]
) -> tuple[npt.NDArray[np.intp], Micros]:
    """Return which records at some rising places arrived at a known instant, and that in host µs.

    That is what comes first after a TIME record (protocol_docs/frame_format.md §6.3); what stands
    behind that, or behind anything else from the device, may have arrived later.  Damage of the
    file counts too: another TIME may have stood there.
    """
    exact = tables.instants[tables.instants["time"]]
    if not exact.size:
        return np.empty(0, np.intp), np.empty(0, np.int64)
    told = [at for at, record in tables.host if _parts(record)]
    starts = np.array(tables.starts, np.intp) - 1  # in front of the record that begins it
    between = np.concatenate(
        [tables.damaged, tables.strays, tables.descriptors, np.array(told, np.intp), starts]
    )
    between.sort()
    last = count_before(exact["offset"], place) - 1
    passed = count_before(between, exact["offset"])
    alone = count_before(between, place) == passed[last]
    known = np.flatnonzero((last >= 0) & alone & (np.diff(last, prepend=-1) > 0))
    return known, exact["monotonic"][last[known]]
