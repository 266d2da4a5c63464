"""Records a device sends (kinds 0x01 to 0x7F)."""

import struct
from dataclasses import dataclass, field
from enum import IntEnum
from functools import cached_property
from typing import ClassVar

from .channels import LAYOUT, Channel
from .errors import RecordError
from .limits import MAX_BODY, MAX_CHANNELS, MAX_NAME, MAX_STREAMS, MAX_TEXT
from .wire import FieldReader, put, put_text

VERSION = (1, 0)
"""Format version (major, minor) this code writes."""

SAMPLES_HEADER = struct.Struct("<BBHIIBB")
"""kind, stream, boot, sequence, clock, revision, count: the 14 bytes before the samples."""


@dataclass(frozen=True, slots=True)
class Board:
    """BOARD, kind 0x01: who is sending, and how many STREAM records describe it.

    ``clock`` is the device clock in µs, modulo 2^32.  ``boot`` differs from the previous start's.
    """

    KIND: ClassVar[int] = 0x01
    CLOCK: ClassVar[slice] = slice(6, 10)
    """The bytes of a body that hold the clock; only they differ when a device repeats itself."""
    boot: int
    clock: int
    revision: int
    streams: int
    name: str
    firmware: str = ""
    version: tuple[int, int] = VERSION

    def encode(self) -> bytes:
        """Return the record's body."""
        if self.streams > MAX_STREAMS:
            raise RecordError(f"{self.streams} streams, over the limit of {MAX_STREAMS}")
        return (
            put("BBBBHI", self.KIND, *self.version, self.revision, self.boot, self.clock)
            + put("B", self.streams)
            + put_text(self.name, MAX_NAME, "the board name")
            + put_text(self.firmware, MAX_NAME, "the firmware name")
        )

    @classmethod
    def decode(cls, body: bytes) -> "Board":
        """Read a body of this kind; a later minor version may have added bytes at the end.

        Of another major version only ``version`` is known, and the rest is left empty.
        """
        fields = FieldReader(body, 1)
        major, minor = fields.take("BB")
        if major != VERSION[0]:
            return cls(0, 0, 0, 0, "", "", (major, minor))
        revision, boot, clock, streams = fields.take("BHIB")
        if streams > MAX_STREAMS:
            raise RecordError(f"{streams} streams, over the limit of {MAX_STREAMS}")
        name = fields.text(MAX_NAME, "the board's name")
        firmware = fields.text(MAX_NAME, "the firmware's name")
        return cls(boot, clock, revision, streams, name, firmware, (major, minor))


@dataclass(frozen=True)
class Stream:
    """STREAM, kind 0x02: the channels of one stream.

    ``period`` is the nominal time between two samples in µs; 0 means irregular, and then every
    SAMPLES record holds exactly one sample.
    """

    KIND: ClassVar[int] = 0x02
    boot: int
    revision: int
    stream: int
    name: str
    period: int
    channels: tuple[Channel, ...]

    @cached_property
    def layout(self) -> struct.Struct:
        """Packing of one sample of this stream."""
        return struct.Struct("<" + "".join(LAYOUT[channel.type] for channel in self.channels))

    def takes(self, count: int, size: int) -> bool:
        """Whether ``size`` bytes can be ``count`` samples of this stream."""
        return size == count * self.layout.size and (count == 1 or self.period > 0)

    def encode(self) -> bytes:
        """Return the record's body."""
        self._check()
        body = (
            put(
                "BBHBIB",
                self.KIND,
                self.stream,
                self.boot,
                self.revision,
                self.period,
                len(self.channels),
            )
            + put_text(self.name, MAX_NAME, "the stream name")
            + b"".join(channel.encode() for channel in self.channels)
        )
        if len(body) > MAX_BODY:
            raise RecordError(f"the stream's description has {len(body)} bytes, over {MAX_BODY}")
        return body

    @classmethod
    def decode(cls, body: bytes) -> "Stream":
        """Read a body of this kind."""
        fields = FieldReader(body, 1)
        stream, boot, revision, period, count = fields.take("BHBIB")
        name = fields.text(MAX_NAME, f"the name of stream {stream}")
        channels = []
        for number in range(1, count + 1):
            try:
                channels.append(Channel.decode(fields))
            except RecordError as problem:
                raise RecordError(
                    f"stream {stream} {name!r}, channel {number} of {count}: {problem}"
                ) from None
        description = cls(boot, revision, stream, name, period, tuple(channels))
        description._check()
        return description

    def _check(self) -> None:
        """Hold the description to the format's rules, when written and when read."""
        if self.stream >= MAX_STREAMS:
            raise RecordError(f"stream {self.stream}, over the limit of {MAX_STREAMS - 1}")
        if not 1 <= len(self.channels) <= MAX_CHANNELS:
            raise RecordError(
                f"stream {self.stream} {self.name!r} has {len(self.channels)} channels, outside 1 "
                f"to {MAX_CHANNELS}"
            )
        keys: dict[str, int] = {}
        for number, channel in enumerate(self.channels, 1):
            before = keys.setdefault(channel.key, number)
            if before != number:
                raise RecordError(
                    f"stream {self.stream} {self.name!r}, channel {number} of "
                    f"{len(self.channels)}: its key {channel.key!r} is that of channel {before}"
                )


@dataclass(frozen=True, slots=True)
class Samples:
    """SAMPLES, kind 0x03: ``count`` samples of one stream, still packed.

    ``sequence`` counts the stream's samples since the start (modulo 2^32) and belongs to the
    first sample here, so a listener knows exactly how many it missed.  ``clock`` is the device
    clock of the first sample in µs (modulo 2^32); sample i stands at clock + i × period.
    """

    KIND: ClassVar[int] = 0x03
    boot: int
    stream: int
    revision: int
    sequence: int
    clock: int
    count: int
    data: bytes

    def encode(self) -> bytes:
        """Return the record's body."""
        self._check()
        return (
            put(
                "BBHIIBB",
                self.KIND,
                self.stream,
                self.boot,
                self.sequence,
                self.clock,
                self.revision,
                self.count,
            )
            + self.data
        )

    @classmethod
    def decode(cls, body: bytes) -> "Samples":
        """Read a body of this kind; :meth:`rows`, which knows the layout, checks the length."""
        if len(body) < SAMPLES_HEADER.size:
            raise RecordError(f"the record ends at byte {len(body)}, inside a field")
        _, stream, boot, sequence, clock, revision, count = SAMPLES_HEADER.unpack_from(body)
        data = body[SAMPLES_HEADER.size :]
        samples = cls(boot, stream, revision, sequence, clock, count, data)
        samples._check()
        return samples

    def _check(self) -> None:
        """Hold the header to the format's rules, when written and when read."""
        if self.stream >= MAX_STREAMS:
            raise RecordError(f"stream {self.stream}, over the limit of {MAX_STREAMS - 1}")
        if self.count < 1:
            raise RecordError("a SAMPLES record without a sample")

    def fits(self, stream: Stream) -> bool:
        """Whether these bytes are ``count`` whole samples of ``stream``."""
        return stream.takes(self.count, len(self.data))

    def rows(self, stream: Stream) -> list[tuple[int | float, ...]]:
        """Return the raw samples, one tuple a sample in channel order.

        Raises:
            RecordError: the bytes are not ``count`` samples of ``stream``.
        """
        if not self.fits(stream):
            raise RecordError(
                f"{len(self.data)} bytes are not {self.count} samples of {stream.layout.size} bytes"
            )
        return list(stream.layout.iter_unpack(self.data))


class EventKind(IntEnum):
    """What an EVENT says."""

    FAULT = 1
    FAULT_CLEARED = 2
    NOTE = 3


@dataclass(frozen=True, slots=True)
class Event:
    """EVENT, kind 0x04: something happened at one instant of the device clock.

    ``number`` is the maker's own fault number (0 for a note), ``index`` the motor or cell it
    concerns (0 for none), ``sequence`` counts events since the start.  An ``event`` code that
    this version does not know is kept as a plain int.  ``later`` are the bytes behind the fields,
    of a later minor version: a record said again is told by all of its bytes.
    """

    KIND: ClassVar[int] = 0x04
    boot: int
    sequence: int
    clock: int
    event: EventKind | int
    number: int = 0
    index: int = 0
    text: str = ""
    later: bytes = field(default=b"", repr=False)

    def encode(self) -> bytes:
        """Return the record's body."""
        head = put(
            "BBHIIHB",
            self.KIND,
            self.event,
            self.boot,
            self.sequence,
            self.clock,
            self.number,
            self.index,
        )
        return head + put_text(self.text, MAX_TEXT, "an event text") + self.later

    @classmethod
    def decode(cls, body: bytes) -> "Event":
        """Read a body of this kind."""
        fields = FieldReader(body, 1)
        event, boot, sequence, clock, number, index = fields.take("BHIIHB")
        if event in EventKind._value2member_map_:
            event = EventKind(event)
        text = fields.text(MAX_TEXT, "its text")
        return cls(boot, sequence, clock, event, number, index, text, fields.rest())


DeviceRecord = Board | Stream | Samples | Event
