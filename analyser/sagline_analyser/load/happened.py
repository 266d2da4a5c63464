"""What a log tells beside its samples: events, marks, lost links, restarts, the board file."""

from collections import defaultdict
from collections.abc import Iterable
from dataclasses import replace

import numpy as np

from sagline_logger.format import Event, FilePart, Link, LinkState, Mark, Record

from .clocks import Clocks
from .ride import LinkGap, RideEvent, RideMark, RideSegment, StreamColumns
from .streams import follow
from .tables import Tables


def events_of(tables: Tables, clocks: Clocks) -> tuple[tuple[RideEvent, ...], int]:
    """Return the events in order of time, each once, and how many were lost."""
    events: list[RideEvent] = []
    missing = 0
    told: defaultdict[int, list[tuple[int, Event]]] = defaultdict(list)
    for at, segment, event in tables.events:
        told[segment].append((at, event))
    for segment, own in told.items():
        line = clocks.lines[segment]
        sequence = np.array([r.sequence for _, r in own], np.uint32)
        missing += follow(sequence, np.ones(len(own), np.uint8)).lost
        times = line.host(np.array([clocks.events[a] for a, _ in own], np.int64)) / 1e6
        for time, (_, event) in zip(times.tolist(), own, strict=True):
            events.append(RideEvent(time, event.event, event.number, event.index, event.text))
    return tuple(sorted(events, key=lambda event: event.time)), missing


def marks_of(host: Iterable[tuple[int, Record]], zero: int) -> tuple[RideMark, ...]:
    """Return the marks; a repeated number in one capture brings the text of the first."""
    marks: dict[tuple[int, int], RideMark] = {}
    for capture, record in host:
        if isinstance(record, Mark):
            mark = RideMark((record.at.monotonic - zero) / 1e6, record.number, record.text)
            first = marks.get((capture, record.number))
            marks[capture, record.number] = replace(first, text=mark.text) if first else mark
    return tuple(marks.values())


def link_gaps_of(host: Iterable[tuple[int, Record]], zero: int) -> tuple[LinkGap, ...]:
    """Return when the link was away; ``zero`` is the capture's start in host µs."""
    gaps: list[LinkGap] = []
    down: Link | None = None
    last = 0
    for capture, link in host:
        if capture != last and down:  # it stayed down to the end of its capture
            gaps.append(LinkGap((down.at.monotonic - zero) / 1e6, None, down.evidence))
            down = None
        last = capture
        if not isinstance(link, Link):
            continue
        if link.state is LinkState.DOWN:
            down = down or link
        elif down:
            evidence = "; ".join(filter(None, (down.evidence, link.evidence)))
            start, end = ((r.at.monotonic - zero) / 1e6 for r in (down, link))
            gaps.append(LinkGap(start, end, evidence))
            down = None
    if down:
        gaps.append(LinkGap((down.at.monotonic - zero) / 1e6, None, down.evidence))
    return tuple(gaps)


def segments_of(
    tables: Tables, clocks: Clocks, streams: dict[str, StreamColumns]
) -> tuple[RideSegment, ...]:
    """Return the segments; the voltage step is from the last reading before to the first after."""
    volts: dict[int, tuple[float, float]] = {}
    source = next((s for s in streams.values() if "pack_voltage" in s.channels), None)
    if source:
        known = np.isfinite(source.values["pack_voltage"])
        voltage, segment = source.values["pack_voltage"][known], source.segment[known]
        numbers, first_of = np.unique(segment, return_index=True)
        last_of = np.searchsorted(segment, numbers, "right") - 1
        ends = zip(voltage[first_of].tolist(), voltage[last_of].tolist(), strict=True)
        volts = dict(zip(numbers.tolist(), ends, strict=True))
    segments = []
    before: float | None = None
    for number, (boot, (start, end)) in enumerate(zip(tables.boots, clocks.spans, strict=True)):
        first, last = volts.get(number, (None, None))
        step = None if first is None or before is None else first - before
        segments.append(RideSegment(number, boot, start / 1e6, end / 1e6, step))
        before = last
    return tuple(segments)


def board_file(parts: list[FilePart]) -> tuple[str | None, str]:
    """Return the text of the attached board file, if one is whole, and what is to be said of it."""
    own = [part for part in parts if part.name == "board"]
    if not own:
        return None, ""
    data = bytearray(own[0].size)
    filled = 0
    for part in own:
        if not part.offset:  # of two files the later one holds
            data, filled = bytearray(part.size), 0
        if part.size == len(data) and part.offset == filled:
            data[filled : filled + len(part.data)] = part.data
            filled += len(part.data)
    try:
        if filled == len(data):
            return data.decode(), ""
    except UnicodeDecodeError:
        pass
    return None, "the attached board file is damaged and is left out"
