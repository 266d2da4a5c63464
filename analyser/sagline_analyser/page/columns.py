"""The columns a page shows: everything in the log, and the few worked out from it."""

from dataclasses import dataclass, replace
from typing import Any

import numpy as np
import numpy.typing as npt

from sagline_logger.format import BoardFile, Channel, SampleType

from ..findings.readings.speed import vehicle_speed
from ..findings.readings.unknown import NotKnown
from ..load.ride import Ride, StreamColumns


@dataclass(frozen=True)
class Column:
    """Raw samples of one channel; ``stream`` tells when they were taken.

    ``time`` and ``gap`` are those of the stream unless the column was worked out from several.
    ``how`` says how a column that is not in the log came about.
    """

    channel: Channel
    stream: str
    raw: npt.NDArray[Any]
    how: str = ""

    @property
    def key(self) -> str:
        """The column name."""
        return self.channel.key

    def valid(self) -> npt.NDArray[np.bool_] | None:
        """Return which samples are readings, None when all are."""
        if self.raw.dtype.kind == "f":
            found = np.isfinite(self.raw)
        elif self.channel.missing is None:
            return None
        else:
            found = self.raw != self.channel.missing
        return None if found.all() else found

    def values(self, at: npt.NDArray[np.int64]) -> npt.NDArray[np.float64]:
        """Return the values in the channel's unit at some indices, all of them readings."""
        channel = self.channel
        exact = self.raw[at].astype(np.float64) * channel.multiplier + channel.offset
        power = 10.0 ** abs(channel.exponent)
        return exact / power if channel.exponent < 0 else exact * power


@dataclass(frozen=True)
class PageTable:
    """Sample times (s) and gap flags that several columns share."""

    name: str
    period: float
    time: npt.NDArray[np.float64]
    gap: npt.NDArray[np.bool_]


def page_columns(ride: Ride, board: BoardFile | None) -> tuple[list[PageTable], list[Column]]:
    """Return all tables and columns of a page of ``ride``; streams without samples are left out."""
    tables, columns = [], []
    for stream in ride.streams.values():
        if not len(stream.time):
            continue
        tables.append(PageTable(stream.name, stream.period, stream.time, stream.gap))
        columns += [
            Column(channel, stream.name, np.asarray(stream.raw[key]))
            for key, channel in stream.channels.items()
        ]
    for stream in ride.streams.values():
        if (spread := _cell_spread(ride, stream)) is not None:
            columns.append(spread)
    if (derived := _derived_speed(ride, board)) is not None:
        tables.append(derived[0])
        columns.append(derived[1])
    return tables, columns


def _cell_spread(ride: Ride, stream: StreamColumns) -> Column | None:
    """Return highest minus lowest cell, exact because all cells must share one scale."""
    keys = [key for key in ride.keys("cell_voltage") if key in stream.channels]
    if len(keys) < 2 or not len(stream.time):
        return None
    first = stream.channels[keys[0]]
    scales = {
        (c.multiplier, c.offset, c.exponent, c.missing)
        for c in (stream.channels[key] for key in keys)
    }
    raws = [np.asarray(stream.raw[key]) for key in keys]
    if len(scales) > 1 or any(raw.dtype.kind == "f" for raw in raws):
        return None
    low, high = raws[0].astype(np.int64), raws[0].astype(np.int64)
    missing = np.zeros(len(low), bool)
    for raw in raws:
        np.minimum(low, raw, out=low)
        np.maximum(high, raw, out=high)
        if first.missing is not None:
            missing |= raw == first.missing
    raw = np.where(missing, -1, high - low).astype(np.int32)
    channel = replace(
        first,
        name="cell_spread",
        index=0,
        label="",
        offset=0,
        type=SampleType.I32,
        missing=-1,
        multiplier=abs(first.multiplier),
    )
    return Column(channel, stream.name, raw, "highest cell minus lowest cell")


def _derived_speed(ride: Ride, board: BoardFile | None) -> tuple[PageTable, Column] | None:
    if ride.keys("speed"):
        return None
    speed = vehicle_speed(ride, board)
    if isinstance(speed, NotKnown):
        return None
    series = speed.series
    channel = Channel("derived_speed", "m/s", SampleType.I32, exponent=-4)
    table = PageTable("derived speed", 0.0, series.time, series.gap)
    raw = np.rint(series.value * 1e4).astype(np.int32)
    return table, Column(channel, table.name, raw, speed.how)
