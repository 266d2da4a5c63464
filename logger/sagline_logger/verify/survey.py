"""One pass over a log's entries that counts all that a report needs, in bounded memory."""

from collections import Counter, defaultdict
from collections.abc import Iterable
from dataclasses import dataclass, field

from ..format import (
    VERSION,
    Board,
    Capture,
    ClockUnwrapper,
    DeviceRecord,
    Dropped,
    End,
    Entry,
    Event,
    FilePart,
    Foreign,
    Link,
    LinkState,
    LogStart,
    Mark,
    Samples,
    Setting,
    Stream,
    Time,
    Unknown,
)
from .clock_fit import ClockFit, Point, fit_clock

_Description = tuple[int, int, int]  # stream, boot, revision
_Told = Capture | Setting | FilePart | Link | Time | Mark | Foreign | Dropped | End
_SPAN = 1 << 32
_MAX_DAMAGE = 20


@dataclass
class StreamCount:
    """What came of one stream: gaps and ``lost`` are by sequence number, within boots.

    ``repeated`` counts SAMPLES records that go back; ``undescribed`` counts those whose stream
    was described nowhere in the log, ``misfits`` those that do not fit their description.
    """

    name: str = ""
    frames: int = 0
    samples: int = 0
    lost: int = 0
    gaps: int = 0
    repeated: int = 0
    undescribed: int = 0
    misfits: int = 0


@dataclass
class BootCount:
    """One stretch between device starts."""

    boot: int
    frames: int = 0
    clock: ClockFit | None = None


@dataclass
class Survey:
    """The counts of one log."""

    size: int = 0
    kinds: dict[str, int] = field(default_factory=dict)
    """Frames by record kind."""
    streams: dict[int, StreamCount] = field(default_factory=dict)
    boots: list[BootCount] = field(default_factory=list)
    lost_events: int = 0
    damaged: int = 0
    damaged_bytes: int = 0
    damage: list[tuple[int, str]] = field(default_factory=list)
    """The first places, as (offset, problem)."""
    foreign: dict[str, int] = field(default_factory=dict)
    """Bytes by reason."""
    link_gaps: list[tuple[float, float | None, str]] = field(default_factory=list)
    """(start s, end s or None, evidence of how it came back)."""
    marks: int = 0
    dropped_frames: int = 0
    dropped_bytes: int = 0
    captures: int = 0
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
        """SAMPLES records without a description."""
        return sum(stream.undescribed for stream in self.streams.values())

    @property
    def described(self) -> bool:
        """Whether the log holds any STREAM record."""
        return "Stream" in self.kinds

    @property
    def whole(self) -> bool:
        """Whether nothing at all is missing or damaged."""
        misfits = sum(stream.misfits for stream in self.streams.values())
        return not (
            self.lost_samples or self.lost_events or self.damaged or self.dropped_bytes or misfits
        )


def survey(entries: Iterable[Entry]) -> Survey:
    """Count the entries of one log."""
    surveyor = _Surveyor()
    for entry in entries:
        surveyor.take(entry)
    return surveyor.finish()


class _Boot:
    """What must be remembered within one boot."""

    def __init__(self, number: int) -> None:
        self.count = BootCount(number)
        self.expected: dict[int, int] = {}
        self.expected_event: int | None = None
        self.clocks: dict[int, ClockUnwrapper] = {}
        self.times: dict[int, list[Point]] = defaultdict(list)

    def close(self) -> None:
        most = max(self.times.values(), key=len, default=[])
        self.count.clock = fit_clock(most)


class _Surveyor:
    """The pass itself."""

    def __init__(self) -> None:
        self._found = Survey()
        self._streams: dict[_Description, Stream] = {}
        # Frames whose description may still come: how many there are of each length and count.
        self._waiting: dict[_Description, Counter[tuple[int, int]]] = defaultdict(Counter)
        self._boot: _Boot | None = None
        self._received: int | None = None  # host µs, just behind a TIME record
        self._first: int | None = None
        self._last = 0
        self._down: tuple[float, str] | None = None
        self._marks: set[int] = set()

    def take(self, entry: Entry) -> None:
        """Count one entry."""
        found, record = self._found, entry.record
        found.size = entry.offset + entry.size
        # A TIME record times what stands right behind it; all after that may have come later.
        timed, self._received = self._received, None
        if record is None:
            found.damaged += 1
            found.damaged_bytes += entry.size
            if len(found.damage) < _MAX_DAMAGE:
                found.damage.append((entry.offset, entry.problem))
            return
        kind = type(record).__name__
        found.kinds[kind] = found.kinds.get(kind, 0) + 1
        if isinstance(record, Board) and record.version[0] != VERSION[0]:
            found.strange_version = f"{record.version[0]}.{record.version[1]}"
        elif isinstance(record, Board | Stream | Samples | Event):
            self._take_device(record, timed)
        elif not isinstance(record, LogStart | Unknown):
            self._take_host(record)

    def finish(self) -> Survey:
        """Return the counts."""
        found = self._found
        if self._boot is not None:
            self._boot.close()
        if self._down is not None:
            found.link_gaps.append((self._down[0], None, self._down[1]))
        if self._first is not None:
            found.duration = (self._last - self._first) / 1e6
        found.marks = len(self._marks)
        return found

    def _take_device(self, record: DeviceRecord, timed: int | None) -> None:
        if self._boot is None or self._boot.count.boot != record.boot:
            if self._boot is not None:
                self._boot.close()
            self._boot = _Boot(record.boot)
            self._found.boots.append(self._boot.count)
        boot = self._boot
        boot.count.frames += 1
        if isinstance(record, Samples):
            self._take_samples(record, boot, timed)
        elif isinstance(record, Stream):
            self._describe(record)
        elif isinstance(record, Event):
            missed = (record.sequence - (boot.expected_event or record.sequence)) % _SPAN
            self._found.lost_events += missed if missed < _SPAN >> 1 else 0
            boot.expected_event = record.sequence + 1
        elif record.name:
            self._found.board = record.name

    def _take_samples(self, record: Samples, boot: _Boot, timed: int | None) -> None:
        count = self._found.streams.setdefault(record.stream, StreamCount())
        count.frames += 1
        missed = (record.sequence - boot.expected.get(record.stream, record.sequence)) % _SPAN
        if missed >= _SPAN >> 1:
            count.repeated += 1
            return
        count.samples += record.count
        if missed:
            count.lost += missed
            count.gaps += 1
        boot.expected[record.stream] = record.sequence + record.count
        key = record.stream, record.boot, record.revision
        stream = self._streams.get(key)
        if stream is None:
            count.undescribed += 1
            self._waiting[key][len(record.data), record.count] += 1
        elif not record.fits(stream):
            count.misfits += 1
        if timed is not None:
            device = boot.clocks.setdefault(record.stream, ClockUnwrapper()).unwrap(record.clock)
            # A record can leave the device after its last sample, not after its first.
            device += (record.count - 1) * stream.period if stream else 0
            boot.times[record.stream].append((device / 1e6, timed / 1e6))

    def _describe(self, stream: Stream) -> None:
        key = stream.stream, stream.boot, stream.revision
        self._streams[key] = stream
        count = self._found.streams.setdefault(stream.stream, StreamCount())
        count.name = stream.name
        for (size, samples), times in self._waiting.pop(key, Counter()).items():
            count.undescribed -= times
            if size != samples * stream.layout.size:
                count.misfits += times

    def _take_host(self, record: _Told) -> None:
        found = self._found
        at = record.at.monotonic
        if self._first is None:
            self._first = at
        self._last = max(self._last, at)
        moment = (at - self._first) / 1e6
        match record:
            case Capture():
                found.captures += 1
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
            case Mark():
                self._marks.add(record.number)
            case Dropped():
                found.dropped_frames += record.frames
                found.dropped_bytes += record.size
            case End():
                found.ended = record.reason
