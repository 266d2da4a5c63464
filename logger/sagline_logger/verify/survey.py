"""One pass over a log's entries that counts all that a report needs, in bounded memory.

What adds to which figure: ``protocol_docs/frame_format.md`` §9.1.
"""

from collections import Counter, defaultdict
from collections.abc import Iterable
from dataclasses import dataclass, field

from ..format import (
    VERSION,
    Board,
    ByteKind,
    Capture,
    CaptureStarts,
    Description,
    DeviceReader,
    DeviceRecord,
    Dropped,
    End,
    Entry,
    Event,
    Foreign,
    Heard,
    Link,
    LinkState,
    LogStart,
    Mark,
    Raw,
    RawForm,
    RawUse,
    Samples,
    Segment,
    Stream,
    Time,
    Unknown,
    Verdict,
    tell_bytes,
)
from ..format.byte_kinds import LOOKED_AT
from ..format.counting import several
from ..format.host_records import TimedRecord
from .clock_fit import ClockFit, Point, fit_clock
from .whole import Wholeness

_MAX_DAMAGE = 20
_MOST_NEARLY = 64  # lines about names and units, beyond which no more are collected


@dataclass
class StreamCount:
    """What came of one stream number.

    ``samples`` can be read, ``undescribed`` and ``misfits`` are samples that cannot; ``lost`` and
    ``gaps`` are by number, within segments.  ``repeated`` and ``went_back`` count records.
    """

    name: str = ""
    frames: int = 0
    samples: int = 0
    lost: int = 0
    gaps: int = 0
    repeated: int = 0
    went_back: int = 0
    undescribed: int = 0
    misfits: int = 0


@dataclass
class BootCount:
    """One segment.  ``same_number``: told from the one before by numbers and clock alone."""

    boot: int
    capture: int = 0
    frames: int = 0
    same_number: bool = False
    clock: ClockFit | None = None


@dataclass
class Survey:
    """The counts of one log."""

    size: int = 0
    kinds: dict[str, int] = field(default_factory=dict)
    """Frames by record kind."""
    streams: dict[int, StreamCount] = field(default_factory=dict)
    boots: list[BootCount] = field(default_factory=list)
    frames: int = 0
    """Sound device frames, of unknown kinds and versions too."""
    lost_events: int = 0
    events_repeated: int = 0
    events_back: int = 0
    """EVENT records whose number went back while the clock ran on."""
    damaged: int = 0
    damaged_bytes: int = 0
    refusal: str = ""
    """What the first device record that breaks the format's rules breaks: record and field."""
    damage: list[tuple[int, str]] = field(default_factory=list)
    """The first places, as (offset, problem)."""
    foreign: dict[str, int] = field(default_factory=dict)
    """Bytes by reason."""
    raw: int = 0
    """Bytes of input from which the logger made the frames (frame_format.md §6.6)."""
    raw_words: str = "lines"
    """What that input is, in the plural."""
    unread: int = 0
    """RAW records that could not be read."""
    foreign_kind: str = ""
    """What the first of them are, a :class:`~sagline_logger.format.ByteKind`; empty where that
    says nothing."""
    foreign_words: str = ""
    """The same for people."""
    nearly: tuple[str, ...] = ()
    """Channels whose name or unit is nearly standard, and what would be right, for people."""
    link_gaps: list[tuple[float, float | None, str]] = field(default_factory=list)
    """(start s, end s or None, evidence of how it came back)."""
    marks: int = 0
    drops: int = 0
    """DROPPED records."""
    dropped_frames: int = 0
    dropped_bytes: int = 0
    captures: int = 0
    cut_captures: int = 0
    """Those without an END."""
    same_number: int = 0
    """Segments told from the one before by numbers and clock alone."""
    unheard: int = 0
    """Samples that a start within a capture sent before it was heard."""
    contradicted: int = 0
    """Descriptions that say otherwise than the one before, under the same revision."""
    missing_frames: int = 0
    """Sound device frames that END counts and the file lacks, beyond the dropped ones."""
    missing_bytes: int = 0
    """Device bytes that the file lacks by its TIME records, at least."""
    strange_frames: int = 0
    """Frames in a version that this program cannot read."""
    strange_version: str = ""
    """Format version of a board that this program cannot read; its frames are kept."""
    source: str = ""
    board: str = ""
    duration: float = 0.0
    """s by the host, from the first to the last of its records."""
    ended: str | None = None
    """Why the capture was stopped; None when it was cut off."""

    @property
    def lost_samples(self) -> int:
        """Samples missing over all streams."""
        return sum(stream.lost for stream in self.streams.values())

    @property
    def undescribed(self) -> int:
        """Samples without a description."""
        return sum(stream.undescribed for stream in self.streams.values())

    @property
    def misfits(self) -> int:
        """Samples that do not fit their description."""
        return sum(stream.misfits for stream in self.streams.values())

    @property
    def went_back(self) -> int:
        """Records whose number went back while the clock ran on."""
        return self.events_back + sum(stream.went_back for stream in self.streams.values())

    @property
    def repeated(self) -> int:
        """Records that came twice."""
        return self.events_repeated + sum(stream.repeated for stream in self.streams.values())

    @property
    def described(self) -> bool:
        """Whether the log holds any STREAM record."""
        return "Stream" in self.kinds

    @property
    def faults(self) -> tuple[str, ...]:
        """All that is missing or wrong, in words; none of it stands for "whole"."""
        dropped = self.dropped_frames or self.dropped_bytes
        found = (
            (self.lost_samples, "sample", "lost"),
            (self.lost_events, "event", "lost"),
            (self.unheard, "sample", "sent after a restart, before it was heard"),
            (self.undescribed, "sample", "never described"),
            (self.misfits, "sample", "of another form than described"),
            (self.went_back, "record", "whose number went back"),
            (self.same_number, "restart", "under one boot number"),
            (self.contradicted, "description", "against an earlier one of the same revision"),
            (self.dropped_frames, "frame", "dropped"),
            (self.dropped_bytes if not self.dropped_frames else 0, "byte", "dropped"),
            (self.drops if not dropped else 0, "loss", "of unknown size"),
            (self.missing_frames, "frame", "missing by the count at the end"),
            (self.missing_bytes, "byte", "of the board missing by the times"),
            (self.strange_frames, "frame", "of an unknown version"),
            (self.damaged, "damaged place", ""),
            (self.unread, self.raw_words.removesuffix("s"), "that could not be read by the map"),
        )
        return tuple(
            f"{several(count, one)} {what}".rstrip() for count, one, what in found if count
        )

    @property
    def understood(self) -> bool:
        """Whether anything of a board was read; where strange bytes came, any sample or event."""
        if not self.foreign:
            return bool(self.boots)
        return any(stream.frames for stream in self.streams.values()) or "Event" in self.kinds

    @property
    def whole(self) -> bool:
        """Whether nothing at all is missing or damaged."""
        return self.understood and not self.faults


def survey(entries: Iterable[Entry], size: int | None = None) -> Survey:
    """Count the entries of one log, of ``size`` bytes where that is known."""
    surveyor = _Surveyor()
    for entry in entries:
        surveyor.take(entry)
    return surveyor.finish(size)


class _Surveyor:
    """The pass itself."""

    def __init__(self) -> None:
        self._found = Survey()
        self._starts = CaptureStarts()
        self._reader = DeviceReader()
        self._whole = Wholeness()
        self._segment: Segment | None = None
        self._count = BootCount(0)
        self._names: dict[Description, str] = {}
        # Frames by description, which may still come: how many of each length and count.
        self._held: defaultdict[Description, Counter[tuple[int, int]]] = defaultdict(Counter)
        self._times: defaultdict[int, list[Point]] = defaultdict(list)
        self._received: int | None = None  # host µs, just behind a TIME record
        self._first: int | None = None
        self._last = 0
        self._past = 0.0  # s of the captures before
        self._down: tuple[float, str] | None = None
        self._marks: set[int] = set()
        self._foreign = bytearray()  # the first of them
        self._nearly: dict[str, None] = {}

    def take(self, entry: Entry) -> None:
        """Count one entry."""
        found, record = self._found, entry.record
        found.size = entry.offset + entry.size
        # A TIME record times what stands right behind it; all after that may have come later.
        timed, self._received = self._received, None
        self._whole.zeros(entry.offset)
        if (record is not None or entry.refused) and self._starts.begins(record):
            self._end_capture()
            found.ended = None
        if record is None:
            self._damage(entry)
            self._whole.take(entry)
            return
        kind = type(record).__name__
        found.kinds[kind] = found.kinds.get(kind, 0) + 1
        self._whole.take(entry)
        if isinstance(record, LogStart):
            if record.version[0] != VERSION[0]:
                self._strange(record.version)
        elif isinstance(record, Board) and record.version[0] != VERSION[0]:
            self._strange(record.version)
        elif isinstance(record, DeviceRecord):
            self._take_device(record, timed)
        elif not isinstance(record, Unknown):
            self._take_host(record)
        elif entry.strange:
            found.strange_frames += 1

    def finish(self, size: int | None) -> Survey:
        """Return the counts."""
        found = self._found
        if size is not None:
            found.size = size
            self._whole.zeros(size)
        self._end_capture()
        if self._foreign:
            told = tell_bytes(bytes(self._foreign))
            # Pieces of frames amid frames are damage, and look like anything.
            if not found.understood or told.kind in (ByteKind.TEXT, ByteKind.PARITY_TEXT):
                found.foreign_kind, found.foreign_words = told.kind.value, told.words
        found.nearly = tuple(self._nearly)
        return found

    def _strange(self, version: tuple[int, int]) -> None:
        self._found.strange_frames += 1
        self._found.strange_version = f"{version[0]}.{version[1]}"

    def _damage(self, entry: Entry) -> None:
        found = self._found
        found.damaged_bytes += entry.size
        if entry.goes_on:  # of a place that is counted already
            return
        found.damaged += 1
        if entry.device:
            found.refusal = found.refusal or entry.problem
        if len(found.damage) < _MAX_DAMAGE:
            found.damage.append((entry.offset, entry.problem))

    def _end_capture(self) -> None:
        """Close what ends with a capture; the rest begins anew."""
        found = self._found
        self._reader.begin_capture()
        self._end_segment()
        if self._down is not None:
            found.link_gaps.append((self._down[0], None, self._down[1]))
            self._down = None
        if self._first is not None:
            self._past += (self._last - self._first) / 1e6
            found.duration = self._past
        self._first, self._last = None, 0
        found.marks += len(self._marks)
        self._marks.clear()
        found.captures += 1
        found.cut_captures += found.ended is None
        missing = self._whole.end_capture()
        found.frames += missing.held
        found.missing_frames += missing.frames
        found.missing_bytes += missing.bytes

    def _end_segment(self) -> None:
        """Resolve what waited for a description, and judge the clock."""
        segment, found = self._segment, self._found
        if segment is None:
            return
        for key, held in self._held.items():
            stream = segment.described.get(key)
            count = found.streams[key.stream]
            for (size, samples), times in held.items():
                if stream is None:
                    count.undescribed += samples * times
                elif not stream.takes(samples, size):
                    count.misfits += samples * times
                else:
                    count.samples += samples * times
        self._held.clear()
        for described in segment.described.values():
            count = found.streams.setdefault(described.stream, StreamCount())
            count.name = described.name
        found.contradicted += segment.contradicted
        found.unheard += segment.unheard
        most = max(self._times.values(), key=len, default=[])
        self._count.clock = fit_clock(most)
        self._times.clear()
        self._segment = None

    def _take_device(self, record: DeviceRecord, timed: int | None) -> None:
        found = self._found
        heard = self._reader.take(record)
        if heard.segment is not self._segment:
            self._end_segment()
            self._segment = heard.segment
            same = heard.segment.same_number
            self._count = BootCount(record.boot, self._reader.capture, same_number=same)
            found.boots.append(self._count)
            found.same_number += same
        self._count.frames += 1
        if isinstance(record, Samples):
            self._take_samples(record, heard, timed)
        elif isinstance(record, Event):
            found.lost_events += heard.lost
            found.events_repeated += heard.verdict is Verdict.REPEATED
            found.events_back += heard.verdict is Verdict.WENT_BACK
        elif isinstance(record, Board) and record.name:
            found.board = record.name
        elif isinstance(record, Stream) and len(self._nearly) < _MOST_NEARLY:
            self._nearly |= dict.fromkeys(c.nearly for c in record.channels if c.nearly)

    def _take_samples(self, record: Samples, heard: Heard, timed: int | None) -> None:
        count = self._found.streams.setdefault(record.stream, StreamCount())
        count.frames += 1
        if heard.verdict is Verdict.REPEATED:
            count.repeated += 1
            return
        count.went_back += heard.verdict is Verdict.WENT_BACK
        if heard.lost:
            count.lost += heard.lost
            count.gaps += 1
        assert heard.description is not None
        stream = heard.segment.described.get(heard.description)
        if stream is None:
            self._held[heard.description][len(record.data), record.count] += 1
        elif record.fits(stream):
            count.samples += record.count
        else:
            count.misfits += record.count
        if timed is not None:
            # A record can leave the device after its last sample, not after its first.
            device = heard.clock + ((record.count - 1) * stream.period if stream else 0)
            self._times[record.stream].append((device / 1e6, timed / 1e6))

    def _take_host(self, record: TimedRecord) -> None:
        found = self._found
        at = record.at.monotonic
        self._reader.host(at)
        if self._first is None:
            self._first = at
        self._last = max(self._last, at)
        moment = self._past + (at - self._first) / 1e6
        match record:
            case Capture():
                found.source = record.source
            case Time():
                self._received = at
            case Link(state=LinkState.DOWN):
                self._down = moment, record.evidence
            case Link() if self._down is not None:
                start, why = self._down
                found.link_gaps.append((start, moment, f"{why}; {record.evidence}"))
                self._down = None
            case Foreign():
                reason = record.reason.name.lower()
                found.foreign[reason] = found.foreign.get(reason, 0) + len(record.data)
                self._foreign += record.data[: LOOKED_AT - len(self._foreign)]
            case Raw():
                found.raw += len(record.data)
                found.raw_words = "lines" if record.form is RawForm.TEXT else "CAN frames"
                found.unread += record.use is RawUse.NOT_READ
            case Mark():
                self._marks.add(record.number)
            case Dropped():
                found.drops += 1
                found.dropped_frames += record.frames
                found.dropped_bytes += record.size
            case End():
                found.ended = record.reason
