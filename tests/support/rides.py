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
        kind = np.dtype("<" + LAYOUT[channel.type])
        codes = np.array([channel.raw(float(v)) for v in column], kind)
        raw[channel.key] = codes
        values[channel.key] = np.array([channel.value(v) for v in codes.tolist()])
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
