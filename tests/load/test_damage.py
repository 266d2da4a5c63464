"""Cuts and flipped bits: what is sound is read, what is not is never taken for samples."""

import random
from dataclasses import replace
from pathlib import Path

import numpy as np
import pytest

from sagline_analyser import load_ride
from sagline_logger.format import Channel, SaglineError, SampleType, Stream, encode_frame
from support.logs import board, log_bytes, pack, read_slowly, time

STREAM = Stream(
    3,
    0,
    0,
    "fast",
    10_000,
    (
        Channel("battery_current", "A", SampleType.I16, exponent=-1),
        Channel("pack_voltage", "V", SampleType.U16, exponent=-2),
    ),
)


def capture(frames: int = 6, count: int = 3) -> bytes:
    records = [time(1000), board(3), STREAM]
    for n in range(frames):
        rows = [(n * count + i - 4, 4800 - i) for i in range(count)]
        records += [time(2000 + 30_000 * n), pack(STREAM, n * count, n * count * 10_000, rows)]
    return log_bytes(records)  # type: ignore[arg-type]


@pytest.mark.parametrize("period", [0, 500_000])
@pytest.mark.parametrize("lost", ["does not fit", "was never described"])
def test_a_gap_stands_behind_a_sample_that_cannot_be_read(
    period: int, lost: str, tmp_path: Path
) -> None:
    """Never draw or sum across what is missing (frame_format.md §9), of an irregular stream too."""
    stream = replace(STREAM, period=period)
    records = [time(0), board(3), stream]
    for n in range(8):
        record = pack(stream, n, n * 500_000, [(n, n)])
        if n == 4 and lost == "does not fit":
            record = replace(record, data=record.data + b"!")
        elif n == 4:
            record = replace(record, revision=9)
        records += [time(n * 500_000), record]
    path = tmp_path / "log.sagline"
    path.write_bytes(log_bytes(records))  # type: ignore[arg-type]
    found = load_ride(path).streams["fast"]
    assert found.raw["pack_voltage"].tolist() == [0, 1, 2, 3, 5, 6, 7]
    assert np.flatnonzero(found.gap).tolist() == [4]


def rows(path: Path) -> list[tuple[int, int]]:
    stream = load_ride(path).streams.get("fast")
    if stream is None:
        return []
    return list(zip(*(column.tolist() for column in stream.raw.values()), strict=True))


def test_a_log_cut_anywhere_gives_the_samples_of_the_whole_frames_before_the_cut(
    tmp_path: Path,
) -> None:
    data = capture()
    path = tmp_path / "cut.sagline"
    ends = [n + 1 for n, byte in enumerate(data) if byte == 0]
    whole = []
    for cut in range(len(data) + 1):
        path.write_bytes(data[:cut])
        sound = data[: max((end for end in ends if end <= cut), default=0)]
        expected = read_slowly(sound).raw
        try:
            found = rows(path)
        except SaglineError as problem:
            assert "\n" not in str(problem)
            assert not expected
            continue
        columns = [expected.get(("fast", c.key), []) for c in STREAM.channels]
        assert found == list(zip(*columns, strict=True))
        whole.append(len(found))
    assert sorted(set(whole)) == [0, 3, 6, 9, 12, 15, 18]


def test_no_flipped_bit_alters_a_sample(tmp_path: Path) -> None:
    data = capture()
    path = tmp_path / "flip.sagline"
    path.write_bytes(data)
    sound = set(rows(path))
    places = random.Random(1)
    for _ in range(1500):
        bit = places.randrange(8 * len(data))
        changed = bytearray(data)
        changed[bit // 8] ^= 1 << bit % 8
        path.write_bytes(changed)
        try:
            found = rows(path)
        except SaglineError:
            continue  # the one descriptor was hit
        assert set(found) <= sound
        assert len(found) >= len(sound) - 6  # a hit delimiter costs two frames of three


@pytest.mark.parametrize(
    ("data", "said"),
    [
        (b"", "the file is empty"),
        (b"time,volts\n1,48\n" * 400, "not a Sagline log"),
        (log_bytes([]), "nothing from a board"),
        (log_bytes([time(1), pack(STREAM, 0, 0, [(1, 2)])]), "without a descriptor"),
        (log_bytes([time(1), board(3, version=(2, 1))]), "version 2.1"),
    ],
)
def test_what_cannot_be_loaded_is_said_in_one_line(tmp_path: Path, data: bytes, said: str) -> None:
    path = tmp_path / "log.sagline"
    path.write_bytes(data)
    with pytest.raises(SaglineError, match=said) as caught:
        load_ride(path)
    assert str(path) in str(caught.value)
    assert "\n" not in str(caught.value)


def test_a_missing_file_is_said_in_one_line(tmp_path: Path) -> None:
    with pytest.raises(SaglineError, match="cannot open the log"):
        load_ride(tmp_path / "none.sagline")


def test_a_block_boundary_loses_nothing(tmp_path: Path) -> None:
    """Frames across the reader's 1 MiB blocks, an overlong run and a run of zeros among them."""
    frames = []
    for n in range(2600):
        part = [(i % 30_000, n) for i in range(n * 100, n * 100 + 100)]
        frames += [time(1000 * n), pack(STREAM, n * 100, n * 1_000_000, part)]
    records = [board(3), STREAM, *frames[:2600], b"\x55" * 1_500_000, b"\0" * 5000, *frames[2600:]]
    path = tmp_path / "long.sagline"
    path.write_bytes(log_bytes(records))  # type: ignore[arg-type]
    assert path.stat().st_size > 2_500_000
    ride = load_ride(path)
    slow = read_slowly(path.read_bytes())
    stream = ride.streams["fast"]
    for key, column in stream.raw.items():
        assert column.tolist() == slow.raw["fast", key]
    assert ride.quality.damaged_frames == slow.damaged == 2  # the run of zeros is one
    assert ride.quality.lost_samples == slow.lost


def test_a_descriptor_that_changes_keeps_every_value(tmp_path: Path) -> None:
    """Another scale and a new channel after a restart: values join, raw samples stay exact."""
    again = Stream(
        4,
        0,
        0,
        "fast",
        10_000,
        (
            Channel("battery_current", "A", SampleType.I32, exponent=-3),
            Channel("pack_voltage", "V", SampleType.U16, exponent=-2),
            Channel("throttle", "1", SampleType.U8, exponent=-2),
        ),
    )
    records = [time(1), board(3), STREAM, pack(STREAM, 0, 0, [(105, 4800)])]
    records += [time(9_000_000), board(4), again, pack(again, 0, 0, [(10_501, 4700, 50)])]
    path = tmp_path / "log.sagline"
    path.write_bytes(log_bytes(records))  # type: ignore[arg-type]
    stream = load_ride(path).streams["fast"]
    assert stream.values["battery_current"].tolist() == [10.5, 10.501]
    assert stream.raw["battery_current"].tolist() == [10.5, 10.501]
    assert stream.channels["battery_current"].value(10.501) == 10.501
    assert stream.raw["pack_voltage"].tolist() == [4800, 4700]
    throttle = stream.values["throttle"].tolist()
    assert throttle[0] != throttle[0] and throttle[1] == 0.5


def test_a_device_cannot_make_memory_grow_by_claims(tmp_path: Path) -> None:
    """A record that claims 255 samples and holds none is refused, not allocated for."""
    body = pack(STREAM, 0, 0, [(1, 2)]).encode()
    liar = body[:13] + b"\xff" + body[14:]
    path = tmp_path / "log.sagline"
    path.write_bytes(log_bytes([board(3), STREAM, encode_frame(liar)]))
    ride = load_ride(path)
    assert ride.streams["fast"].time.size == 0
    assert any("of another form than" in line for line in ride.warnings)
