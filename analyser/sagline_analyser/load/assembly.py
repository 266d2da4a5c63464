"""Every stream of a log as columns, from its tables."""

from collections import defaultdict
from dataclasses import dataclass

import numpy as np
import numpy.typing as npt

from sagline_logger.format import SaglineError, Stream
from sagline_logger.format.counting import several

from .clocks import Clocks
from .ride import StreamColumns
from .segments import by_counter, joined
from .streams import Filled, StreamPart, build_stream, follow
from .tables import Chunk, Key, Tables

Descriptions = dict[tuple[int, int, int], Stream]
"""By (segment, stream number, revision)."""

_EMPTY = 8
"""Most cells of a table for each one sent, beyond _FREE; so no file can fill the memory."""
_FREE = 1 << 23
"""Cells of a table that may be empty in any case: 64 MiB."""


@dataclass(frozen=True)
class Assembled:
    """The columns of every stream by name, and what of the samples is not in them.

    ``lost`` samples by stream; ``undescribed`` ones nothing describes, ``misfits`` do not fit what
    does.  ``notes`` are lines for people.
    """

    streams: dict[str, StreamColumns]
    lost: dict[str, int]
    undescribed: int
    misfits: int
    notes: tuple[str, ...]


@dataclass(frozen=True)
class _Sorted:
    """The pieces of each stream by its name, in order, and what was counted on the way."""

    parts: dict[str, list[StreamPart]]
    lost: dict[str, int]
    undescribed: int
    misfits: int


def assemble(
    tables: Tables, described: Descriptions, clocks: Clocks, filled: Filled, where: str
) -> Assembled:
    """Return the streams that are described, in the order of their descriptions.

    Raises:
        SaglineError: a stream is described anew so often that its columns would fill the memory.
    """
    names = _names(described)
    found = _sort(tables, described, names, clocks)
    notes = []
    if found.misfits:
        notes.append(
            f"{several(found.misfits, 'sample')} of another form than the stream's descriptor says"
        )
    streams: dict[str, StreamColumns] = {}
    for key, stream in described.items():
        name = names[key]
        if name not in streams:
            # Taken out, so that a piece's memory is free as soon as its columns are made.
            parts = found.parts.pop(name, None) or [StreamPart.empty(key[0], stream)]
            _check_size(name, parts, where)
            streams[name], backwards = build_stream(name, parts, filled)
            if backwards:
                notes.append(f"the clock of {name!r} ran backwards; its times are held level")
    return Assembled(streams, found.lost, found.undescribed, found.misfits, tuple(notes))


def _names(described: Descriptions) -> dict[tuple[int, int, int], str]:
    """Return each description's stream: its own name, unless another of its segment has that."""
    names: dict[tuple[int, int, int], str] = {}
    owners: dict[tuple[int, str], int] = {}  # stream number by (segment, name)
    for (segment, number, revision), stream in described.items():
        name = stream.name or f"stream {number}"
        if owners.setdefault((segment, name), number) != number:
            name = f"{name} ({number})"
            owners[segment, name] = number
        names[segment, number, revision] = name
    return names


def _sort(
    tables: Tables, described: Descriptions, names: dict[tuple[int, int, int], str], clocks: Clocks
) -> _Sorted:
    """Follow every counter of samples, and give the pieces that can be read to their streams."""
    latest = {key[:2]: name for key, name in names.items()}  # by (segment, stream number)
    parts: defaultdict[str, list[StreamPart]] = defaultdict(list)
    lost = dict.fromkeys(names.values(), 0)
    undescribed = misfits = 0
    for run, keys in by_counter(tables).items():
        order, whole = joined(tables, keys)
        followed = follow(whole.sequence, whole.count)
        if followed.lost:
            name = latest.get(run, f"stream {run[1]}")  # of one that was never described
            lost[name] = lost.get(name, 0) + followed.lost
        hole = followed.broken
        fits = [_fits(tables.samples[key], key, described.get(key[:3])) for key in keys]
        if not all(one.all() for one in fits):  # what cannot be read is missing as well
            used = np.concatenate(fits)[order]
            hole[1:] |= ~used[:-1]
        broken = np.empty_like(hole)
        broken[order] = hole
        start = 0
        for key, keep in zip(keys, fits, strict=True):
            chunk = tables.samples[key]
            hole = broken[start : start + chunk.offset.size]
            start += chunk.offset.size
            description = described.get(key[:3])
            if description is None:
                undescribed += int(chunk.count.sum())
                continue
            misfits += int(chunk.count[~keep].sum())
            if keep.any():
                device, line = clocks.samples[key], clocks.lines[key.segment]
                if not keep.all():
                    chunk, hole, device = chunk.only(keep), hole[keep], device[keep]
                parts[names[key[:3]]].append(
                    StreamPart(key.segment, description, chunk, hole, device, line, key)
                )
    return _Sorted(dict(parts), lost, undescribed, misfits)


def _fits(chunk: Chunk, key: Key, description: Stream | None) -> npt.NDArray[np.bool_]:
    """Return which records can be read by what describes them."""
    if description is None or key.row != description.layout.size:
        return np.zeros(chunk.offset.size, np.bool_)
    fits: npt.NDArray[np.bool_] = (chunk.count == 1) | (description.period > 0)
    return fits


def _check_size(name: str, parts: list[StreamPart], where: str) -> None:
    """Refuse a stream described anew so often that its columns would mostly hold nothing."""
    rows = [int(part.chunk.count.sum()) for part in parts]
    columns = {(channel.key, channel.unit) for part in parts for channel in part.stream.channels}
    sent = sum(n * len(part.stream.channels) for n, part in zip(rows, parts, strict=True))
    if len(columns) * sum(rows) > _EMPTY * sent + _FREE:
        raise SaglineError(
            f"stream {name!r} is described with {len(columns)} different columns in one log",
            where=where,
            remedy="record each firmware's stream under its own name, or in its own log",
        )
