"""What is done ahead or many at a time gives what doing it late and one by one does."""

import gzip
import random
import subprocess
import sys
import zlib
from collections.abc import Callable
from concurrent.futures import ThreadPoolExecutor
from dataclasses import replace
from io import BytesIO
from pathlib import Path

import numpy as np
import pytest
from zlib_ng import zlib_ng

from sagline_analyser import load_ride
from sagline_analyser.load.ahead import Ahead
from sagline_analyser.load.frames import _RETURN, _STRETCH, crc32, read_blocks
from sagline_analyser.load.segments import settle
from sagline_analyser.load.tables import _KNOWN, tabulate
from sagline_logger.format import Channel, SampleType, Stream, encode_frame
from sagline_logger.format.limits import MAX_BODY
from support.logs import board, log_bytes, pack, time

STREAM = Stream(
    3,
    0,
    0,
    "fast",
    10_000,
    (
        Channel("battery_current", "A", SampleType.I16, exponent=-1, missing=-32768),
        Channel("pack_voltage", "V", SampleType.U16, exponent=-2),
        Channel("motor_temperature", "°C", SampleType.F32),
    ),
)


START = [time(1000), board(3), STREAM]
AGAIN = replace(STREAM, boot=4)


def frames(numbers: range, stream: Stream = STREAM) -> list[object]:
    found: list[object] = []
    for n in numbers:
        rows = [(-32768 if i == 4 else n - 90 * i, 4800 - i, n / 7) for i in range(10)]
        found += [time(2000 + 100_000 * n), pack(stream, n * 10, n * 100_000, rows)]
    return found


@pytest.mark.parametrize(
    ("records", "ahead"),
    [  # made by the test itself: every process of a run collects this file
        (lambda: START + frames(range(3000)), True),
        (lambda: START + frames(range(1000)) + frames(range(1003, 3000)), True),  # lost on the way
        # repeated at the end
        (lambda: START + frames(range(3000)) + frames(range(2990, 2995)), False),
        (lambda: START + frames(range(2000)) + [board(4), AGAIN] + frames(range(9), AGAIN), False),
        (lambda: frames(range(2000)) + START + frames(range(2000, 3000)), False),  # described late
    ],
)
@pytest.mark.parametrize("small", [0, 1 << 30])  # bytes; smaller logs have no second thread
def test_columns_filled_while_reading_are_those_filled_afterwards(
    tmp_path: Path,
    monkeypatch: pytest.MonkeyPatch,
    records: Callable[[], list[object]],
    ahead: bool,
    small: int,
) -> None:
    monkeypatch.setattr("sagline_analyser.load.ahead._SMALL", small)
    path, packed = tmp_path / "ride.sagline", tmp_path / "ride.sagline.gz"
    path.write_bytes(log_bytes(records()))  # type: ignore[arg-type]
    packed.write_bytes(gzip.compress(path.read_bytes(), 1))  # its end cannot be looked up
    with ThreadPoolExecutor(1) as worker, path.open("rb") as file:
        filler = Ahead(path, worker)
        tabulate(read_blocks(file, 1 << 15), filler.take)
        rows = {key: filling.rows for key, filling in filler._fillings.items()}
    one, other = load_ride(path).streams["fast"], load_ride(packed).streams["fast"]
    assert (list(rows.values()) == [one.time.size]) == ahead
    for key in one.channels:
        assert one.raw[key].tobytes() == other.raw[key].tobytes()
        assert one.values[key].tobytes() == other.values[key].tobytes()


def test_descriptors_that_come_again_are_told_by_their_bytes() -> None:
    """Block by block they are looked out for; in one block each is decoded by itself."""
    records: list[object] = []
    for boot in range(3, 3 + _KNOWN):  # more descriptors than are looked out for
        own = replace(STREAM, boot=boot)
        for n in range(5):
            first = 9 * (5 * boot + n)  # so that the host's clock runs on
            told = [board(boot, n * 5_000_000), own]
            records += [*told, *frames(range(first, first + 9), own)]
        records += [replace(own, name="other"), replace(board(boot), name=f"board {boot}")]
    # Known by now, and contradicted before it comes again in a segment of its own.
    early = replace(STREAM, boot=3)
    records += [early, board(4), board(3), replace(early, name="other"), early]
    records += [board(2), replace(STREAM, boot=2), board(3, 77)]  # the last one came long before
    data = log_bytes(records)  # type: ignore[arg-type]
    one, other = (tabulate(read_blocks(BytesIO(data), size)) for size in (1 << 12, len(data)))
    assert one.boards.tolist() == other.boards.tolist()
    assert one.boards.size == 6 * _KNOWN + 4
    assert one.descriptors.tolist() == other.descriptors.tolist()
    settled = [settle(tables)[0].described for tables in (one, other)]
    assert list(settled[0].items()) == list(settled[1].items())
    assert settled[0][_KNOWN + 2, STREAM.stream, STREAM.revision].name == "other"
    told = [settle(tables)[1].contradicted for tables in (one, other)]
    assert told == [{"fast", "other"}] * 2
    assert one.boots == other.boots == [*range(3, 3 + _KNOWN), 3, 4, 3, 2, 3]
    assert one.frames == other.frames
    assert one.board is not None and one.board.name == "Kestrel"


def test_a_stream_described_in_two_ways_is_told_once(tmp_path: Path) -> None:
    path = tmp_path / "ride.sagline"
    again = [replace(STREAM, channels=STREAM.channels[::-1])] * 3
    path.write_bytes(log_bytes([*START, *frames(range(3)), *again]))  # type: ignore[arg-type]
    ride = load_ride(path)
    assert [w for w in ride.warnings if "two ways" in w] == [
        "stream 'fast' was described in two ways under one revision; each holds for what follows it"
    ]
    assert ride.streams["fast"].values["pack_voltage"][0] == 48.0


@pytest.mark.parametrize("check", [crc32, zlib.crc32])
def test_frames_checked_together_are_told_from_a_damaged_one_among_them(
    monkeypatch: pytest.MonkeyPatch, check: Callable[[bytes], int]
) -> None:
    monkeypatch.setattr("sagline_analyser.load.frames.crc32", check)
    places = random.Random(2)
    bodies = [places.randbytes(places.choice((1, 30, 300, 3000, MAX_BODY))) for _ in range(300)]
    encoded = [encode_frame(body) for body in bodies]
    damaged = set(places.sample(range(300), 40))
    for n in damaged:
        at = places.randrange(len(encoded[n]) - 1)
        other = places.choice([b for b in range(1, 256) if b != encoded[n][at]])
        encoded[n] = encoded[n][:at] + bytes((other,)) + encoded[n][at + 1 :]
    blocks = list(read_blocks(BytesIO(b"".join(encoded))))
    found = [body for b in blocks for body in b.bodies(np.arange(b.start.size))]
    assert found == [body for n, body in enumerate(bodies) if n not in damaged]


def test_logs_are_read_without_the_faster_checksum() -> None:
    assert crc32 is zlib_ng.crc32
    script = """if True:
        import sys, zlib
        sys.modules["zlib_ng"] = None
        from sagline_analyser.load import frames
        sys.exit(frames.crc32 is not zlib.crc32)
    """
    assert subprocess.run([sys.executable, "-c", script], timeout=60).returncode == 0


def test_a_check_of_many_frames_finds_any_three_wrong_bits() -> None:
    """Bits i, j and k go unnoticed if x^i + x^j + x^k is a multiple of CRC-32's polynomial.

    The shortest such pattern ends 91 639 bits on: 91 607 bits of data and 32 of the CRC
    (P. Koopman, "32-bit cyclic redundancy codes for Internet applications", DSN 2002).
    """
    assert zlib.crc32(_RETURN.to_bytes(4, "little") + bytes(2)) == zlib.crc32(b"") == 0
    power, seen = 1, set()
    for bit in range(8 * (_STRETCH + MAX_BODY + 6)):
        assert bit == 0 or (power != 1 and power ^ 1 not in seen)
        seen.add(power)
        power = (power << 1) ^ (0x104C11DB7 if power >> 31 else 0)
