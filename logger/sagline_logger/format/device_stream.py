"""One reading of what a device sends, by the rules of ``protocol_docs/frame_format.md`` §5.7–§5.9
and §6.5: captures, segments, numbers, clocks and descriptions.

The recorder's listener, the pre-ride check and ``verify`` read through this module; the analyser's
loader does the same on whole tables and is held against it by the tests.
"""

from collections import deque
from collections.abc import Hashable
from dataclasses import dataclass, field
from enum import IntEnum
from typing import Final

from .device_clock import ClockUnwrapper
from .device_records import VERSION, Board, DeviceRecord, Samples, Stream
from .host_records import FIRST_HOST_KIND, Capture, End, LogStart, Time
from .limits import MAX_STREAMS
from .records import Record, decode_record, is_host_kind

EVENTS: Final = MAX_STREAMS
"""The counter of EVENT records, beside those of the streams 0 to 15."""
RECENT: Final = 64
"""Records of one counter among which a repeat is looked for."""
SLACK: Final = 1_000_000
"""µs by which a clock may run ahead of the others in a device that did not start anew."""
WAITED: Final = 1 << 30
"""µs of the host's time without a record from which it takes part in unwrapping (17.9 min)."""
_SPAN: Final = 1 << 32
_HALF: Final = 1 << 31


class Verdict(IntEnum):
    """What a record's number says, beside how many samples are lost before it."""

    NEXT = 0
    REPEATED = 1
    WENT_BACK = 2
    RESTARTED = 3


class _Counter:
    __slots__ = ("clock", "expected", "recent")

    def __init__(self) -> None:
        self.expected = 0
        self.clock = 0
        self.recent: deque[Hashable] = deque(maxlen=RECENT)


class Numbers:
    """The numbers and clocks of one segment (§5.7), in bounded memory."""

    def __init__(self) -> None:
        self.lost: int = 0
        """Samples missing before the record that :meth:`follow` took last."""
        self.host: int | None = None
        """Host µs by the logger's latest record; set it before each record."""
        self._counters: dict[int, _Counter] = {}
        self._clock = ClockUnwrapper()
        self._heard: int | None = None  # host µs of the record before
        self._latest: int | None = None

    def begins_anew(self, clock: int) -> bool:
        """Return whether a BOARD record of that clock is of another start: nothing was numbered
        since the one before, and the clock fell."""
        last, heard = self._clock.last, self._heard
        if self._counters or last is None:
            return False
        fell = self._read(clock) < last
        self._clock.last, self._heard = last, heard
        return fell

    def board(self, clock: int) -> int:
        """Take the clock of a BOARD record; return it unwrapped, in µs."""
        return self._read(clock)

    def follow(
        self, counter: int, sequence: int, count: int, clock: int, content: Hashable
    ) -> Verdict:
        """Take one record's number and clock; ``content`` is equal only for the same bytes.

        After ``RESTARTED`` nothing is noted: the record is the first of another segment.
        """
        self.lost = 0
        own = self._counters.get(counter)
        before = self._clock.last, self._heard
        now = self._read(clock)
        verdict = Verdict.NEXT
        if own is None:
            own = self._counters[counter] = _Counter()
        else:
            step = (sequence - own.expected) % _SPAN
            if step < _HALF:
                self.lost = step
            elif content in own.recent:
                self._clock.last, self._heard = before
                return Verdict.REPEATED
            elif own.clock <= now <= (self._latest or 0) + SLACK:
                verdict = Verdict.WENT_BACK
            else:
                self._clock.last, self._heard = before
                return Verdict.RESTARTED
        own.expected = sequence + count
        own.clock = now
        own.recent.append(content)
        self._latest = now if self._latest is None else max(self._latest, now)
        return verdict

    @property
    def clock(self) -> int:
        """The unwrapped clock of the record that was taken last, µs."""
        return self._clock.last or 0

    def _read(self, clock: int) -> int:
        waited = 0
        if self.host is not None:
            if self._heard is not None and self.host - self._heard > WAITED:
                waited = self.host - self._heard
            self._heard = self.host
        return self._clock.unwrap(clock, waited)


@dataclass(frozen=True, slots=True)
class Description:
    """Which STREAM record explains some samples: the ``edition`` counts those of one revision that
    differ, from 0 (§5.8)."""

    stream: int
    revision: int
    edition: int


@dataclass
class Segment:
    """What a reader takes for one start of the device within one capture."""

    capture: int
    """Number of the capture, from 0."""
    boot: int
    same_number: bool = False
    """Whether the start before it had the same boot number: it was told by numbers and clocks."""
    described: dict[Description, Stream] = field(default_factory=dict)
    contradicted: int = 0
    """STREAM records that say otherwise than the one before, under the same revision."""
    unheard: int = 0
    """Samples sent before the first that was heard, in a start within a capture (§5.7)."""
    _editions: dict[tuple[int, int], int] = field(default_factory=dict)
    _spoken: dict[int, int] = field(default_factory=dict)

    def key(self, record: Samples) -> Description:
        """Return which description holds for samples that come now."""
        own = record.stream, record.revision
        return Description(*own, self._editions.get(own, 0))

    def describe(self, stream: Stream) -> None:
        """Take a STREAM record."""
        own = stream.stream, stream.revision
        edition = self._editions.get(own, 0)
        held = self.described.get(Description(*own, edition))
        if held is not None and held != stream:
            self._editions[own] = edition = edition + 1
            self.contradicted += self._spoken.get(stream.stream) == stream.revision
        self.described.setdefault(Description(*own, edition), stream)
        self._spoken[stream.stream] = stream.revision


@dataclass(frozen=True, slots=True)
class Heard:
    """A device record in its place.

    ``lost`` samples (or events) are missing before it; ``clock`` is the device's in µs, unwrapped;
    ``description`` is what explains the samples, by ``segment.described``, where it may still come.
    """

    segment: Segment
    record: DeviceRecord
    verdict: Verdict = Verdict.NEXT
    lost: int = 0
    clock: int = 0
    description: Description | None = None


class DeviceReader:
    """Follows what a device says through starts, losses, repeats and changed descriptions.

    Give it every record of a log in order, or of a link; memory is bounded by one segment's
    descriptions.
    """

    def __init__(self) -> None:
        self.capture: int = 0
        """Number of the capture, from 0."""
        self.segment: Segment | None = None
        self._numbers = Numbers()
        self._host: int | None = None
        self._front: list[Stream] | None = None  # said since the last BOARD, with nothing between

    def begin_capture(self) -> None:
        """A new capture begins: nothing carries over."""
        self.settle()
        self.capture += 1
        self.segment = None
        self._host = None

    def host(self, monotonic: int) -> None:
        """Note the host's clock in µs, from any of the logger's records."""
        self._host = monotonic

    def settle(self) -> None:
        """Take the descriptions that wait for what follows; call it at the end as well."""
        if self.segment is not None:
            for stream in self._front or ():
                self.segment.describe(stream)
        self._front = None

    def take(self, record: DeviceRecord) -> Heard:
        """Take one device record of a version that is known."""
        if self.segment is None or record.boot != self.segment.boot:
            self.settle()
            self._begin(record.boot, same_number=False)
        segment = self.segment
        assert segment is not None
        self._numbers.host = self._host
        if isinstance(record, Board):
            self.settle()
            if self._numbers.begins_anew(record.clock):
                segment = self._begin(record.boot, same_number=True)
                self._numbers.host = self._host
            self._front = []
            return Heard(segment, record, clock=self._numbers.board(record.clock))
        if isinstance(record, Stream):
            if self._front is not None:
                self._front.append(record)
            else:
                segment.describe(record)
            return Heard(segment, record)
        counter = record.stream if isinstance(record, Samples) else EVENTS
        count = record.count if isinstance(record, Samples) else 1
        told = counter, record.sequence, count, record.clock, record
        verdict = self._numbers.follow(*told)
        if verdict is Verdict.RESTARTED:
            segment = self._begin(record.boot, same_number=True)
            self._numbers.host = self._host
            self._numbers.follow(*told)
            verdict = Verdict.NEXT
        if verdict is Verdict.REPEATED:
            return Heard(segment, record, verdict, clock=self._numbers.clock)
        self.settle()
        lost = self._numbers.lost
        if counter not in self._begun:
            self._begun.add(counter)
            if counter != EVENTS and self._within:
                segment.unheard += record.sequence
        key = segment.key(record) if isinstance(record, Samples) else None
        return Heard(segment, record, verdict, lost, self._numbers.clock, key)

    def _begin(self, boot: int, *, same_number: bool) -> Segment:
        self._within = self.segment is not None
        self._begun: set[int] = set()
        self.segment = Segment(self.capture, boot, same_number)
        self._numbers = Numbers()
        return self.segment


class VersionGate:
    """Whether what comes is in a major version that is known (§7)."""

    def __init__(self) -> None:
        self.device: bool = True
        """Whether the device speaks a known version, as far as it has said."""
        self.file: bool = True
        """Whether the file is written in a known version."""

    @property
    def open(self) -> bool:
        """Whether everything may be decoded."""
        return self.device and self.file

    def admits(self, body: bytes) -> bool:
        """Return whether a sound frame's body may be decoded."""
        kind = body[0]
        if kind == LogStart.KIND and body[1:8] == LogStart.MAGIC and len(body) > 8:
            self.file = body[8] == VERSION[0]
            self.device = True
            return True
        if not self.file:
            return False
        if kind == Board.KIND and len(body) > 2:
            self.device = body[1] == VERSION[0]
            return True
        return self.device or kind >= FIRST_HOST_KIND


def device_record(body: bytes | None, gate: VersionGate) -> DeviceRecord | None:
    """Return what a piece off a device's link says, None for what is no device record of a version
    and kind that are known.

    Raises:
        RecordError: it breaks the rules of its kind.
    """
    if body is None or is_host_kind(body) or not gate.admits(body):
        return None
    record = decode_record(body)
    if isinstance(record, Board) and not gate.device:
        return None  # of which only the version is known
    return record if isinstance(record, DeviceRecord) else None


class CaptureStarts:
    """Where a new capture begins in a log (§6.5)."""

    def __init__(self) -> None:
        self._fresh = self._ended = False
        self._time: int | None = None
        self._any = False

    def begins(self, record: Record | None) -> bool:
        """Take a sound frame's record, None for one that was refused; return whether a capture
        other than the first begins with it."""
        logged = isinstance(record, LogStart)
        begins = (
            logged
            or (isinstance(record, Capture) and not self._fresh)
            or (self._ended and not isinstance(record, Capture))
            or (
                isinstance(record, Time)
                and self._time is not None
                and record.at.monotonic < self._time
            )
        )
        self._fresh = logged
        self._ended = isinstance(record, End)
        if begins:
            self._time = None
        if isinstance(record, Time):
            self._time = record.at.monotonic
        begins, self._any = begins and self._any, True
        return begins
