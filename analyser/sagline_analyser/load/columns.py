"""The columns of one stream in memory, and the unpacking of samples into them."""

from collections import Counter
from dataclasses import dataclass, replace
from itertools import groupby

import numpy as np
import numpy.typing as npt

from sagline_logger.format import Channel, SampleType, Stream

from .packed import Packed
from .scaling import DTYPE, scale_into

_ROWS = 1 << 15
"""Samples scaled at a time: enough for numpy's calls to pay, few enough to stay in the cache."""
_TURN = 1 << 11
"""Samples turned from rows to columns at a time, in a cache that is nearer."""


@dataclass(frozen=True)
class Band:
    """Neighbouring channels of one packing, unpacked and scaled together.

    ``layout`` finds them in a packed sample; ``raw`` (None where the raw samples have no common
    meaning) and ``values`` are their rows of the table, of shape (channels, samples).
    """

    packing: Channel
    layout: np.dtype[np.void]
    raw: npt.NDArray[np.generic] | None
    values: npt.NDArray[np.float64]


@dataclass(frozen=True)
class Table:
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
    def empty(cls, channels: dict[str, Channel | None], total: int) -> "Table":
        """Return columns of ``total`` rows that are still to be filled."""
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

    def bands(self, stream: Stream, names: list[str]) -> list[Band]:
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
            found.append(Band(packing, layout, raw, self.values[first : first + len(own)]))
        return found

    def cut(self, total: int) -> "Table":
        """Return columns of ``total`` rows that are still to be filled."""
        """Return the columns of the first ``total`` samples."""
        raw = {kind: block[:, :total] for kind, block in self.raw.items()}
        return replace(self, values=self.values[:, :total], raw=raw)


def unpack(piece: Packed, bands: list[Band], start: int) -> int:
    """Fill in some packed samples from place ``start`` on; return the place behind them."""
    packed = piece.rows()
    for at in range(0, packed.size, _ROWS):
        rows = packed[at : at + _ROWS]
        into = np.s_[:, start : start + rows.size]
        start += rows.size
        for band in bands:
            columns = rows.view(band.layout)["band"].T
            if band.raw is not None:
                raw = band.raw[into]
                for at_once in range(0, rows.size, _TURN):
                    some = np.s_[:, at_once : at_once + _TURN]
                    raw[some] = columns[some]
                columns = raw
            scale_into(band.packing, columns, band.values[into])
    return start


def column_names(stream: Stream, units: dict[str, str]) -> list[str]:
    """Return the column of each channel; ``units`` remembers the unit of a key's first column."""
    return [
        c.key if units.setdefault(c.key, c.unit) == c.unit else f"{c.key} ({c.unit})"
        for c in stream.channels
    ]
