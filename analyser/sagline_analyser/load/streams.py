"""From tables of SAMPLES records to the columns of one stream."""

from collections import Counter
from dataclasses import dataclass, replace
from itertools import groupby

import numpy as np
import numpy.typing as npt

from sagline_logger.format import Channel, SampleType, Stream

from .ride import StreamColumns
from .scaling import DTYPE, scale_into
from .tables import Chunk
from .timebase import ClockLine, Micros

_ROWS = 16384  # samples scaled at a time, so that packed bytes are read once into the cache
_PAUSE = 3.0
"""Periods between two samples above which the device must have stopped sampling."""


@dataclass(frozen=True)
class Run:
    """What the sequence numbers of one stream's records, in order of arrival, tell.

    ``fresh`` is False for a record that came before, ``broken`` True where samples are missing
    just before a record or its number went back; both are of shape (records,).
    """

    fresh: npt.NDArray[np.bool_]
    broken: npt.NDArray[np.bool_]
    lost: int
    went_back: int


def follow(
    sequence: npt.NDArray[np.uint32],
    clock: npt.NDArray[np.uint32],
    count: npt.NDArray[np.unsignedinteger],
) -> Run:
    """Follow the numbers of one stream in one segment (protocol_docs/frame_format.md §5.7)."""
    fresh = np.ones(sequence.size, np.bool_)
    step = _steps(sequence, count)
    if (step < 0).any():
        both = sequence.astype(np.uint64) << 32 | clock
        fresh[:] = False
        fresh[np.unique(both, return_index=True)[1]] = True
        step = _steps(sequence[fresh], count[fresh])
    broken = np.zeros(sequence.size, np.bool_)
    broken[np.flatnonzero(fresh)[1:]] = step != 0
    return Run(fresh, broken, int(step[step > 0].sum()), int(np.count_nonzero(step < 0)))


def _steps(
    sequence: npt.NDArray[np.uint32], count: npt.NDArray[np.unsignedinteger]
) -> npt.NDArray[np.int64]:
    """Return how many numbers are missing before each record but the first; below 0: went back."""
    step = np.diff(sequence) - count[:-1].astype(np.uint32)  # modulo 2^32
    return step.view(np.int32).astype(np.int64)


@dataclass(frozen=True)
class Part:
    """The records of one stream that share a segment and a description.

    ``device`` is each record's unwrapped clock in µs; ``broken`` as in :class:`Run`.
    """

    segment: int
    stream: Stream
    chunk: Chunk
    broken: npt.NDArray[np.bool_]
    device: Micros
    line: ClockLine

    @classmethod
    def empty(cls, segment: int, stream: Stream) -> "Part":
        """Return the part of a stream that was described and never sent a sample."""
        chunk = Chunk(
            np.empty(0, np.intp),
            np.empty(0, np.uint32),
            np.empty(0, np.uint32),
            np.empty(0, np.uint8),
            [],
        )
        line = ClockLine(0, 0.0, 0.0)
        return cls(segment, stream, chunk, np.empty(0, np.bool_), np.empty(0, np.int64), line)


def build_stream(name: str, parts: list[Part]) -> tuple[StreamColumns, bool]:
    """Join the parts of one stream, given in order of arrival.

    Returns the columns, and whether the device's clock ran backwards somewhere, so that times had
    to be held level.
    """
    channels, raw, values = _scale(parts)
    time = np.concatenate([_times(part) for part in parts])
    counts = np.concatenate([part.chunk.count for part in parts])
    records = [part.chunk.count.size for part in parts]
    segments = np.repeat(np.array([part.segment for part in parts], np.int32), records)
    broken = np.concatenate([part.broken for part in parts])
    broken[1:] |= np.diff(segments) != 0
    gap = np.zeros(time.size, np.bool_)
    gap[np.cumsum(counts, dtype=np.intp) - counts] = broken
    steps = np.diff(time)
    backwards = bool((steps < 0).any())
    if backwards:
        time = np.maximum.accumulate(time)
    period = max(part.stream.period for part in parts) / 1e6
    if period:
        gap[1:] |= steps > _PAUSE * period
    segment = np.repeat(segments, counts)
    return StreamColumns(name, period, channels, time, raw, values, segment, gap), backwards


def _times(part: Part) -> npt.NDArray[np.float64]:
    """Return the time of every sample in s: record's clock + i × period, on the host's clock."""
    count, device = part.chunk.count.astype(np.intp), part.device
    if (count > 1).any():
        within = np.arange(count.sum()) - np.repeat(np.cumsum(count) - count, count)
        device = np.repeat(device, count) + within * part.stream.period
    return part.line.host(device) / 1e6


Columns = tuple[
    dict[str, Channel], dict[str, npt.NDArray[np.generic]], dict[str, npt.NDArray[np.float64]]
]


def _scale(parts: list[Part]) -> Columns:
    """Return channels, raw columns and values, each by column name."""
    total = sum(int(part.chunk.count.sum()) for part in parts)
    # A column is a key in one unit; a key that changes its unit becomes a second column.
    units: dict[str, str] = {}
    names = []
    for part in parts:
        names.append([_name(channel, units) for channel in part.stream.channels])
    variants: dict[str, list[Channel]] = {}
    for part, own in zip(parts, names, strict=True):
        for name, channel in zip(own, part.stream.channels, strict=True):
            variants.setdefault(name, []).append(channel)
    channels = {name: _common(found, len(parts)) for name, found in variants.items()}
    table = _Table.empty(channels, total)
    for name, shared in channels.items():
        if len(variants[name]) < len(parts):
            table.values[table.row[name]] = np.nan
            if shared is not None:
                table.raw_column(name).fill(_nothing(shared))
    start = 0
    for part, own in zip(parts, names, strict=True):
        bands = table.bands(part.stream, own)
        for piece in part.chunk.packed:
            for at in range(0, piece.size, _ROWS):
                rows = piece[at : at + _ROWS]
                into = np.s_[:, start : start + rows.size]
                start += rows.size
                for band in bands:
                    column = rows.view(band.layout)["band"].T
                    if band.raw is not None:
                        band.raw[into] = column
                        column = band.raw[into]
                    scale_into(band.packing, column, band.values[into])
    return (
        {name: channel or _plain(variants[name][-1]) for name, channel in channels.items()},
        {name: table.raw_column(name) for name in channels},
        {name: table.values[row] for name, row in table.row.items()},
    )


@dataclass(frozen=True)
class _Band:
    """Neighbouring channels of one packing, unpacked and scaled together.

    ``layout`` finds them in a packed sample; ``raw`` (None where the raw samples have no common
    meaning) and ``values`` are their rows of the table, of shape (channels, samples).
    """

    packing: Channel
    layout: np.dtype[np.void]
    raw: npt.NDArray[np.generic] | None
    values: npt.NDArray[np.float64]


@dataclass(frozen=True)
class _Table:
    """The columns of one stream, one a row: a few large blocks of memory, which the system hands
    out in large pages.

    ``row`` is a column's row in ``values``; ``kept`` its type and its row in that type's block of
    ``raw``, where the raw samples of all parts mean the same.
    """

    values: npt.NDArray[np.float64]
    row: dict[str, int]
    raw: dict[SampleType, npt.NDArray[np.generic]]
    kept: dict[str, tuple[SampleType, int]]

    @classmethod
    def empty(cls, channels: dict[str, Channel | None], total: int) -> "_Table":
        rows: Counter[SampleType] = Counter()
        kept = {}
        for name, channel in channels.items():
            if channel is not None:
                kept[name] = (channel.type, rows[channel.type])
                rows[channel.type] += 1
        raw = {kind: np.empty((count, total), DTYPE[kind]) for kind, count in rows.items()}
        return cls(
            np.empty((len(channels), total)), {n: i for i, n in enumerate(channels)}, raw, kept
        )

    def raw_column(self, name: str) -> npt.NDArray[np.generic]:
        """Return a column's raw samples, or its values where these alone tell what it holds."""
        block: npt.NDArray[np.generic] = self.values
        row = self.row[name]
        if name in self.kept:
            kind, row = self.kept[name]
            block = self.raw[kind]
        column: npt.NDArray[np.generic] = block[row]
        return column

    def bands(self, stream: Stream, names: list[str]) -> list[_Band]:
        """Return the bands of a stream whose channels go to the columns ``names``."""
        found = []
        offset = 0
        alike = [
            (replace(c, name="", unit="", index=0, label=""), self.row[name] - i, name in self.kept)
            for i, (c, name) in enumerate(zip(stream.channels, names, strict=True))
        ]
        for (packing, shift, kept), group in groupby(range(len(names)), alike.__getitem__):
            own = list(group)
            dtype = DTYPE[packing.type]
            layout = np.dtype(
                {
                    "names": ["band"],
                    "formats": [(dtype, (len(own),))],
                    "offsets": [offset],
                    "itemsize": stream.layout.size,
                }
            )
            offset += layout["band"].itemsize
            raw = None
            if kept:
                kind, row = self.kept[names[own[0]]]
                raw = self.raw[kind][row : row + len(own)]
            first = own[0] + shift
            found.append(_Band(packing, layout, raw, self.values[first : first + len(own)]))
        return found


def _name(channel: Channel, units: dict[str, str]) -> str:
    unit = units.setdefault(channel.key, channel.unit)
    return channel.key if unit == channel.unit else f"{channel.key} ({channel.unit})"


def _nothing(channel: Channel) -> int | float | None:
    if channel.missing is None and channel.type is SampleType.F32:
        return np.nan
    return channel.missing


def _common(found: list[Channel], parts: int) -> Channel | None:
    """Return the channel that explains the raw samples of all parts, or None if none can."""
    last = found[-1]
    alike = all(replace(channel, label=last.label) == last for channel in found)
    return last if alike and (len(found) == parts or _nothing(last) is not None) else None


def _plain(channel: Channel) -> Channel:
    """Return the channel of a column whose packing changed: its raw samples are its values."""
    return replace(channel, type=SampleType.F32, multiplier=1, offset=0, exponent=0, missing=None)
