"""One pass over a log's entries that counts all that a report needs, in bounded memory."""

from collections import Counter, defaultdict
from collections.abc import Iterable
from dataclasses import dataclass, field

from ..format import (
    Board,
    Capture,
    ClockUnwrapper,
    Dropped,
    End,
    Entry,
    Event,
    Foreign,
    Link,
    LinkState,
    Mark,
    Samples,
    Stream,
    Time,
)
from .clock_fit import ClockFit, Point, fit_clock

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


def survey(entries: Iterable[Entry]) -> Survey:
    """Count the entries of one log."""
    result = Survey()
    streams: dict[tuple[int, int, int], Stream] = {}
    waiting: dict[tuple[int, int, int], Counter[tuple[int, int]]] = defaultdict(Counter)
    boot: _Boot | None = None
    received: int | None = None  # host µs of a TIME record that no frame has used yet
    first = last = None
    down: tuple[int, str] | None = None

    for entry in entries:
        result.size = entry.offset + entry.size
        record = entry.record
        if record is None:
            result.damaged += 1
            result.damaged_bytes += entry.size
            if len(result.damage) < _MAX_DAMAGE:
                result.damage.append((entry.offset, entry.problem))
            continue
        kind = type(record).__name__
        result.kinds[kind] = result.kinds.get(kind, 0) + 1
        if isinstance(record, Board | Stream | Samples | Event):
            if isinstance(record, Board) and record.name:
                result.board = record.name
            if boot is None or boot.count.boot != record.boot:
                if boot is not None:
                    boot.close()
                boot = _Boot(record.boot)
                result.boots.append(boot.count)
            boot.count.frames += 1
            if isinstance(record, Stream):
                key = record.stream, record.boot, record.revision
                streams[key] = record
                count = result.streams.setdefault(record.stream, StreamCount())
                count.name = record.name
                for (size, samples), times in waiting.pop(key, Counter()).items():
                    count.undescribed -= times
                    if size != samples * record.layout.size:
                        count.misfits += times
            elif isinstance(record, Samples):
                _count_samples(record, result, boot, streams, waiting)
                if received is not None:
                    clock = boot.clocks.setdefault(record.stream, ClockUnwrapper())
                    device = clock.unwrap(record.clock)
                    boot.times[record.stream].append((device / 1e6, received / 1e6))
                    received = None
            elif isinstance(record, Event):
                if boot.expected_event is not None:
                    missed = (record.sequence - boot.expected_event) % _SPAN
                    result.lost_events += missed if missed < _SPAN >> 1 else 0
                boot.expected_event = record.sequence + 1
            continue
        at = getattr(record, "at", None)
        if at is not None and not isinstance(record, Mark | Foreign):
            first = at.monotonic if first is None else first
            last = at.monotonic
        match record:
            case Capture():
                result.captures += 1
                result.source = record.source
            case Time():
                received = record.at.monotonic
            case Link(state=LinkState.DOWN):
                down = (record.at.monotonic, record.evidence)
            case Link() if down is not None:
                start, end = (
                    (down[0] - (first or 0)) / 1e6,
                    (record.at.monotonic - (first or 0)) / 1e6,
                )
                result.link_gaps.append((start, end, f"{down[1]}; {record.evidence}"))
                down = None
            case Foreign():
                reason = record.reason.name.lower()
                result.foreign[reason] = result.foreign.get(reason, 0) + len(record.data)
            case Mark():
                result.marks += 1
            case Dropped():
                result.dropped_frames += record.frames
                result.dropped_bytes += record.size
            case End():
                result.ended = record.reason
    if boot is not None:
        boot.close()
    if down is not None:
        result.link_gaps.append(((down[0] - (first or 0)) / 1e6, None, down[1]))
    if first is not None and last is not None:
        result.duration = (last - first) / 1e6
    return result


def _count_samples(
    record: Samples,
    result: Survey,
    boot: _Boot,
    streams: dict[tuple[int, int, int], Stream],
    waiting: dict[tuple[int, int, int], Counter[tuple[int, int]]],
) -> None:
    count = result.streams.setdefault(record.stream, StreamCount())
    count.frames += 1
    expected = boot.expected.get(record.stream, record.sequence)
    missed = (record.sequence - expected) % _SPAN
    if missed >= _SPAN >> 1:
        count.repeated += 1
        return
    count.samples += record.count
    if missed:
        count.lost += missed
        count.gaps += 1
    boot.expected[record.stream] = record.sequence + record.count
    key = record.stream, record.boot, record.revision
    stream = streams.get(key)
    if stream is None:  # its description may still come
        count.undescribed += 1
        waiting[key][len(record.data), record.count] += 1
    elif not record.fits(stream):
        count.misfits += 1
