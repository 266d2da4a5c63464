"""From a log file to a :class:`Ride`."""

from collections import defaultdict
from collections.abc import Iterable
from concurrent.futures import Executor
from dataclasses import replace
from pathlib import Path

import numpy as np

from sagline_logger.format import (
    VERSION,
    Capture,
    Dropped,
    End,
    Event,
    FilePart,
    Foreign,
    Link,
    LinkState,
    Mark,
    Record,
    SaglineError,
    Setting,
    Stream,
    broken_off,
    open_log,
)

from .ahead import Ahead, worker_for
from .captures import (
    YEAR_2000,
    capture_of,
    first_capture,
    is_date,
    moved,
    overlap,
    place_captures,
)
from .clocks import Clocks, read_clocks
from .frames import read_blocks
from .memory import hand_back
from .pace import stretch, unreal_pace
from .ride import LinkGap, Quality, Ride, RideEvent, RideMark, Segment, StreamColumns
from .segments import Told, by_counter, joined, settle
from .streams import Filled, Part, build_stream, follow
from .tables import Key, Tables, tabulate
from .timebase import wall_offset

_EMPTY = 8
"""Most cells of a table for each one sent, beyond _FREE; so no file can fill the memory."""
_FREE = 1 << 23
"""Cells of a table that may be empty in any case: 64 MiB."""

Descriptions = dict[tuple[int, int, int], Stream]
"""By (segment, stream number, revision)."""


def load_ride(path: str | Path) -> Ride:
    """Return everything in a log as columns in units on one time axis.

    Raises:
        SaglineError: the file cannot be read, is not a log, needs a later version of the format,
            or holds nothing from a board, or nothing that a descriptor explains.
    """
    path = Path(path)
    with worker_for(path) as worker:
        ride = _load(path, worker)
    hand_back(ride)
    return ride


def _load(path: Path, worker: Executor) -> Ride:
    with open_log(path) as file:
        try:
            ahead = Ahead(path, worker)
            tables = tabulate(read_blocks(file), ahead.take)
        except OSError as problem:
            raise SaglineError(
                f"cannot read the log ({problem.strerror})",
                where=str(path),
                remedy="copy it to another disk and try again",
            ) from None
        warnings = list(filter(None, [broken_off(file)]))
    tables, told = settle(tables)
    described = tables.described  # a descriptor that came late holds for all of its segment
    _check_content(tables, str(path))
    for major, minor in sorted(tables.versions):
        warnings.append(f"what the board sent in format version {major}.{minor} is left out")
    if tables.refused:
        which = f"; the first: {tables.refusal}" if tables.refusal else ""
        warnings.append(f"{tables.refused} sound frames break the rules of their kind{which}")
    warnings += _words(told)

    placed = place_captures(tables)
    tables, first = placed.tables, placed.start
    if tables.starts:
        warnings.append(f"{len(tables.starts) + 1} captures are joined in this file")
    if (pace := unreal_pace(tables)) is not None:
        tables = stretch(tables, pace)
        warnings.append(
            f"the board's clock ran {pace.factor:.3g} times as fast as the logger's, as when "
            "simulated; all times are the board's"
        )
        first = int(pace.stretched(np.array([first], np.int64))[0])
    clocks = read_clocks(tables, first, lambda key: _period(described, key))
    if tables.starts and (later := overlap(tables, replace(placed, start=first), clocks)):
        tables = moved(tables, later)
        clocks = read_clocks(tables, first, lambda key: _period(described, key))
    for capture in placed.blind:
        warnings.append(
            f"nothing tells how long after the capture before it number {capture + 1} began; it is "
            "set right behind"
        )
    if clocks.blind:
        warnings.append("no host clock tells when some of the data came; it is set end to end")
    streams, lost_samples, undescribed, misfits = _streams(
        tables,
        described,
        clocks,
        ahead.finish if told.plain else lambda parts: None,
        warnings,
        str(path),
    )
    nearly = {c.name: c.nearly for s in streams.values() for c in s.channels.values() if c.nearly}
    warnings += nearly.values()
    unread = (undescribed, misfits)
    return _ride(str(path), tables, clocks, first, streams, lost_samples, unread, told, warnings)


def _words(told: Told) -> list[str]:
    """Return what the numbers of a log told, for people."""
    words = [
        f"stream {name!r} was described in two ways under one revision; each holds for what "
        "follows it"
        for name in sorted(told.contradicted)
    ]
    if told.same_number:
        words.append(
            f"the board started {told.same_number} times without changing its boot number; what "
            "was lost at such a start cannot be told"
        )
    if told.went_back:
        words.append(f"the numbers of {told.went_back} records went back")
    if told.repeated:
        words.append(f"{told.repeated} records came twice and count once")
    if told.unheard:
        words.append(f"{told.unheard} samples were sent after a restart and before it was heard")
    return words


def _check_content(tables: Tables, where: str) -> None:
    for major, minor in tables.versions if not tables.described else ():
        raise SaglineError(
            f"the board speaks format version {major}.{minor}, this program reads {VERSION[0]}.x",
            where=where,
            remedy="install a Sagline of that version",
        )
    if tables.samples and not tables.described and tables.refusal:
        raise SaglineError(
            f"what the board says of itself breaks the format's rules ({tables.refusal}), so "
            "nothing tells what its samples mean",
            where=where,
            remedy="mend the board's program and record again; the raw samples are kept",
        )
    if tables.samples and not tables.described:
        raise SaglineError(
            "a log without a descriptor: the board never said what its samples mean",
            where=where,
            remedy="record for longer, so that the board repeats it; the raw samples are kept",
        )
    if not tables.boots:
        raise SaglineError(
            "nothing from a board in this log",
            where=where,
            remedy="check the cable, the port and the baud rate, and record again",
        )


def _period(described: Descriptions, key: Key) -> int:
    stream = described.get(key[:3])
    return stream.period if stream else 0


def _streams(
    tables: Tables,
    described: Descriptions,
    clocks: Clocks,
    filled: Filled,
    warnings: list[str],
    where: str,
) -> tuple[dict[str, StreamColumns], dict[str, int], int, int]:
    """Return the streams' columns, the samples lost in each, and how many samples nothing describes
    or do not fit what does."""
    names: dict[tuple[int, int, int], str] = {}
    latest: dict[tuple[int, int], str] = {}  # by (segment, stream number)
    owners: dict[tuple[int, str], int] = {}  # stream number by (segment, name)
    for (segment, number, revision), stream in described.items():
        name = stream.name or f"stream {number}"
        if owners.setdefault((segment, name), number) != number:
            name = f"{name} ({number})"
            owners[segment, name] = number
        names[segment, number, revision] = latest[segment, number] = name
    parts: defaultdict[str, list[Part]] = defaultdict(list)
    losses = dict.fromkeys(names.values(), 0)
    undescribed = misfits = 0
    for run, keys in by_counter(tables).items():
        order, whole = joined(tables, keys)
        followed = follow(whole.sequence, whole.count)
        name = latest.get(run, f"stream {run[1]}")  # of one that was never described
        if followed.lost:
            losses[name] = losses.get(name, 0) + followed.lost
        broken = np.empty_like(followed.broken)
        broken[order] = followed.broken
        start = 0
        for key in keys:
            chunk = tables.samples[key]
            hole = broken[start : start + chunk.offset.size]
            start += chunk.offset.size
            description = described.get(key[:3])
            if description is None:
                undescribed += int(chunk.count.sum())
                continue
            keep = (chunk.count == 1) | (description.period > 0)
            keep &= key.row == description.layout.size
            misfits += int(chunk.count[~keep].sum())
            if keep.any():
                device, line = clocks.samples[key], clocks.lines[key.segment]
                if not keep.all():
                    chunk, hole, device = chunk.only(keep), hole[keep], device[keep]
                parts[names[key[:3]]].append(
                    Part(key.segment, description, chunk, hole, device, line, key)
                )
    if misfits:
        warnings.append(f"{misfits} samples do not fit their stream's descriptor")
    streams = {}
    for (segment, number, revision), stream in described.items():
        name = names[segment, number, revision]
        if name not in streams:
            found = parts.pop(name, None) or [Part.empty(segment, stream)]
            _check_size(name, found, where)
            streams[name], backwards = build_stream(name, found, filled)
            if backwards:
                warnings.append(f"the clock of {name!r} ran backwards; its times are held level")
    return streams, losses, undescribed, misfits


def _check_size(name: str, parts: list[Part], where: str) -> None:
    """Refuse a stream described anew so often that its columns would mostly hold nothing."""
    rows = [int(part.chunk.count.sum()) for part in parts]
    columns = {(channel.key, channel.unit) for part in parts for channel in part.stream.channels}
    sent = sum(n * len(part.stream.channels) for n, part in zip(rows, parts, strict=True))
    if len(columns) * sum(rows) > _EMPTY * sent + _FREE:
        raise SaglineError(
            f"stream {name!r} is described with {len(columns)} different columns in one log",
            where=where,
            remedy="record each firmware's stream under its own name, or in its own log",
        )


def _ride(
    path: str,
    tables: Tables,
    clocks: Clocks,
    zero: int,
    streams: dict[str, StreamColumns],
    lost_samples: dict[str, int],
    unread: tuple[int, int],
    told: Told,
    warnings: list[str],
) -> Ride:
    host = [record for _, record in tables.host]
    own = capture_of(tables, np.array([at for at, _ in tables.host], np.int64)).tolist()
    captures = [r for r in host if isinstance(r, Capture)]
    instants = tables.instants
    latest = [end for _, end in clocks.spans]
    if instants.size:
        latest.append(float(instants["monotonic"].max() - zero))
    front = first_capture(tables)
    offset = wall_offset(front["monotonic"], front["wall"])
    started = None if offset is None else (zero + offset) / 1e6
    if offset is not None and not is_date(zero, offset):
        if not 0 <= zero + offset < YEAR_2000:  # there a clock stands that nobody has set
            warnings.append("the logger's clock stood at no possible date; the ride has none")
        started = None
    events, lost_events = _events(tables, clocks)
    delays = clocks.delays
    return Ride(
        path=path,
        board_name=tables.board.name if tables.board else "",
        firmware=tables.board.firmware if tables.board else "",
        streams={name: replace(s, started_wall=started) for name, s in streams.items()},
        events=events,
        marks=_marks(zip(own, host, strict=True), zero),
        link_gaps=_link_gaps(zip(own, host, strict=True), zero),
        segments=_segments(tables, clocks, streams),
        quality=Quality(
            frames=tables.frames,
            lost_samples=lost_samples,
            lost_events=lost_events,
            damaged_frames=tables.damaged.size + tables.refused,
            foreign_bytes=sum(len(r.data) for r in host if isinstance(r, Foreign)),
            undescribed_samples=unread[0],
            dropped_frames=sum(r.frames for r in host if isinstance(r, Dropped)),
            clock_drift_ppm=clocks.drift_ppm,
            clock_error=float(np.quantile(delays, 0.95)) / 1e6 if delays.size else None,
            ended=any(
                isinstance(record, End) and capture == len(tables.starts)
                for capture, record in zip(own, host, strict=True)
            ),
            misfit_samples=unread[1],
            unheard_samples=told.unheard,
            repeated_records=told.repeated,
            went_back=told.went_back,
            same_number_restarts=told.same_number,
            captures=len(tables.starts) + 1,
            strange_frames=tables.strange,
        ),
        duration=max(latest, default=0.0) / 1e6,
        started_wall=started,
        settings={r.name: r.value for r in host if isinstance(r, Setting)},
        note=captures[0].note if captures else "",
        source=captures[0].source if captures else "",
        board_file=_board_file([r for r in host if isinstance(r, FilePart)], warnings),
        warnings=tuple(warnings),
    )


def _events(tables: Tables, clocks: Clocks) -> tuple[tuple[RideEvent, ...], int]:
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


def _marks(host: Iterable[tuple[int, Record]], zero: int) -> tuple[RideMark, ...]:
    """Return the marks; a repeated number in one capture brings the text of the first."""
    marks: dict[tuple[int, int], RideMark] = {}
    for capture, record in host:
        if isinstance(record, Mark):
            mark = RideMark((record.at.monotonic - zero) / 1e6, record.number, record.text)
            first = marks.get((capture, record.number))
            marks[capture, record.number] = replace(first, text=mark.text) if first else mark
    return tuple(marks.values())


def _link_gaps(host: Iterable[tuple[int, Record]], zero: int) -> tuple[LinkGap, ...]:
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


def _segments(
    tables: Tables, clocks: Clocks, streams: dict[str, StreamColumns]
) -> tuple[Segment, ...]:
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
        segments.append(Segment(number, boot, start / 1e6, end / 1e6, step))
        before = last
    return tuple(segments)


def _board_file(parts: list[FilePart], warnings: list[str]) -> str | None:
    own = [part for part in parts if part.name == "board"]
    if not own:
        return None
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
            return data.decode()
    except UnicodeDecodeError:
        pass
    warnings.append("the attached board file is damaged and is left out")
    return None
