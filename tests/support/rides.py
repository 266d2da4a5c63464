"""Small synthetic rides for tests that need no log file."""

from collections.abc import Mapping, Sequence
from typing import Any

import numpy as np

from sagline_analyser.load.ride import Quality, Ride, RideSegment, StreamColumns
from sagline_logger.format import LAYOUT, Channel, SampleType

SOUND = Quality(100, {}, 0, 0, 0, 0, 0, None, None, True)


def make_stream(
    name: str,
    time: Sequence[float] | np.ndarray,
    columns: Mapping[Channel, Sequence[float] | np.ndarray],
    gap: Sequence[int] = (),
    period: float = 0.0,
) -> StreamColumns:
    """Build a stream from values in the channels' units; ``gap`` lists the samples after a gap."""
    raw: dict[str, Any] = {}
    values: dict[str, Any] = {}
    for channel, column in columns.items():
        raw[channel.key], values[channel.key] = sampled(channel, np.asarray(column, float))
    flags = np.zeros(len(time), bool)
    flags[list(gap)] = True
    return StreamColumns(
        name,
        period,
        {c.key: c for c in columns},
        np.asarray(time, float),
        raw,
        values,
        np.zeros(len(time), np.int32),
        flags,
    )


def sampled(channel: Channel, wanted: np.ndarray) -> tuple[np.ndarray, np.ndarray]:
    """Return ``channel.raw`` of each value, and ``channel.value`` of each of those; all at once
    where whole numbers cannot leave 53 bits on the way."""
    kind = np.dtype("<" + LAYOUT[channel.type])
    most = abs(channel.multiplier) * 2.0 ** (8 * kind.itemsize) + abs(channel.offset)
    if kind.kind == "f" or most > 2**53 or np.isnan(wanted).any():
        codes = np.array([channel.raw(v) for v in wanted.tolist()], kind)
        return codes, np.array([channel.value(v) for v in codes.tolist()], float)
    exact = (_scaled(wanted, -channel.exponent) - channel.offset) / channel.multiplier
    edge = np.iinfo(kind)
    nearest = np.rint(np.clip(exact, edge.min, edge.max))
    if channel.missing is not None:
        taken = nearest == channel.missing
        nearest[taken] += 1 if channel.missing < edge.max else -1
    return (
        nearest.astype(kind),
        _scaled(nearest * channel.multiplier + channel.offset, channel.exponent),
    )


def _scaled(number: np.ndarray, exponent: int) -> np.ndarray:
    return number / 10.0**-exponent if exponent < 0 else number * 10.0**exponent


def make_ride(*streams: StreamColumns, **changes: Any) -> Ride:
    """Build a ride around ``streams``; ``changes`` replace any other field."""
    duration = max((float(s.time[-1]) for s in streams if len(s.time)), default=0.0)
    fields: dict[str, Any] = {
        "path": "ride.sagline",
        "board_name": "Kestrel",
        "firmware": "test",
        "streams": {s.name: s for s in streams},
        "events": (),
        "marks": (),
        "link_gaps": (),
        "segments": (RideSegment(0, 1, 0.0, duration),),
        "quality": SOUND,
        "duration": duration,
        "started_wall": 1_780_000_000.0,
        "settings": {},
        "note": "",
        "source": "synthetic",
        "board_file": None,
    }
    return Ride(**{**fields, **changes})


def channel(name: str, unit: str, index: int = 0, exponent: int = -3, **more: Any) -> Channel:
    """Return a 32-bit channel with ``10^exponent`` of its unit as quantum, -2^31 for missing."""
    return Channel(
        name, unit, SampleType.I32, exponent=exponent, index=index, missing=-(2**31), **more
    )
