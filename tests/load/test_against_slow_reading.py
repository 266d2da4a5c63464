"""The vectorised loader against the format package's own record-by-record reading."""

import math
import random
import struct
from pathlib import Path
from unittest.mock import patch

from hypothesis import HealthCheck, given, settings
from hypothesis import strategies as st

from sagline_analyser import load_ride
from sagline_analyser.load.frames import read_blocks
from sagline_logger.format import (
    Channel,
    Event,
    EventKind,
    Fault,
    Foreign,
    SaglineError,
    SampleType,
    Stream,
    Unknown,
    bounds,
    encode_frame,
)
from support.logs import at, board, log_bytes, pack, read_slowly, same, time


@st.composite
def channels(draw: st.DrawFn) -> tuple[Channel, ...]:
    count = draw(st.integers(1, 6))
    found = []
    for index in range(1, count + 1):
        kind = draw(st.sampled_from(SampleType))
        missing = None
        if draw(st.booleans()):
            missing = -1.5 if kind is SampleType.F32 else draw(st.sampled_from(bounds(kind)))
        multiplier = draw(st.sampled_from((1, -1, 5, 125, -(2**31), 2**31 - 1)))
        offset = draw(st.sampled_from((0, -400, 7, -(2**31), 2**31 - 1)))
        exponent = draw(st.sampled_from((0, -1, -2, -3, 2, -22, 22)))
        found.append(Channel("c", "V", kind, multiplier, offset, exponent, index, "", missing))
    return tuple(found)


ODD = (0.0, -0.0, -1.5, 1.0, math.nan, math.inf, -math.inf, 2**-149, -(2**-126), 2.0**127)


def raw_value(chance: random.Random, channel: Channel) -> int | float:
    """Return a value at an edge, or any: by ``chance``, for each drawn by itself takes hypothesis
    two thirds of the test's time."""
    if channel.type is SampleType.F32:
        any_float: float = struct.unpack("<f", chance.randbytes(4))[0]
        return chance.choice((any_float, chance.choice(ODD)))
    low, high = bounds(channel.type)
    few = [low, high, *(n for n in (0, 1, -1, 255, 256) if low <= n <= high)]
    if channel.missing is not None:
        few.append(int(channel.missing))
    return chance.choice((chance.choice(few), chance.randint(low, high)))


@st.composite
def logs(draw: st.DrawFn) -> bytes:
    """Several boots of several streams, with every kind of trouble a log can be in."""
    records: list[object] = []
    host = draw(st.integers(0, 10**12))
    start = host
    for boot in draw(st.lists(st.integers(0, 2**16 - 1), min_size=1, max_size=3, unique=True)):
        streams = []
        for number in range(draw(st.integers(1, 2))):
            for revision in range(draw(st.integers(1, 2))):
                period = draw(st.sampled_from((0, 1000, 10_000)))
                streams.append(
                    Stream(
                        boot,
                        revision,
                        number,
                        f"s{boot}.{number}.{revision}",
                        period,
                        draw(channels()),
                    )
                )
        sequence = [draw(st.sampled_from((0, 5, 2**32 - 8)))] * 2
        clock = draw(st.integers(0, 2**32 - 1))
        # Names join revisions; distinct ones keep the slow reading simple.
        told = [board(boot, clock), *streams]
        if draw(st.integers(0, 3)) == 0:
            told.pop()  # one stream is never described
        early = draw(st.integers(0, 2))
        records += told if early else []
        for _ in range(draw(st.integers(1, 8))):
            host += draw(st.integers(1, 50_000))
            records.append(time(host))
            stream = draw(st.sampled_from(streams))
            count = draw(st.integers(1, 9)) if stream.period else 1
            chance = random.Random(draw(st.integers(0, 2**32 - 1)))
            rows = [tuple(raw_value(chance, c) for c in stream.channels) for _ in range(count)]
            sequence[stream.stream] += draw(st.sampled_from((0, 0, 0, 3)))
            clock += 10_000 * count
            record = pack(stream, sequence[stream.stream], clock, rows)
            sequence[stream.stream] += count
            records.append(record)
            trouble = draw(st.integers(0, 11))
            if trouble == 0:
                records.append(record)  # the same frame twice
            elif trouble == 1:
                records.append(Foreign(at(host), Fault.DAMAGED, b"\0\1\2noise\0"))
            elif trouble == 2:
                records.append(Unknown(bytes((0x41, 1, 2, 0))))
            elif trouble == 3:
                records.append(draw(st.binary(max_size=30)) + b"\0")
            elif trouble == 4:
                records.append(board(boot, clock, version=(2, 0)))  # another major version
                records.append(record)
                records.append(board(boot, clock))
            elif trouble == 5:
                records.append(pack(stream, sequence[stream.stream], clock, rows[:1]).encode())
                records[-1] = encode_frame(records[-1] + b"x")  # does not fit its stream
            elif trouble == 6 and early:
                records += told  # as a board repeats itself
            elif trouble == 7:
                records.append(Event(boot, 0, clock % 2**32, EventKind.NOTE, 0, 0, "n"))
        records += [] if early == 1 else told
    data = bytearray(log_bytes(records, start, draw(st.booleans())))  # type: ignore[arg-type]
    for _ in range(draw(st.integers(0, 2))):
        place = draw(st.integers(0, len(data) - 1))
        data[place] ^= 1 << draw(st.integers(0, 7))
    return bytes(data[: draw(st.sampled_from((len(data), len(data) - 3)))])


def check(path: Path, data: bytes, block: int) -> None:
    path.write_bytes(data)
    slow = read_slowly(data)
    try:
        with patch(
            "sagline_analyser.load.loader.read_blocks", lambda file: read_blocks(file, block)
        ):
            ride = load_ride(path)
    except SaglineError:
        assert not slow.values
        return
    found = {
        (s.name, key): column.tolist()
        for s in ride.streams.values()
        for key, column in s.values.items()
        if len(column)
    }
    assert found.keys() == slow.values.keys()
    for key, column in slow.values.items():
        stream = ride.streams[key[0]]
        assert len(column) == len(found[key])
        assert all(map(same, found[key], column)), key
        assert all(map(same, stream.raw[key[1]].tolist(), slow.raw[key])), key
        assert stream.segment.tolist() == slow.segment[key[0]]
        assert (stream.time[1:] >= stream.time[:-1]).all()
        flagged = [bool(g) for g in slow.gap[key[0]]]
        assert all(g for g, f in zip(stream.gap, flagged, strict=True) if f)
    assert ride.quality.lost_samples == slow.lost
    assert ride.quality.undescribed_samples == slow.undescribed
    assert ride.quality.damaged_frames == slow.damaged


@settings(
    max_examples=250,
    deadline=None,
    suppress_health_check=list(HealthCheck),
)
@given(data=logs(), block=st.sampled_from((7, 300, 1500, 1 << 20)))
def test_random_logs_read_alike(tmp_path: Path, data: bytes, block: int) -> None:
    check(tmp_path / "log.sagline", data, block)
