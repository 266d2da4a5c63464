"""A simulated ride of which one channel is known for a part only, as a log."""

import io
import math
from collections.abc import Collection
from dataclasses import replace
from functools import cache

from sagline_logger.format import (
    Channel,
    Record,
    Samples,
    SampleType,
    Stream,
    Time,
    encode_frame,
    read_log,
)
from sagline_logger.simulator import Simulation, random_board, standard_streams
from sagline_logger.simulator.sensors import course_stream
from support.logs import log_bytes, time
from support.simulated_rides import hard_ride

SEED = 3
_NO_READING = {
    SampleType.U8: 2**8 - 1,
    SampleType.I8: -(2**7),
    SampleType.U16: 2**16 - 1,
    SampleType.I16: -(2**15),
    SampleType.U32: 2**32 - 1,
    SampleType.I32: -(2**31),
    SampleType.F32: math.nan,
}


@cache
def _sent() -> tuple[tuple[int, bytes], ...]:
    """Return (µs, frame) of all that a drawn board sends on a ride of about four minutes."""
    machine = random_board(SEED)
    streams = (*standard_streams(machine, fast_period=100_000), course_stream())
    ride = Simulation(machine, hard_ride(SEED), streams=streams, seed=SEED, step=10_000)
    return tuple((sent.time, sent.data) for sent in ride.run())


def ride_known_for(share: float, names: Collection[str]) -> bytes:
    """Return the log, where channels of these names have a reading in the first ``share`` of the
    ride only; of all the ride with no ``names``."""
    sent = _sent()
    records: list[Record | bytes] = []
    told = -1
    for at, data in sent:
        if at // 500_000 != told:
            told = at // 500_000
            records.append(time(at))
        records += [part + b"\0" for part in data.split(b"\0")[:-1]]
    return known_for(log_bytes(records), share, names)


def known_for(log: bytes, share: float, names: Collection[str]) -> bytes:
    """Return ``log`` where channels of these names have a reading only in the samples that came in
    the first ``share`` of its time."""
    entries = list(read_log(io.BytesIO(log)))
    hosts = [e.record.at.monotonic for e in entries if isinstance(e.record, Time)]
    until = hosts[0] + share * (hosts[-1] - hosts[0])
    coming = iter([*hosts[1:], hosts[-1]])
    described: dict[tuple[int, int], Stream] = {}
    after = hosts[0]  # the next TIME: all up to it may have come as late
    out = b""
    for entry in entries:
        record = entry.record
        if isinstance(record, Time):
            after = next(coming)
        if isinstance(record, Stream):
            record = replace(record, channels=tuple(map(_with_code, record.channels)))
            described[record.stream, record.revision] = record
        if isinstance(record, Samples) and after > until:
            stream = described[record.stream, record.revision]
            if any(channel.name in names for channel in stream.channels):
                record = _without(record, stream, names)
        if record is not entry.record:
            assert isinstance(record, Stream | Samples)
            out += encode_frame(record.encode())
        else:
            out += log[entry.offset : entry.offset + entry.size]
    return out


def _with_code(channel: Channel) -> Channel:
    if channel.missing is not None or channel.type is SampleType.F32:
        return channel
    return replace(channel, missing=_NO_READING[channel.type])


def _without(record: Samples, stream: Stream, names: Collection[str]) -> Samples:
    rows = []
    for row in stream.layout.iter_unpack(record.data):
        values = list(row)
        for place, channel in enumerate(stream.channels):
            if channel.name in names:
                code = channel.missing
                values[place] = _NO_READING[channel.type] if code is None else code
        rows.append(stream.layout.pack(*values))
    return Samples(
        record.boot,
        record.stream,
        record.revision,
        record.sequence,
        record.clock,
        record.count,
        b"".join(rows),
    )
