"""A decoder of device frames for these tests: PyPI's ``cobs``, zlib and the tables of
``protocol_docs/frame_format.md`` §3 and §5; nothing of Sagline's own code."""

import struct
import zlib
from typing import NamedTuple

from cobs import cobs

TYPES = {1: "B", 2: "b", 3: "H", 4: "h", 5: "I", 6: "i", 7: "f"}


class Board(NamedTuple):
    revision: int
    boot: int
    clock: int
    streams: int
    name: str
    firmware: str


class Channel(NamedTuple):
    name: str
    unit: str
    label: str
    type: str
    index: int
    exponent: int
    multiplier: int
    offset: int
    missing: int | None

    def value(self, raw: float) -> float:
        return (raw * self.multiplier + self.offset) * 10.0**self.exponent


class Stream(NamedTuple):
    stream: int
    boot: int
    revision: int
    period: int
    name: str
    channels: tuple[Channel, ...]

    def column(self, name: str, index: int = 0) -> int:
        return [(one.name, one.index) for one in self.channels].index((name, index))


class Samples(NamedTuple):
    stream: int
    boot: int
    sequence: int
    clock: int
    revision: int
    count: int
    data: bytes

    def rows(self, stream: Stream) -> list[tuple]:
        layout = "<" + "".join(channel.type for channel in stream.channels)
        rows = list(struct.iter_unpack(layout, self.data))
        assert len(rows) == self.count
        return rows


class Event(NamedTuple):
    event: int
    boot: int
    sequence: int
    clock: int
    number: int
    index: int
    text: str


def bodies(data: bytes) -> list[bytes]:
    """Return the bodies of a stream of whole frames; damage is an error."""
    frames = data.split(b"\0")
    assert frames.pop() == b"", "the stream ends inside a frame"
    found = []
    for frame in frames:
        if not frame:
            continue  # a lone zero is padding (§3.3)
        plain = cobs.decode(frame)
        body, check = plain[:-4], plain[-4:]
        assert zlib.crc32(body) == int.from_bytes(check, "little")
        found.append(body)
    return found


def records(data: bytes) -> list[Board | Stream | Samples | Event]:
    """Return the records of a stream of whole frames."""
    return [_record(body) for body in bodies(data)]


def samples(data: bytes, stream: int) -> list[tuple[int, int, tuple]]:
    """Return (boot, clock, raw row) of every sample of one stream."""
    found = []
    described = {}
    for record in records(data):
        if isinstance(record, Stream):
            described[record.boot, record.stream] = record
        elif isinstance(record, Samples) and record.stream == stream:
            plan = described[record.boot, stream]
            for at, row in enumerate(record.rows(plan)):
                found.append((record.boot, (record.clock + at * plan.period) % 2**32, row))
    return found


def descriptions(data: bytes) -> dict[str, Stream]:
    """Return the streams described in ``data`` by name."""
    return {record.name: record for record in records(data) if isinstance(record, Stream)}


def _record(body: bytes) -> Board | Stream | Samples | Event:
    kind, at = body[0], 1

    def take(layout: str) -> tuple:
        nonlocal at
        values = struct.unpack_from("<" + layout, body, at)
        at += struct.calcsize("<" + layout)
        return values

    def text() -> str:
        nonlocal at
        (size,) = take("H")
        at += size
        return body[at - size : at].decode()

    if kind == 1:
        assert take("BB") == (1, 0)
        return Board(*take("BHIB"), text(), text())
    if kind == 2:
        stream, boot, revision, period, count = take("BHBIB")
        name = text()
        channels = []
        for _ in range(count):
            words = text(), text(), text()
            code, index, flags, exponent = take("BBBb")
            multiplier, offset = take("ii")
            missing = struct.unpack_from("<" + TYPES[code], body, at)[0] if flags & 1 else None
            take("4s")
            channels.append(
                Channel(*words, TYPES[code], index, exponent, multiplier, offset, missing)
            )
        return Stream(stream, boot, revision, period, name, tuple(channels))
    if kind == 3:
        return Samples(*take("BHIIBB"), body[at:])
    assert kind == 4
    return Event(*take("BHIIHB"), text())
