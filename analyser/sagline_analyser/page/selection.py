"""Choosing channels by name, with a clear line when a name is not there."""

import difflib
from collections.abc import Iterable, Sequence
from dataclasses import replace

from sagline_logger.format import SaglineError

from ..load.ride import Ride


def select(ride: Ride, names: Sequence[str] | None) -> Ride:
    """Return the ride with only the named columns; a channel name stands for all its indices.

    Raises:
        SaglineError: a name is neither a column nor a channel of this ride; near ones are named.
    """
    if not names:
        return ride
    wanted = set(resolve(names, ride))
    streams = {}
    for stream in ride.streams.values():
        keys = [key for key in stream.channels if key in wanted]
        if keys:
            streams[stream.name] = replace(
                stream,
                channels={key: stream.channels[key] for key in keys},
                raw={key: stream.raw[key] for key in keys},
                values={key: stream.values[key] for key in keys},
            )
    return replace(ride, streams=streams)


def resolve(names: Iterable[str], ride: Ride) -> list[str]:
    """Return the column names meant by ``names``."""
    columns: list[str] = [key for stream in ride.streams.values() for key in stream.channels]
    channels = sorted(
        {c.name for stream in ride.streams.values() for c in stream.channels.values()}
    )
    found = []
    for name in names:
        if name in columns:
            found.append(name)
        elif name in channels:
            found += [
                key
                for s in ride.streams.values()
                for key, c in s.channels.items()
                if c.name == name
            ]
        else:
            near = difflib.get_close_matches(name, sorted({*channels, *columns}), n=3)
            remedy = (
                f"did you mean {' or '.join(near)}?"
                if near
                else (f"this log has: {', '.join(channels)}")
            )
            raise SaglineError(f"no channel named {name!r}", where=ride.path, remedy=remedy)
    return found
