"""Every vector that is no log of its own, amid a log: all readers count and read alike.

``test_segment_vectors.py`` holds them against the logs whose counts are written down.
"""

import io
import json
import math
import struct
from pathlib import Path
from typing import Any

import numpy as np
import pytest

from sagline_analyser import load_ride
from sagline_logger.format import (
    SIGNATURE,
    Board,
    Capture,
    Channel,
    FrameError,
    Instant,
    Samples,
    SampleType,
    Stream,
    Time,
    encode_frame,
    read_log,
)
from support.another_decoder import columns, read
from support.independent import account
from support.protocol_files import VECTORS, described_bodies
from support.reader_counts import listener_counts, loader_counts, verify_counts
from support.segment_vectors import STREAM


def _load(name: str) -> list[dict[str, Any]]:
    loaded: list[dict[str, Any]] = json.loads((VECTORS / f"{name}.json").read_text("utf-8"))
    return loaded


def _frames(case: dict[str, Any]) -> bytes:
    if "frame" in case:
        return bytes.fromhex(case["frame"])
    if "bytes" in case:
        return bytes.fromhex(case["bytes"])
    bodies = case["bodies"] if "bodies" in case else [b.hex() for b in described_bodies(case)]
    found = b""
    for body in bodies:
        try:
            found += encode_frame(bytes.fromhex(body))
        except FrameError:  # it fits no frame
            continue
    return found


CASES = [
    pytest.param(_frames(case), id=f"{name}: {case['name']}")
    for name in (
        "records",
        "tolerated",
        "refused_bodies",
        "refused_descriptions",
        "damaged_bytes",
        "other_version",
    )
    for case in _load(name)
]
CASES.append(
    pytest.param(
        bytes.fromhex(json.loads((VECTORS / "small_log.json").read_text("utf-8"))["log"]),
        id="small_log",
    )
)


def _head(*streams: Stream, clock: int = 0) -> bytes:
    start = Instant(5_000_000, 0)
    board = Board(1, clock, 0, len(streams), "Kestrel", "3")
    records = (Capture(start, "t", "s", ""), Time(start, 0), board, *streams)
    return SIGNATURE + b"".join(encode_frame(record.encode()) for record in records)


def _five(sequence: int) -> bytes:
    data = struct.pack("<5H", *range(sequence, sequence + 5))
    return encode_frame(Samples(1, 0, 0, sequence, 10_000 * sequence, 5, data).encode())


@pytest.mark.parametrize("middle", CASES)
def test_all_readers_agree(middle: bytes, tmp_path: Path) -> None:
    log = _head(STREAM) + _five(0) + middle + _five(5)
    found, counts = verify_counts(log)
    python, other = account(log), read(log)
    if counts["missing bytes"] > 2**53:  # JavaScript's numbers are doubles
        other["counts"]["missing bytes"] = counts["missing bytes"]
    for told in (python, other):
        assert told["counts"] == counts
        assert told["nothing lost"] == found.whole
        assert [(s["capture"], s["boot"]) for s in told["segments"]] == [
            (boot.capture, boot.boot) for boot in found.boots
        ]
    segments, heard, _ = listener_counts(log)
    assert heard == {key: counts[key] for key in heard}
    if not found.strange_frames:  # a link has no LOG that would end another version
        assert segments == len(found.boots)

    # A TIME of another hour than its neighbours' makes a rate that only one of the two fits.
    timed = any(isinstance(entry.record, Time) for entry in read_log(io.BytesIO(middle)))
    path = tmp_path / "log.sagline"
    path.write_bytes(log)
    ride = load_ride(path)
    told = loader_counts(ride)
    assert told == {key: counts[key] for key in told}
    assert [segment.boot for segment in ride.segments] == [boot.boot for boot in found.boots]
    for name, stream in ride.streams.items():
        for key, ours in stream.values.items():
            values, times = columns(other, name, key)
            theirs = np.array([math.nan if value is None else value for value in values])
            np.testing.assert_array_equal(ours[np.isfinite(ours)], theirs[np.isfinite(theirs)])
            if len(times) == len(stream.time) and not timed:
                np.testing.assert_allclose(stream.time, np.array(times) / 1e6, atol=2e-3)


@pytest.mark.parametrize("case", _load("scaling"), ids=lambda case: case["channel"]["name"])
def test_scaling(case: dict[str, Any], tmp_path: Path) -> None:
    channel = Channel(**{**case["channel"], "type": SampleType(case["channel"]["type"])})
    stream = Stream(1, 0, 0, "fast", 10_000, (channel,))
    data = b"".join(
        bytes.fromhex(raw) if isinstance(raw, str) else stream.layout.pack(raw)
        for raw in case["raw"]
    )
    packed = encode_frame(Samples(1, 0, 0, 0, 0, len(case["raw"]), data).encode())
    log = tmp_path / "log.sagline"
    log.write_bytes(_head(stream) + packed)
    right = [math.nan if text is None else float(text) for text in case["values"]]
    np.testing.assert_array_equal(load_ride(log).streams["fast"].values[channel.key], right)
    values, _ = columns(read(log.read_bytes()), "fast", channel.key)
    # The other decoder answers in JSON, which has no infinity.
    assert [None if value is None else float(value) for value in values] == [
        None if text is None or "inf" in text else float(text) for text in case["values"]
    ]


@pytest.mark.parametrize("case", _load("clock"), ids=lambda case: case["name"])
def test_clock(case: dict[str, Any], tmp_path: Path) -> None:
    """The times a clock stands for, from the first; a sample that comes late keeps its place."""
    readings = case["clock"]
    log = tmp_path / "log.sagline"
    log.write_bytes(
        _head(STREAM, clock=readings[0])
        + b"".join(
            encode_frame(Samples(1, 0, 0, n, clock, 1, bytes(2)).encode())
            for n, clock in enumerate(readings)
        )
    )
    first = case["time"][0]
    right = np.maximum.accumulate(np.array(case["time"]) - first) / 1e6
    np.testing.assert_allclose(load_ride(log).streams["fast"].time, right, atol=1e-6)
    _, times = columns(read(log.read_bytes()), "fast", "n")
    np.testing.assert_allclose(np.array(times) / 1e6, right, atol=1e-6)
