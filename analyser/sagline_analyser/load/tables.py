"""From sound frames to tables of records: SAMPLES and TIME by the thousand, the rest one by one."""

from collections import defaultdict
from collections.abc import Callable, Iterable
from dataclasses import dataclass, field, replace
from operator import itemgetter
from typing import NamedTuple

import numpy as np
import numpy.typing as npt

from sagline_logger.format import (
    VERSION,
    Board,
    Capture,
    Event,
    Instant,
    LogStart,
    Record,
    RecordError,
    Samples,
    Stream,
    Time,
    Unknown,
    decode_record,
    is_host_kind,
)
from sagline_logger.format.host_records import FIRST_HOST_KIND
from sagline_logger.format.limits import MAX_BODY, MAX_STREAMS

from .frames import Block, Bytes, Places, gather
from .known import Known, varying
from .packed import Packed

_HEADER = np.dtype(
    [
        ("kind", "u1"),
        ("stream", "u1"),
        ("boot", "<u2"),
        ("sequence", "<u4"),
        ("clock", "<u4"),
        ("revision", "u1"),
        ("count", "u1"),
    ]
)
_TIME = np.dtype([("kind", "u1"), ("monotonic", "<u8"), ("wall", "<i8"), ("position", "<u8")])
_DEVICE = (Board, Stream, Event)
CLOCKED = np.dtype([("offset", "i8"), ("segment", "i8"), ("clock", "i8")])
"""What the device's clock, modulo 2^32, read in a record at a place in the file."""
_KNOWN = 16
"""Descriptors of a log that are looked out for; the rest are decoded each time they come."""
INSTANT = np.dtype(
    [("offset", "i8"), ("monotonic", "i8"), ("wall", "i8"), ("time", "?")], align=True
)
"""The host's clocks at a place in the file; ``time`` where a TIME record says so."""
FURTHEST = 1 << 61
"""µs: a host clock beyond ± this reads as this, so that every difference of two fits 64 bits."""


class Key(NamedTuple):
    """What SAMPLES records that can stand in one table have in common.

    ``row`` is the bytes of one sample, 0 where the record holds no whole number of them.
    """

    segment: int
    stream: int
    revision: int
    row: int


@dataclass
class Chunk:
    """SAMPLES records of one key, one item a record, and their samples in pieces, in order."""

    offset: Places
    sequence: npt.NDArray[np.uint32]
    clock: npt.NDArray[np.uint32]
    count: npt.NDArray[np.uint8]
    packed: list[Packed]

    def only(self, keep: npt.NDArray[np.bool_]) -> "Chunk":
        """Return some of the records."""
        ends = np.cumsum([piece.count.size for piece in self.packed])[:-1]
        packed = [
            replace(piece, start=piece.start[own], count=piece.count[own])
            for piece, own in zip(self.packed, np.split(keep, ends), strict=True)
        ]
        return Chunk(
            self.offset[keep], self.sequence[keep], self.clock[keep], self.count[keep], packed
        )

    @classmethod
    def join(cls, chunks: list["Chunk"]) -> "Chunk":
        """Return the chunks one after the other."""
        return cls(
            np.concatenate([c.offset for c in chunks]),
            np.concatenate([c.sequence for c in chunks]),
            np.concatenate([c.clock for c in chunks]),
            np.concatenate([c.count for c in chunks]),
            [piece for c in chunks for piece in c.packed],
        )


@dataclass
class Tables:
    """All a log holds, by kind; ``offset`` is always a record's place in the file.

    ``boots`` are the boot numbers of the segments, in order: a segment ends where a device record
    names another boot number than the one before.
    """

    samples: dict[Key, Chunk]
    boots: list[int]
    board: Board | None = None
    """The last one."""
    boards: npt.NDArray[np.void] = field(default_factory=lambda: np.empty(0, CLOCKED))
    """Every BOARD record, as CLOCKED."""
    descriptors: Places = field(default_factory=lambda: np.empty(0, np.intp))
    """Places of all STREAM records."""
    described: dict[tuple[int, int, int], Stream] = field(default_factory=dict)
    """The first STREAM record by (segment, stream number, revision)."""
    contradicted: set[str] = field(default_factory=set)
    """Names of streams that were described in two ways under one revision."""
    events: list[tuple[int, int, Event]] = field(default_factory=list)
    """(offset, segment, record)"""
    host: list[tuple[int, Record]] = field(default_factory=list)
    """(offset, record) of every host record but TIME and LOG"""
    instants: npt.NDArray[np.void] = field(default_factory=lambda: np.empty(0, INSTANT))
    frames: int = 0
    damaged: Places = field(default_factory=lambda: np.empty(0, np.intp))
    """Places of the stretches that are no frame."""
    refused: int = 0
    """Sound frames whose fields break the rules of their kind."""
    captures: int = 0
    versions: set[tuple[int, int]] = field(default_factory=set)
    """Other major versions that the device spoke; what it sent then was not decoded."""


Take = Callable[[Key, Chunk, Stream | None], None]


def tabulate(blocks: Iterable[Block], take: Take | None = None) -> Tables:
    """Return the tables of a whole log.

    ``take`` is given each key's samples as soon as they are read, and the descriptor of them that
    came by then.
    """
    builder = _Builder(take)
    for block in blocks:
        builder.add(block)
    return builder.finish()


class _Builder:
    def __init__(self, take: Take | None) -> None:
        self.take = take
        self.known: dict[bytes, Known] = {}
        self.boards: list[npt.NDArray[np.void]] = []
        self.latest = -1  # place of the last of them
        self.descriptors: list[Places] = []
        self.streams: list[tuple[int, int, Stream]] = []  # (offset, segment, record)
        self.tables = Tables({}, [])
        self.chunks: defaultdict[Key, list[Chunk]] = defaultdict(list)
        self.times: list[tuple[Places, npt.NDArray[np.void]]] = []
        self.instants: list[npt.NDArray[np.void]] = []  # of other records than TIME
        self.damaged: list[Places] = []
        self.readable = True  # what the device sends is in a version that we know
        self.decoded: dict[bytes, Record] = {}  # descriptors come again and again, the same bytes

    def add(self, block: Block) -> None:
        tables = self.tables
        self.damaged.append(block.damaged)
        if not block.start.size:
            return
        kind = block.data[block.start]
        boot = np.full(kind.size, -1)
        kind = self.readable_kinds(block, kind)
        is_samples = (kind == Samples.KIND) & (block.size >= _HEADER.itemsize)
        is_time = (kind == Time.KIND) & (block.size >= _TIME.itemsize)
        sampled = np.flatnonzero(is_samples)
        header = gather(block.data, _HEADER, block.start[sampled])
        legal = (header["stream"] < MAX_STREAMS) & (header["count"] > 0)
        if not legal.all():
            tables.refused += int(np.count_nonzero(~legal))
            sampled, header = sampled[legal], header[legal]
        boot[sampled] = header["boot"]
        others = np.flatnonzero(~(is_samples | is_time) & (kind > 0))
        device = self.device(block, others)
        for frames, record in device:
            boot[frames] = record.boot
        tables.frames += len(sampled) + sum(frames.size for frames, _ in device)
        segment = self.segments(boot)
        for frames, record in device:
            self.note(block, frames, segment[frames], record)
        self.describe()
        timed = np.flatnonzero(is_time)
        self.times.append((block.offset[timed], gather(block.data, _TIME, block.start[timed])))
        self.add_samples(block, sampled, header, segment[sampled])

    def readable_kinds(self, block: Block, kind: Bytes) -> Bytes:
        """Return the kinds, 0 for device frames of another major version (frame_format.md §7)."""
        boards = np.flatnonzero((kind == Board.KIND) & (block.size >= 3))
        major = block.data[block.start[boards] + 1]
        if self.readable and (major == VERSION[0]).all():
            return kind
        readable = np.full(kind.size, self.readable)
        for frame, body in zip(boards.tolist(), block.bodies(boards), strict=True):
            readable[frame:] = body[1] == VERSION[0]
            if body[1] != VERSION[0]:
                self.tables.versions.add((body[1], body[2]))
        self.readable = bool(readable[-1])
        hidden = ~readable & (kind < FIRST_HOST_KIND)
        self.tables.frames += int(np.count_nonzero(hidden))
        return np.where(hidden, 0, kind).astype(np.uint8)

    def device(self, block: Block, frames: Places) -> list[tuple[Places, Board | Stream | Event]]:
        """Return the device's records among some frames; what repeats itself comes but once."""
        found: list[tuple[Places, Board | Stream | Event]] = []
        for known in self.known.values():
            if (same := known.among(block, frames)).any():
                found.append((frames[same], known.record))
                frames = frames[~same]
        places = block.offset[frames].tolist()
        for frame, place, body in zip(frames, places, block.bodies(frames), strict=True):
            record = self.other(place, body)
            if isinstance(record, _DEVICE):
                found.append((np.array([frame]), record))
            if isinstance(record, Board | Stream) and len(self.known) < _KNOWN:
                own = varying(record)
                constant = body[: own.start] + body[own.stop :]
                if constant not in self.known:
                    self.known[constant] = Known.of(record, body)
        return found

    def note(
        self,
        block: Block,
        frames: Places,
        segment: npt.NDArray[np.int64],
        record: Board | Stream | Event,
    ) -> None:
        """Keep what a record says that came in some frames of a block."""
        tables = self.tables
        places = block.offset[frames]
        if isinstance(record, Event):
            tables.events.append((int(places[0]), int(segment[0]), record))
        elif isinstance(record, Board):
            boards = np.empty(frames.size, CLOCKED)
            boards["offset"], boards["segment"] = places, segment
            boards["clock"] = gather(
                block.data, np.dtype("<u4"), block.start[frames] + Board.CLOCK.start
            )
            self.boards.append(boards)
            if places[-1] > self.latest:
                self.latest, tables.board = int(places[-1]), record
        else:
            self.descriptors.append(places)
            numbers, first = np.unique(segment, return_index=True)
            for place, number in zip(places[first].tolist(), numbers.tolist(), strict=True):
                self.streams.append((place, number, record))

    def describe(self) -> None:
        """Take the streams that a block described, the first in the file first."""
        for _, segment, stream in sorted(self.streams, key=itemgetter(0)):
            key = (segment, stream.stream, stream.revision)
            if self.tables.described.setdefault(key, stream) != stream:
                self.tables.contradicted.add(stream.name)
        self.streams.clear()

    def other(self, offset: int, body: bytes) -> Record | None:
        record = self.decoded.get(body)
        if record is None:
            try:
                record = decode_record(body)
            except RecordError:
                self.tables.refused += 1
                return None
            if isinstance(record, Stream):
                self.decoded[body] = record
        if isinstance(record, Unknown):
            self.tables.frames += not is_host_kind(body)
        elif is_host_kind(body) and not isinstance(record, LogStart):
            self.tables.captures += isinstance(record, Capture)
            at: Instant = record.at  # type: ignore[union-attr]  # every other host record has one
            if max(at.monotonic, abs(at.wall)) > FURTHEST:
                wall = min(max(at.wall, -FURTHEST), FURTHEST)
                at = Instant(min(at.monotonic, FURTHEST), wall)
                record = replace(record, at=at)  # type: ignore[arg-type]  # as above
            self.tables.host.append((offset, record))
            self.instants.append(np.array([(offset, at.monotonic, at.wall, False)], INSTANT))
        return record

    def segments(self, boot: npt.NDArray[np.int64]) -> npt.NDArray[np.int64]:
        """Return every frame's segment, -1 for those without a boot number."""
        boots = self.tables.boots
        known = np.flatnonzero(boot >= 0)
        named = boot[known]
        before = np.concatenate([boots[-1:] or [-1], named[:-1]])
        fresh = named != before
        segment = np.full(boot.size, -1)
        segment[known] = len(boots) - 1 + np.cumsum(fresh)
        boots.extend(named[fresh].tolist())
        return segment

    def add_samples(
        self,
        block: Block,
        frames: Places,
        header: npt.NDArray[np.void],
        segment: npt.NDArray[np.int64],
    ) -> None:
        count = header["count"].astype(np.intp)
        row, rest = np.divmod(block.size[frames] - _HEADER.itemsize, count)
        row[rest != 0] = 0
        code = segment
        for part, limit in (
            (header["stream"], MAX_STREAMS),
            (header["revision"], 256),
            (row, MAX_BODY),
        ):
            code = code * limit + part
        start = block.start[frames] + _HEADER.itemsize
        for own in _groups(code):
            first = own[0]
            key = Key(
                int(segment[first]),
                int(header["stream"][first]),
                int(header["revision"][first]),
                int(row[first]),
            )
            chunk = Chunk(
                block.offset[frames[own]],
                header["sequence"][own],
                header["clock"][own],
                header["count"][own],
                [Packed(block.data, start[own], count[own], key.row)],
            )
            self.chunks[key].append(chunk)
            if self.take is not None:
                self.take(key, chunk, self.tables.described.get(key[:3]))

    def finish(self) -> Tables:
        tables = self.tables
        for key, chunks in self.chunks.items():
            tables.samples[key] = Chunk.join(chunks)
        if self.boards:
            boards = np.concatenate(self.boards)
            tables.boards = boards[np.argsort(boards["offset"], kind="stable")]
        if self.descriptors:
            tables.descriptors = np.sort(np.concatenate(self.descriptors))
        if self.damaged:
            tables.damaged = np.concatenate(self.damaged)
        if self.times:
            offsets, times = map(np.concatenate, zip(*self.times, strict=True))
            instants = np.empty(times.size, INSTANT)
            instants["offset"] = offsets
            instants["monotonic"] = np.minimum(times["monotonic"], FURTHEST)
            instants["wall"] = np.clip(times["wall"], -FURTHEST, FURTHEST)
            instants["time"] = True
            instants = np.concatenate([instants, *self.instants])
            tables.instants = instants[np.argsort(instants["offset"], kind="stable")]
        return tables


def _groups(code: npt.NDArray[np.int64]) -> list[Places]:
    """Return the places of every value, those of the lowest value first."""
    if not code.size:
        return []
    if (code == code[0]).all():
        return [np.arange(code.size)]
    order = np.argsort(code, kind="stable")
    return np.split(order, np.flatnonzero(np.diff(code[order])) + 1)
