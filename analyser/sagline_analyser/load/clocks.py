"""Every device clock reading of a log, unwrapped and set against the host's clock."""

from bisect import bisect
from collections.abc import Callable, Mapping, Sequence
from dataclasses import dataclass
from functools import cached_property
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


@dataclass(frozen=True)
class _Readings:
    """Every record with a device clock, in file order, n of them.

    ``place`` (n,) in the file, ``clock`` (n,) as it was sent, ``segment`` (n,), ``age`` (n,) in µs
    between the clock and the last sample of the record, ``stream`` (n,) or :data:`_ALONE`.
    ``order`` (n,) is where each stood in the tables: the chunks one after another, of ``sizes``
    records, then BOARD and EVENT.
    """

    place: npt.NDArray[np.int64]
    clock: npt.NDArray[np.uint32]
    segment: npt.NDArray[np.intp]
    age: npt.NDArray[np.int64]
    stream: npt.NDArray[np.int64]
    order: npt.NDArray[np.intp]
    sizes: list[int]
    events: npt.NDArray[np.void]

    def parts(self, values: Micros) -> list[Micros]:
        """Return ``values`` (n,) of the readings as they stood in the tables: by chunk, and last
        of BOARD and EVENT."""
        back = np.empty_like(values)
        back[self.order] = values
        return np.split(back, np.cumsum(self.sizes)) if self.sizes else [back]


def _readings(tables: Tables, period: Callable[[Key], int]) -> _Readings:
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
    return _Readings(
        place[order],
        clock[order],
        segment[order].astype(np.intp),
        age[order],
        stream[order],
        order,
        sizes,
        events,
    )


@dataclass(frozen=True)
class _Stretch:
    """The readings of one segment: device µs when sent and their places of known arrival."""

    device: Micros
    sent: Micros
    arrival: Micros
    stream: npt.NDArray[np.int64]
    points: npt.NDArray[np.intp]

    @cached_property
    def steady(self) -> npt.NDArray[np.intp]:
        """Those of known arrival that tell how fast the clock runs."""
        return _steady(self.points, self.stream[self.points], self.sent[self.points])

    @property
    def span(self) -> int:
        """Device µs between the first and the last of those."""
        return int(np.ptp(self.sent[self.steady])) if self.steady.size else 0

    def line(self, rate: float | None = None) -> ClockLine:
        """Return the line through those of known arrival, of ``rate`` where that is given."""
        return fit(self.sent[self.points], self.arrival[self.points], rate)

    def own_rate(self) -> float:
        """Return the rate that the stretch shows."""
        return fit(self.sent[self.steady], self.arrival[self.steady]).rate

    def heard(self, line: ClockLine) -> tuple[float, float]:
        """Return when it was first and last heard of, host µs."""
        first, last = line.host(np.array([self.device.min(), self.sent.max()]))
        return float(first), float(last)


def _stretches(tables: Tables, readings: _Readings, zero: int) -> list[_Stretch]:
    arrival, exact = _arrivals(tables, readings.place)
    arrival -= zero
    bounds = np.searchsorted(readings.segment, np.arange(len(tables.boots) + 1))
    found = []
    for first, last in pairwise(bounds.tolist()):
        own = slice(first, last)
        device = unwrap(readings.clock[own], arrival[own])
        found.append(
            _Stretch(
                device,
                device + readings.age[own],
                arrival[own],
                readings.stream[own],
                np.flatnonzero(exact[own]),
            )
        )
    return found


def read_clocks(tables: Tables, zero: int, period: Callable[[Key], int]) -> Clocks:
    """Return the clocks of a log.

    ``zero`` is the capture's start in host µs, ``period`` gives the time between the samples of a
    key in µs.
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
    until = 0.0
    for number, one in enumerate(stretches):
        rate = _nearest_rate(own, telling, number)
        if number in own:
            line = own[number]
        elif one.points.size:
            line = one.line(one.own_rate() if rate is None else rate)
        else:
            line = ClockLine(int(one.device[0]) if one.device.size else 0, until, rate or 0.0)
            blind.append(number)
        if one.points.size:
            delays.append(one.arrival[one.points] - line.host(one.sent[one.points]))
        heard.append(one.heard(line) if one.device.size else (until, until))
        until = max(until, heard[-1][1])
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


def _nearest_rate(
    own: Mapping[int, ClockLine], telling: Sequence[int], number: int
) -> float | None:
    """Return the rate of the segment nearest to ``number`` of those ``telling`` their own."""
    after = bisect(telling, number)
    beside = telling[max(after - 1, 0) : after + 1]
    nearest = min(beside, key=lambda other: abs(other - number), default=None)
    return None if nearest is None else own[nearest].rate


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
