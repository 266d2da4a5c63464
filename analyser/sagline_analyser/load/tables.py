"""From sound frames to tables of records: SAMPLES and TIME by the thousand, the rest one by one."""

from collections import defaultdict
from collections.abc import Callable, Iterable
from dataclasses import dataclass, field, replace
from typing import NamedTuple

import numpy as np
import numpy.typing as npt

from sagline_logger.format import (
    VERSION,
    Board,
    Capture,
    CaptureStarts,
    End,
    Event,
    Instant,
    LogStart,
    Raw,
    Record,
    RecordError,
    Samples,
    Stream,
    Time,
    Unknown,
    VersionGate,
    decode_record,
    is_host_kind,
)
from sagline_logger.format.host_records import FIRST_HOST_KIND
from sagline_logger.format.limits import MAX_BODY, MAX_STREAMS

from .frames import Block, Bytes, Places, gather
from .known import KnownDescriptor, varying
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
_LANDMARKS = (LogStart, Capture, End)
_HIDDEN = -1
"""Stands for the kind of a frame that may not be decoded; every other number is a kind."""
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
    ``revision`` counts 256 up with each STREAM that describes that revision anew.
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

    ``boots`` are the boot numbers of the segments, in order, ``capture_of`` their captures' numbers
    from 0.
    """

    samples: dict[Key, Chunk]
    boots: list[int]
    capture_of: list[int] = field(default_factory=list)
    starts: list[int] = field(default_factory=list)
    """Where in the file every capture but the first begins."""
    board: Board | None = None
    """The last one."""
    boards: npt.NDArray[np.void] = field(default_factory=lambda: np.empty(0, CLOCKED))
    """Every BOARD record, as CLOCKED."""
    descriptors: Places = field(default_factory=lambda: np.empty(0, np.intp))
    """Places of all STREAM records."""
    described: dict[tuple[int, int, int], Stream] = field(default_factory=dict)
    """The STREAM record by (segment, stream number, revision of the key)."""
    spoken: list[tuple[Stream, Places, npt.NDArray[np.int64]]] = field(default_factory=list)
    """Every STREAM record with its places and their segments."""
    events: list[tuple[int, int, Event]] = field(default_factory=list)
    """(offset, segment, record)"""
    host: list[tuple[int, Record]] = field(default_factory=list)
    """(offset, record) of every host record but TIME, RAW and LOG"""
    instants: npt.NDArray[np.void] = field(default_factory=lambda: np.empty(0, INSTANT))
    frames: int = 0
    damaged: Places = field(default_factory=lambda: np.empty(0, np.intp))
    """Places of the stretches that are no frame."""
    strays: Places = field(default_factory=lambda: np.empty(0, np.intp))
    """Places of sound frames that no table holds: of unknown kind or version, refused, repeated."""
    refused: int = 0
    """Sound frames whose fields break the rules of their kind."""
    refusal: str = ""
    """What the first of them breaks."""
    strange: int = 0
    """Sound frames in a version that is not known."""
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
        self.known: dict[bytes, KnownDescriptor] = {}
        self.boards: list[npt.NDArray[np.void]] = []
        self.latest = -1  # place of the last of them
        self.descriptors: list[Places] = []
        self.tables = Tables({}, [])
        self.chunks: defaultdict[Key, list[Chunk]] = defaultdict(list)
        self.times: list[tuple[Places, npt.NDArray[np.void]]] = []
        self.instants: list[npt.NDArray[np.void]] = []  # of other records than TIME
        self.damaged: list[Places] = []
        self.strays: list[Places] = []
        self.gate = VersionGate()
        self.starts = CaptureStarts()
        self.landmarks: dict[
            int, Record
        ] = {}  # of a block: frames with which captures begin or end
        self.decoded: dict[bytes, Record] = {}  # descriptors come again and again, the same bytes

    def add(self, block: Block) -> None:
        tables = self.tables
        self.damaged.append(block.damaged)
        if not block.start.size:
            return
        kind = self.readable_kinds(block, block.data[block.start])
        boot = np.full(kind.size, -1)
        is_samples = (kind == Samples.KIND) & (block.size >= _HEADER.itemsize)
        is_time = (kind == Time.KIND) & (block.size >= _TIME.itemsize)
        sampled = np.flatnonzero(is_samples)
        header = gather(block.data, _HEADER, block.start[sampled])
        legal = (header["stream"] < MAX_STREAMS) & (header["count"] > 0)
        if not legal.all():
            refused = int(np.count_nonzero(~legal))
            tables.refused += refused
            tables.frames += refused
            self.strays.append(block.offset[sampled[~legal]])
            sampled, header = sampled[legal], header[legal]
        boot[sampled] = header["boot"]
        others = np.flatnonzero(~(is_samples | is_time) & (kind != _HIDDEN))
        if (hidden := kind == _HIDDEN).any():
            self.strays.append(block.offset[hidden])
        device = self.device(block, others)
        for frames, record in device:
            boot[frames] = record.boot
        tables.frames += len(sampled) + sum(frames.size for frames, _ in device)
        timed = np.flatnonzero(is_time)
        times = gather(block.data, _TIME, block.start[timed])
        segment = self.segments(boot, self.captures(block, timed, times["monotonic"]))
        for frames, record in device:
            self.note(block, frames, segment[frames], record)
        self.times.append((block.offset[timed], times))
        self.add_samples(block, sampled, header, segment[sampled])

    def readable_kinds(self, block: Block, kind: Bytes) -> npt.NDArray[np.int16]:
        """Return the kinds, _HIDDEN where a version forbids to decode (frame_format.md §7)."""
        readable = kind.astype(np.int16)
        marks = np.flatnonzero(((kind == Board.KIND) & (block.size >= 3)) | (kind == LogStart.KIND))
        major = block.data[block.start[marks] + 1]
        known = (kind[marks] == LogStart.KIND) | (major == VERSION[0])
        bodies = block.bodies(marks[kind[marks] == LogStart.KIND])
        plain = self.gate.open and bool(known.all())
        if plain and all(body[1:9] == LogStart().encode()[1:9] for body in bodies):
            return readable
        hidden = ~self._admitted(kind)
        foreign: list[int] = []
        for frame, body in zip(marks.tolist(), block.bodies(marks), strict=True):
            if not self.gate.admits(body):
                continue
            if body[0] == Board.KIND and body[1] != VERSION[0]:
                self.tables.versions.add((body[1], body[2]))
            if body[0] == LogStart.KIND and not self.gate.file:
                self.tables.versions.add((body[8], body[9] if len(body) > 9 else 0))
                self.tables.strange += 1
            hidden[frame:] = ~self._admitted(kind[frame:])
            hidden[frame] = False
            if body[0] == Board.KIND and not self.gate.device:
                foreign.append(frame)
                self.tables.strange += 1
        self.tables.strange += int(np.count_nonzero(hidden))
        hidden[foreign] = True  # a BOARD of which no more is known than its version
        self.tables.frames += int(np.count_nonzero(hidden & (kind < FIRST_HOST_KIND)))
        readable[hidden] = _HIDDEN
        return readable

    def _admitted(self, kind: Bytes) -> npt.NDArray[np.bool_]:
        """Return which kinds the version in force lets be decoded, BOARD and LOG apart."""
        if not self.gate.file:
            return np.zeros(kind.size, np.bool_)
        admitted: npt.NDArray[np.bool_] = (kind >= FIRST_HOST_KIND) | self.gate.device
        return admitted

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
            if isinstance(record, _LANDMARKS):
                self.landmarks[int(frame)] = record
            if isinstance(record, Board | Stream) and len(self.known) < _KNOWN:
                own = varying(record)
                constant = body[: own.start] + body[own.stop :]
                if constant not in self.known:
                    self.known[constant] = KnownDescriptor.of(record, body)
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
            tables.spoken.append((record, places, segment))
            for number in np.unique(segment).tolist():
                tables.described.setdefault((number, record.stream, record.revision), record)

    def other(self, offset: int, body: bytes) -> Record | None:
        record = self.decoded.get(body)
        if record is None:
            try:
                record = decode_record(body)
            except RecordError as problem:
                self.tables.refused += 1
                self.tables.refusal = self.tables.refusal or str(problem)
                self.tables.frames += not is_host_kind(body)
                self.strays.append(np.array([offset], np.intp))
                return None
            if isinstance(record, Stream):
                self.decoded[body] = record
        if isinstance(record, Unknown):
            if not is_host_kind(body):
                self.tables.frames += 1
                self.strays.append(np.array([offset], np.intp))
        elif is_host_kind(body) and not isinstance(record, LogStart):
            at: Instant = record.at  # type: ignore[union-attr]  # every other host record has one
            if max(at.monotonic, abs(at.wall)) > FURTHEST:
                wall = min(max(at.wall, -FURTHEST), FURTHEST)
                at = Instant(min(at.monotonic, FURTHEST), wall)
                record = replace(record, at=at)  # type: ignore[arg-type]  # as above
            if not isinstance(record, Raw):  # of which there may be many, and nobody asks for them
                self.tables.host.append((offset, record))
            self.instants.append(np.array([(offset, at.monotonic, at.wall, False)], INSTANT))
        return record

    def captures(
        self, block: Block, timed: Places, monotonic: npt.NDArray[np.uint64]
    ) -> npt.NDArray[np.int64]:
        """Return the number of every frame's capture (frame_format.md §6.5)."""
        landmarks, self.landmarks = self.landmarks, {}
        frames = timed
        if not landmarks and (monotonic[1:] >= monotonic[:-1]).all():
            frames = timed[[0, -1]] if timed.size else timed
        told: dict[int, Record | None] = dict.fromkeys((0, *(n + 1 for n in landmarks)))
        at = dict(zip(timed.tolist(), monotonic.tolist(), strict=True))
        told |= {n: Time(Instant(at[n], 0), 0) for n in frames.tolist()}
        told |= landmarks
        number = np.full(block.size.size, len(self.tables.starts))
        for frame in sorted(told):
            if frame < number.size and self.starts.begins(told[frame]):
                self.tables.starts.append(int(block.offset[frame]))
                number[frame:] += 1
        return number

    def segments(
        self, boot: npt.NDArray[np.int64], capture: npt.NDArray[np.int64]
    ) -> npt.NDArray[np.int64]:
        """Return every frame's segment, -1 for those without a boot number."""
        boots, captures = self.tables.boots, self.tables.capture_of
        known = np.flatnonzero(boot >= 0)
        named = boot[known] + (capture[known] << 16)
        last = boots[-1] + (captures[-1] << 16) if boots else -1
        fresh = named != np.concatenate([[last], named[:-1]])
        segment = np.full(boot.size, -1)
        segment[known] = len(boots) - 1 + np.cumsum(fresh)
        boots.extend((named[fresh] & 0xFFFF).tolist())
        captures.extend((named[fresh] >> 16).tolist())
        return segment

    def add_samples(
        self,
        block: Block,
        frames: Places,
        header: npt.NDArray[np.void],
        segment: npt.NDArray[np.int64],
    ) -> None:
        count = header["count"].astype(np.intp)
        bare = block.size[frames] - _HEADER.itemsize
        row, rest = np.divmod(bare, count)
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
                # Of a record without whole samples, the bytes stand for the samples.
                [Packed(block.data, start[own], (count if key.row else bare)[own], key.row)],
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
        if self.strays:
            tables.strays = np.concatenate(self.strays)
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
