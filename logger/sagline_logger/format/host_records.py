"""Records the logger adds to its file (kinds 0x80 to 0xFF).

Every one but LOG begins with the host's two clocks: monotonic µs, which never steps, and wall-clock
µs since 1970-01-01T00:00:00Z, which may.  They are the clocks at the record's place in the file.
"""

import struct
from dataclasses import dataclass
from enum import IntEnum
from typing import ClassVar

from .device_records import VERSION
from .errors import RecordError
from .frame import Fault
from .limits import MAX_FILE, MAX_FILE_PART, MAX_FOREIGN, MAX_NAME, MAX_TEXT
from .wire import FieldReader, put, put_text

FIRST_HOST_KIND = 0x80
_MAGIC = b"Sagline"
_DEVICE = struct.Struct("<Q")


@dataclass(frozen=True, slots=True)
class Instant:
    """The host's clocks at one moment: monotonic µs (arbitrary zero) and wall µs since 1970 UTC."""

    monotonic: int
    wall: int


@dataclass(frozen=True, slots=True)
class LogStart:
    """LOG, kind 0x80: the first frame of every log file; the same bytes in all of one version."""

    KIND: ClassVar[int] = 0x80
    MAGIC: ClassVar[bytes] = _MAGIC
    version: tuple[int, int] = VERSION

    def encode(self) -> bytes:
        """Return the record's body."""
        return put("B", self.KIND) + _MAGIC + put("BB", *self.version)

    @classmethod
    def decode(cls, body: bytes) -> "LogStart":
        """Read a body of this kind."""
        fields = FieldReader(body, 1)
        if fields.raw(len(_MAGIC)) != _MAGIC:
            raise RecordError("a LOG record without its signature")
        major, minor = fields.take("BB")
        return cls((major, minor))


@dataclass(frozen=True, slots=True)
class Capture:
    """CAPTURE, kind 0x81: a capture begins; which program, from what source, with which note."""

    KIND: ClassVar[int] = 0x81
    at: Instant
    program: str
    source: str
    note: str = ""

    def encode(self) -> bytes:
        """Return the record's body."""
        return (
            _head(self.KIND, self.at)
            + put_text(self.program, MAX_NAME, "the program name")
            + put_text(self.source, MAX_TEXT, "the source")
            + put_text(self.note, MAX_TEXT, "the note")
        )

    @classmethod
    def decode(cls, body: bytes) -> "Capture":
        """Read a body of this kind."""
        fields, at = _open(body)
        program = fields.text(MAX_NAME, "the program")
        return cls(
            at, program, fields.text(MAX_TEXT, "the source"), fields.text(MAX_TEXT, "the note")
        )


@dataclass(frozen=True, slots=True)
class Setting:
    """SETTING, kind 0x82: one setting in force during the capture, as the builder stated it."""

    KIND: ClassVar[int] = 0x82
    at: Instant
    name: str
    value: str

    def encode(self) -> bytes:
        """Return the record's body."""
        return (
            _head(self.KIND, self.at)
            + put_text(self.name, MAX_NAME, "a setting's name")
            + put_text(self.value, MAX_TEXT, "a setting's value")
        )

    @classmethod
    def decode(cls, body: bytes) -> "Setting":
        """Read a body of this kind."""
        fields, at = _open(body)
        return cls(at, fields.text(MAX_NAME, "the name"), fields.text(MAX_TEXT, "the value"))


@dataclass(frozen=True, slots=True)
class FilePart:
    """FILE, kind 0x83: a part of an attached file; ``name`` is ``board`` for the board file.

    ``size`` is the whole file's length in bytes and ``offset`` this part's place in it.
    """

    KIND: ClassVar[int] = 0x83
    at: Instant
    name: str
    size: int
    offset: int
    data: bytes

    def encode(self) -> bytes:
        """Return the record's body."""
        self._check()
        return (
            _head(self.KIND, self.at)
            + put_text(self.name, MAX_NAME, "a file name")
            + put("II", self.size, self.offset)
            + self.data
        )

    @classmethod
    def decode(cls, body: bytes) -> "FilePart":
        """Read a body of this kind."""
        fields, at = _open(body)
        name = fields.text(MAX_NAME, "the name")
        size, offset = fields.take("II")
        part = cls(at, name, size, offset, fields.rest())
        part._check()
        return part

    def _check(self) -> None:
        """Hold the part to the format's limits, when written and when read."""
        if self.size > MAX_FILE:
            raise RecordError(f"an attached file of {self.size} bytes, over {MAX_FILE}")
        if len(self.data) > MAX_FILE_PART:
            raise RecordError(f"a file part of {len(self.data)} bytes, over {MAX_FILE_PART}")
        if self.offset + len(self.data) > self.size:
            raise RecordError("a file part reaches past the end of its file")


class LinkState(IntEnum):
    """What happened to the link."""

    UP = 1
    DOWN = 2


@dataclass(frozen=True, slots=True)
class Link:
    """LINK, kind 0x84: the link came up or went down; ``evidence`` says how we know."""

    KIND: ClassVar[int] = 0x84
    at: Instant
    state: LinkState
    evidence: str = ""

    def encode(self) -> bytes:
        """Return the record's body."""
        return (
            _head(self.KIND, self.at)
            + put("B", self.state)
            + put_text(self.evidence, MAX_TEXT, "the evidence")
        )

    @classmethod
    def decode(cls, body: bytes) -> "Link":
        """Read a body of this kind."""
        fields, at = _open(body)
        (state,) = fields.take("B")
        if state not in LinkState._value2member_map_:
            raise RecordError(f"unknown link state {state}")
        return cls(at, LinkState(state), fields.text(MAX_TEXT, "the evidence"))


@dataclass(frozen=True, slots=True)
class Time:
    """TIME, kind 0x85: the byte at ``position`` was received at this instant.

    ``position`` counts the bytes received from the device before that one since the capture began,
    frames, lone delimiters, foreign and dropped bytes alike.  It may lie inside the next frame.
    """

    KIND: ClassVar[int] = 0x85
    at: Instant
    position: int

    def encode(self) -> bytes:
        """Return the record's body."""
        return _head(self.KIND, self.at) + put("Q", self.position)

    @classmethod
    def decode(cls, body: bytes) -> "Time":
        """Read a body of this kind."""
        fields, at = _open(body)
        (position,) = fields.take("Q")
        return cls(at, position)


@dataclass(frozen=True, slots=True)
class Mark:
    """MARK, kind 0x86: the rider marked this moment; numbered from 1 within a capture.

    A later MARK of the same number brings the text that was typed after the moment was fixed.
    """

    KIND: ClassVar[int] = 0x86
    at: Instant
    number: int
    text: str = ""

    def encode(self) -> bytes:
        """Return the record's body."""
        return (
            _head(self.KIND, self.at)
            + put("H", self.number)
            + put_text(self.text, MAX_TEXT, "a mark's text")
        )

    @classmethod
    def decode(cls, body: bytes) -> "Mark":
        """Read a body of this kind."""
        fields, at = _open(body)
        (number,) = fields.take("H")
        return cls(at, number, fields.text(MAX_TEXT, "the text"))


@dataclass(frozen=True, slots=True)
class Foreign:
    """FOREIGN, kind 0x87: received bytes that are no device frame, kept exactly, and why."""

    KIND: ClassVar[int] = 0x87
    at: Instant
    reason: Fault
    data: bytes

    def encode(self) -> bytes:
        """Return the record's body."""
        if not 0 < len(self.data) <= MAX_FOREIGN:
            raise RecordError(f"{len(self.data)} foreign bytes, outside 1 to {MAX_FOREIGN}")
        return _head(self.KIND, self.at) + put("B", self.reason) + self.data

    @classmethod
    def decode(cls, body: bytes) -> "Foreign":
        """Read a body of this kind."""
        fields, at = _open(body)
        (reason,) = fields.take("B")
        if reason not in Fault._value2member_map_:
            raise RecordError(f"unknown reason {reason} for foreign bytes")
        data = fields.rest()
        if not 0 < len(data) <= MAX_FOREIGN:
            raise RecordError(f"{len(data)} foreign bytes, outside 1 to {MAX_FOREIGN}")
        return cls(at, Fault(reason), data)


@dataclass(frozen=True, slots=True)
class Dropped:
    """DROPPED, kind 0x88: ``frames`` device frames could not be written here.

    ``size`` counts the bytes that the file lacks, records about those frames included; ``device``
    those of them that the device sent, None in logs from before that was told.
    """

    KIND: ClassVar[int] = 0x88
    at: Instant
    frames: int
    size: int
    reason: str = ""
    device: int | None = None

    def encode(self) -> bytes:
        """Return the record's body."""
        return (
            _head(self.KIND, self.at)
            + put("IQ", self.frames, self.size)
            + put_text(self.reason, MAX_TEXT, "the reason")
            + (b"" if self.device is None else put("Q", self.device))
        )

    @classmethod
    def decode(cls, body: bytes) -> "Dropped":
        """Read a body of this kind."""
        fields, at = _open(body)
        frames, size = fields.take("IQ")
        reason, rest = fields.text(MAX_TEXT, "the reason"), fields.rest()
        told = len(rest) >= _DEVICE.size
        return cls(at, frames, size, reason, _DEVICE.unpack_from(rest)[0] if told else None)


class RawForm(IntEnum):
    """What the bytes of a RAW record are."""

    TEXT = 1
    CAN = 2


class RawUse(IntEnum):
    """What became of the bytes of a RAW record."""

    READ = 0
    """Frames were made of it, or it held nothing to make any of."""
    NOT_READ = 1
    CUT = 2
    """Before the first line end after the link was made, or behind the last one."""


@dataclass(frozen=True, slots=True)
class Raw:
    """RAW, kind 0x89: input that is no frames, as received; the frames made of it follow."""

    KIND: ClassVar[int] = 0x89
    at: Instant
    form: RawForm
    use: RawUse
    data: bytes

    def encode(self) -> bytes:
        """Return the record's body."""
        if not 0 < len(self.data) <= MAX_FOREIGN:
            raise RecordError(f"{len(self.data)} raw bytes, outside 1 to {MAX_FOREIGN}")
        return _head(self.KIND, self.at) + put("BB", self.form, self.use) + self.data

    @classmethod
    def decode(cls, body: bytes) -> "Raw":
        """Read a body of this kind."""
        fields, at = _open(body)
        form, use = fields.take("BB")
        if form not in RawForm._value2member_map_ or use not in RawUse._value2member_map_:
            raise RecordError(f"raw bytes of unknown form {form} or use {use}")
        data = fields.rest()
        if not 0 < len(data) <= MAX_FOREIGN:
            raise RecordError(f"{len(data)} raw bytes, outside 1 to {MAX_FOREIGN}")
        return cls(at, RawForm(form), RawUse(use), data)


@dataclass(frozen=True, slots=True)
class End:
    """END, kind 0x8F: the capture was stopped on purpose; a log without it was cut off.

    ``frames`` counts the sound device frames received, ``foreign`` the foreign bytes.
    """

    KIND: ClassVar[int] = 0x8F
    at: Instant
    frames: int
    foreign: int
    reason: str = ""

    def encode(self) -> bytes:
        """Return the record's body."""
        return (
            _head(self.KIND, self.at)
            + put("QQ", self.frames, self.foreign)
            + put_text(self.reason, MAX_TEXT, "the reason")
        )

    @classmethod
    def decode(cls, body: bytes) -> "End":
        """Read a body of this kind."""
        fields, at = _open(body)
        frames, foreign = fields.take("QQ")
        return cls(at, frames, foreign, fields.text(MAX_TEXT, "the reason"))


TimedRecord = Capture | Setting | FilePart | Link | Time | Mark | Foreign | Dropped | Raw | End
"""Every record that begins with the host's clocks."""

HostRecord = LogStart | TimedRecord


def _head(kind: int, at: Instant) -> bytes:
    return put("BQq", kind, at.monotonic, at.wall)


def _open(body: bytes) -> tuple[FieldReader, Instant]:
    fields = FieldReader(body, 1)
    monotonic, wall = fields.take("Qq")
    return fields, Instant(monotonic, wall)
