"""What each channel of a log holds: samples, readings that are missing, lowest and highest.

Counted by the rules of ``protocol_docs/frame_format.md`` §5.7–§5.8, as ``verify`` counts.
"""

from collections.abc import Callable, Iterable, Iterator
from dataclasses import dataclass, field

from ..format import (
    VERSION,
    Board,
    CaptureStarts,
    Channel,
    DeviceReader,
    DeviceRecord,
    Entry,
    Heard,
    Samples,
    SampleType,
    Segment,
    Stream,
    Verdict,
)

_AT_ONCE = 1 << 16  # bytes of packed samples that are unpacked together


@dataclass
class ChannelCount:
    """One channel of one stream.

    ``lowest`` and ``highest`` are in its unit, None while there is no reading; ``missing`` counts
    samples that hold no reading.
    """

    channel: Channel
    samples: int = 0
    missing: int = 0
    lowest: float | None = None
    highest: float | None = None

    @property
    def standing(self) -> str:
        """``standard``, ``nearly`` (:attr:`Channel.nearly` says what would be right) or ``own``."""
        if self.channel.nearly:
            return "nearly"
        return "own" if self.channel.term is None else "standard"

    def take(self, channel: Channel, raws: tuple[float, ...]) -> None:
        """Take raw samples, as ``channel`` scales them."""
        self.samples += len(raws)
        code = channel.missing
        readings = raws
        if channel.type is SampleType.F32 or code in raws:
            readings = tuple(raw for raw in raws if raw == raw and raw != code)
        self.missing += len(raws) - len(readings)
        if not readings:
            return
        ends = channel.value(min(readings)), channel.value(max(readings))
        low, high = min(ends), max(ends)
        self.lowest = low if self.lowest is None else min(low, self.lowest)
        self.highest = high if self.highest is None else max(high, self.highest)


@dataclass
class StreamChannels:
    """One stream by its number and name: its channels by (key, unit), in the order described."""

    number: int
    name: str
    period: float = 0.0
    """s between samples, as described last; 0 where it varies."""
    samples: int = 0
    lost: int = 0
    channels: dict[tuple[str, str], ChannelCount] = field(default_factory=dict)


@dataclass
class ChannelSurvey:
    """All streams of a log that are described, and what is not."""

    streams: list[StreamChannels] = field(default_factory=list)
    unread: dict[int, int] = field(default_factory=dict)
    """Samples by stream number that no description explains."""
    lost: int = 0
    """Samples missing before those."""


def count_channels(entries: Callable[[], Iterable[Entry]]) -> ChannelSurvey:
    """Count a log's channels; ``entries`` gives its entries anew each time.

    It is read twice, because a description may come after the samples that it explains.
    """
    segments: list[Segment] = []
    for heard in _heard(entries()):
        if not segments or segments[-1] is not heard.segment:
            segments.append(heard.segment)
    counter = _Counter()
    for segment in segments:
        for stream in segment.described.values():
            counter.describe(stream)
    waiting = iter(segments)
    described = now = None
    for heard in _heard(entries()):
        if heard.segment is not now:
            now, described = heard.segment, next(waiting).described
        if isinstance(heard.record, Samples) and heard.verdict is not Verdict.REPEATED:
            assert described is not None and heard.description is not None
            counter.take(heard.record, described.get(heard.description), heard.lost)
    return counter.finish()


def _heard(entries: Iterable[Entry]) -> Iterator[Heard]:
    starts, reader = CaptureStarts(), DeviceReader()
    for entry in entries:
        record = entry.record
        if (record is not None or entry.refused) and starts.begins(record):
            reader.begin_capture()
        if isinstance(record, Board) and record.version[0] != VERSION[0]:
            continue
        if isinstance(record, DeviceRecord):
            yield reader.take(record)
        elif (at := getattr(record, "at", None)) is not None:
            reader.host(at.monotonic)
    reader.settle()


class _Counter:
    def __init__(self) -> None:
        self._streams: dict[tuple[int, str], StreamChannels] = {}
        self._found = ChannelSurvey()
        self._packed: dict[int, tuple[Stream, bytearray]] = {}  # by the description's identity

    def describe(self, stream: Stream) -> None:
        """Take a description."""
        number, name = stream.stream, stream.name
        own = self._streams.get((number, name))
        if own is None:
            own = self._streams[number, name] = StreamChannels(number, name)
            self._found.streams.append(own)
        own.period = stream.period / 1e6
        for channel in stream.channels:
            own.channels.setdefault((channel.key, channel.unit), ChannelCount(channel))

    def take(self, record: Samples, stream: Stream | None, lost: int) -> None:
        """Take samples, and what explains them."""
        if stream is None or not record.fits(stream):
            unread = self._found.unread
            unread[record.stream] = unread.get(record.stream, 0) + record.count
            self._found.lost += lost
            return
        own = self._streams[stream.stream, stream.name]
        own.samples += record.count
        own.lost += lost
        _, packed = self._packed.setdefault(id(stream), (stream, bytearray()))
        packed += record.data
        if len(packed) >= _AT_ONCE:
            self._unpack(stream, packed)

    def _unpack(self, stream: Stream, packed: bytearray) -> None:
        channels = self._streams[stream.stream, stream.name].channels
        columns = zip(*stream.layout.iter_unpack(bytes(packed)), strict=True)
        for channel, raws in zip(stream.channels, columns, strict=False):
            channels[channel.key, channel.unit].take(channel, raws)
        packed.clear()

    def finish(self) -> ChannelSurvey:
        """Return the counts."""
        for stream, packed in self._packed.values():
            self._unpack(stream, packed)
        self._found.streams.sort(key=lambda one: one.number)
        return self._found
