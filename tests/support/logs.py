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
    End,
    Instant,
    Record,
    RecordError,
    Samples,
    Stream,
    Time,
    encode_frame,
    read_log,
)

WALL = 1_780_000_000_000_000


def at(monotonic: int, wall_offset: int = WALL) -> Instant:
    """Return the host's clocks at ``monotonic`` µs."""
    return Instant(monotonic, monotonic + wall_offset)


def log_bytes(records: Iterable[Record | bytes], start: int = 0, end: bool = True) -> bytes:
    """Return a log: LOG, CAPTURE at ``start`` µs, the records (bytes are kept as they are), END."""
    capture = Capture(at(start), "test", "a builder", "")
    frames = [SIGNATURE, encode_frame(capture.encode())]
    frames += [r if isinstance(r, bytes) else encode_frame(r.encode()) for r in records]
    if end:
        frames.append(encode_frame(End(at(start), 0, 0, "").encode()))
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
    undescribed: int = 0
    damaged: int = 0


def read_slowly(data: bytes) -> SlowRide:
    """Read a log record by record with the format package alone; streams need distinct names."""
    ride = SlowRide()
    boot: int | None = None
    segment = -1
    described: dict[tuple[int, int, int], Stream] = {}
    sampled: list[tuple[int, Samples]] = []
    for entry in read_log(io.BytesIO(data)):
        record = entry.record
        ride.damaged += record is None
        own = getattr(record, "boot", None)
        if own is None or (isinstance(record, Board) and record.version[0] != 1):
            continue
        segment += own != boot
        boot = own
        if isinstance(record, Stream):
            described.setdefault((segment, record.stream, record.revision), record)
        elif isinstance(record, Samples):
            sampled.append((segment, record))
    for stream in described.values():
        ride.lost.setdefault(stream.name, 0)
    numbers = {(s, number): d.name for (s, number, _), d in described.items()}
    following: dict[tuple[int, int], int] = {}
    seen: set[tuple[int, int, int, int]] = set()
    for segment, record in sampled:
        run = (segment, record.stream)
        identity = (*run, record.sequence, record.clock)
        if identity in seen:
            continue
        seen.add(identity)
        hole = (record.sequence - following.get(run, record.sequence)) % 2**32
        following[run] = (record.sequence + record.count) % 2**32
        if hole < 2**31 and run in numbers:
            ride.lost[numbers[run]] += hole
        stream = described.get((segment, record.stream, record.revision))
        if stream is None:
            ride.undescribed += 1
            continue
        try:
            rows = record.rows(stream)
        except RecordError:
            continue
        gaps = ride.gap.setdefault(stream.name, [])
        segments = ride.segment.setdefault(stream.name, [])
        gaps += [bool(gaps) and (hole != 0 or segments[-1] != segment)] + [False] * (len(rows) - 1)
        segments += [segment] * len(rows)
        for channel, column in zip(stream.channels, zip(*rows, strict=True), strict=True):
            key = (stream.name, channel.key)
            ride.raw.setdefault(key, []).extend(column)
            ride.values.setdefault(key, []).extend(channel.value(raw) for raw in column)
    return ride


def same(a: float, b: float) -> bool:
    """Whether two floats are the same to the bit, all NaN alike."""
    if math.isnan(a) or math.isnan(b):
        return math.isnan(a) and math.isnan(b)
    return a == b and math.copysign(1.0, a) == math.copysign(1.0, b)
