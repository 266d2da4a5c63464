"""Logs built record by record, and an obvious, slow reading to hold the fast one against."""

import io
import math
from collections.abc import Iterable
from dataclasses import dataclass, field
from typing import Any

from sagline_logger.format import (
    SIGNATURE,
    Board,
    Capture,
    CaptureStarts,
    DeviceReader,
    End,
    Event,
    Heard,
    Instant,
    LogStart,
    Record,
    RecordError,
    Samples,
    Segment,
    Stream,
    Time,
    Unknown,
    Verdict,
    encode_frame,
    read_log,
)

WALL = 1_780_000_000_000_000


def at(monotonic: int, wall_offset: int = WALL) -> Instant:
    """Return the host's clocks at ``monotonic`` µs."""
    return Instant(monotonic, monotonic + wall_offset)


def log_bytes(
    records: Iterable[Record | bytes], start: int = 0, end: bool = True, wall: int = WALL
) -> bytes:
    """Return a log: LOG, CAPTURE at ``start`` µs, the records (bytes are kept as they are), END."""
    capture = Capture(at(start, wall), "test", "a builder", "")
    frames = [SIGNATURE, encode_frame(capture.encode())]
    frames += [r if isinstance(r, bytes) else encode_frame(r.encode()) for r in records]
    if end:
        frames.append(encode_frame(End(at(start, wall), 0, 0, "").encode()))
    return b"".join(frames)


def pack(stream: Stream, sequence: int, clock: int, rows: list[tuple[Any, ...]]) -> Samples:
    """Return the SAMPLES record of some rows of raw values."""
    data = b"".join(stream.layout.pack(*row) for row in rows)
    return Samples(
        stream.boot,
        stream.stream,
        stream.revision,
        sequence % 2**32,
        clock % 2**32,
        len(rows),
        data,
    )


def board(boot: int, clock: int = 0, streams: int = 1, **more: Any) -> Board:
    """Return a BOARD record."""
    return Board(boot, clock % 2**32, 0, streams, "Kestrel", "test 1", **more)


def time(monotonic: int) -> Time:
    """Return a TIME record."""
    return Time(at(monotonic), 0)


@dataclass
class SlowRide:
    """What a log says, by (stream name, column): raw samples, values, and whether any are lost."""

    raw: dict[tuple[str, str], list[int | float]] = field(default_factory=dict)
    values: dict[tuple[str, str], list[float]] = field(default_factory=dict)
    segment: dict[str, list[int]] = field(default_factory=dict)
    gap: dict[str, list[bool]] = field(default_factory=dict)
    lost: dict[str, int] = field(default_factory=dict)
    boots: list[tuple[int, int]] = field(default_factory=list)
    lost_events: int = 0
    unheard: int = 0
    repeated: int = 0
    went_back: int = 0
    contradicted: int = 0
    undescribed: int = 0
    misfits: int = 0
    damaged: int = 0


def read_slowly(data: bytes) -> SlowRide:
    """Read a log record by record with the format package alone; streams need distinct names."""
    ride = SlowRide()
    reader, starts = DeviceReader(), CaptureStarts()
    numbers: dict[int, int] = {}
    sampled: list[Heard] = []
    heard: list[Segment] = []
    for entry in read_log(io.BytesIO(data)):
        record = entry.record
        ride.damaged += record is None and not entry.goes_on
        if (record is not None or entry.refused) and starts.begins(record):
            reader.begin_capture()
        if isinstance(record, Board) and record.version[0] != 1:
            continue
        if isinstance(record, Board | Stream | Samples | Event):
            one = reader.take(record)
            if id(one.segment) not in numbers:
                numbers[id(one.segment)] = len(heard)
                heard.append(one.segment)
            if isinstance(record, Event):
                ride.lost_events += one.lost
            if isinstance(record, Samples):
                sampled.append(one)
            ride.repeated += one.verdict is Verdict.REPEATED
            ride.went_back += one.verdict is Verdict.WENT_BACK
        elif not isinstance(record, Unknown | LogStart | None):
            reader.host(record.at.monotonic)
    reader.settle()
    ride.boots = [(segment.capture, segment.boot) for segment in heard]
    ride.unheard = sum(segment.unheard for segment in heard)
    ride.contradicted = sum(segment.contradicted for segment in heard)
    names = {
        (id(segment), stream.stream): stream.name
        for segment in heard
        for stream in segment.described.values()
    }
    ride.lost = {d.name: 0 for segment in heard for d in segment.described.values()}
    for one in sampled:
        if one.verdict is Verdict.REPEATED:
            continue
        record, key = one.record, one.description
        assert isinstance(record, Samples) and key is not None
        if one.lost:
            name = names.get((id(one.segment), record.stream), f"stream {record.stream}")
            ride.lost[name] = ride.lost.get(name, 0) + one.lost
        stream = one.segment.described.get(key)
        if stream is None:
            ride.undescribed += record.count
            continue
        try:
            rows = record.rows(stream)
        except RecordError:
            ride.misfits += record.count
            continue
        gaps = ride.gap.setdefault(stream.name, [])
        segments = ride.segment.setdefault(stream.name, [])
        number = numbers[id(one.segment)]
        hole = one.lost or one.verdict is Verdict.WENT_BACK
        gaps += [bool(gaps) and bool(hole or segments[-1] != number)] + [False] * (len(rows) - 1)
        segments += [number] * len(rows)
        for channel, column in zip(stream.channels, zip(*rows, strict=True), strict=True):
            place = (stream.name, channel.key)
            ride.raw.setdefault(place, []).extend(column)
            ride.values.setdefault(place, []).extend(channel.value(raw) for raw in column)
    return ride


def same(a: float, b: float) -> bool:
    """Whether two floats are the same to the bit, all NaN alike."""
    if math.isnan(a) or math.isnan(b):
        return math.isnan(a) and math.isnan(b)
    return a == b and math.copysign(1.0, a) == math.copysign(1.0, b)
