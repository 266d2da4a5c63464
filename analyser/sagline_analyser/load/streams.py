"""From tables of SAMPLES records to the columns of one stream."""

from collections.abc import Callable
from dataclasses import dataclass, replace

import numpy as np
import numpy.typing as npt

from sagline_logger.format import Channel, SampleType, Stream

from .columns import Table, column_names, unpack
from .ride import StreamColumns
from .segments import steps
from .tables import Chunk, Key
from .timebase import ClockLine, Micros

_PAUSE = 3.0
"""Periods between two samples above which the device must have stopped sampling."""


@dataclass(frozen=True)
class StreamRun:
    """What the numbers of one counter's records, in order of arrival, tell.

    ``broken``, of shape (records,), is True where samples are missing just before a record or its
    number went back.
    """

    broken: npt.NDArray[np.bool_]
    lost: int


def follow(sequence: npt.NDArray[np.uint32], count: npt.NDArray[np.unsignedinteger]) -> StreamRun:
    """Follow one counter in one segment, nothing in it twice (frame_format.md §5.7)."""
    step = steps(sequence, count)
    broken = np.zeros(sequence.size, np.bool_)
    broken[1:] = step != 0
    return StreamRun(broken, int(step[step > 0].sum()))


@dataclass(frozen=True)
class StreamPart:
    """The records of one stream that share a segment and a description.

    ``device`` is each record's unwrapped clock in µs; ``broken`` as in :class:`StreamRun`.
    """

    segment: int
    stream: Stream
    chunk: Chunk
    broken: npt.NDArray[np.bool_]
    device: Micros
    line: ClockLine
    key: Key | None = None
    """Of the records, None where there are none."""

    @classmethod
    def empty(cls, segment: int, stream: Stream) -> "StreamPart":
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


Filled = Callable[[list[StreamPart]], Table | None]


def build_stream(name: str, parts: list[StreamPart], filled: Filled) -> tuple[StreamColumns, bool]:
    """Join the parts of one stream, given in the order of their first records.

    ``filled`` waits for the table of these parts' samples where they are being unpacked already.
    Returns the columns, and whether the device's clock ran backwards somewhere, so that times had
    to be held level.
    """
    time = np.concatenate([_times(part) for part in parts])
    counts = np.concatenate([part.chunk.count for part in parts])
    records = [part.chunk.count.size for part in parts]
    segments = np.repeat(np.array([part.segment for part in parts], np.int32), records)
    broken = np.concatenate([part.broken for part in parts])
    order = _order(np.concatenate([part.chunk.offset for part in parts]), counts)
    if order is not None:
        ranks, samples = order
        time, counts, segments, broken = (
            time[samples],
            counts[ranks],
            segments[ranks],
            broken[ranks],
        )
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
    channels, raw, values = _scale(parts, filled(parts))
    if order is not None:
        raw = {key: column[order[1]] for key, column in raw.items()}
        values = {key: column[order[1]] for key, column in values.items()}
    return StreamColumns(name, period, channels, time, raw, values, segment, gap), backwards


def _order(
    offset: npt.NDArray[np.intp], counts: npt.NDArray[np.uint8]
) -> tuple[npt.NDArray[np.intp], npt.NDArray[np.intp]] | None:
    """Return the order of arrival of records and of their samples; None where they stand in it.

    They do not where a revision is used again after another one, described as before.
    """
    if (offset[1:] >= offset[:-1]).all():
        return None
    ranks = np.argsort(offset, kind="stable")
    many = counts.astype(np.intp)
    starts, own = np.cumsum(many) - many, many[ranks]
    within = np.arange(int(own.sum())) - np.repeat(np.cumsum(own) - own, own)
    return ranks, np.repeat(starts[ranks], own) + within


def _times(part: StreamPart) -> npt.NDArray[np.float64]:
    """Return the time of every sample in s: record's clock + i × period, on the host's clock."""
    count, device = part.chunk.count.astype(np.intp), part.device
    if (count > 1).any():
        period = part.stream.period
        until = np.cumsum(count)
        # All samples count up in periods; a record is off that by as much as its first sample is.
        device = np.repeat(device - (until - count) * period, count)
        device += np.arange(0, int(until[-1]) * period, period, dtype=np.int64)
    time = part.line.host(device)
    time /= 1e6
    return time


Columns = tuple[
    dict[str, Channel], dict[str, npt.NDArray[np.generic]], dict[str, npt.NDArray[np.float64]]
]


def _scale(parts: list[StreamPart], table: Table | None) -> Columns:
    """Return channels, raw columns and values, each by column name."""
    # A column is a key in one unit; a key that changes its unit becomes a second column.
    units: dict[str, str] = {}
    names = [column_names(part.stream, units) for part in parts]
    variants: dict[str, list[Channel]] = {}
    for part, own in zip(parts, names, strict=True):
        for name, channel in zip(own, part.stream.channels, strict=True):
            variants.setdefault(name, []).append(channel)
    channels = {name: _common(found, len(parts)) for name, found in variants.items()}
    if table is None:
        table = Table.empty(channels, sum(int(part.chunk.count.sum()) for part in parts))
        for name, shared in channels.items():
            if len(variants[name]) < len(parts):
                table.values[table.row[name]] = np.nan
                if shared is not None:
                    table.raw_column(name).fill(_nothing(shared))
        start = 0
        for part, own in zip(parts, names, strict=True):
            bands = table.bands(part.stream, own)
            for piece in part.chunk.packed:
                start = unpack(piece, bands, start)
    return (
        {name: channel or _plain(variants[name][-1]) for name, channel in channels.items()},
        {name: table.raw_column(name) for name in channels},
        {name: table.values[row] for name, row in table.row.items()},
    )


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
