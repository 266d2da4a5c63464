"""A ride between two times."""

from dataclasses import replace

import numpy as np

from ...load.ride import Ride
from .set_aside import part_of


def between(ride: Ride, start: float, end: float) -> Ride:
    """Return the ride with the samples from ``start`` to ``end`` s alone."""
    streams = {}
    for name, stream in ride.streams.items():
        span = slice(*np.searchsorted(stream.time, (start, end + 1e-9)).tolist())
        streams[name] = replace(
            stream,
            time=stream.time[span],
            segment=stream.segment[span],
            gap=stream.gap[span],
            raw={key: column[span] for key, column in stream.raw.items()},
            values=part_of(stream.values, span),
        )
    return replace(ride, streams=streams)
