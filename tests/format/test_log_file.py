"""Logs cut and damaged in every way still open, and never tell a false sample."""

import bisect
import io
import random
import tracemalloc

import pytest

from sagline_logger.format import (
    SIGNATURE,
    Board,
    Event,
    EventKind,
    LogStart,
    SaglineError,
    Samples,
    Unknown,
    check_is_log,
    encode_frame,
    open_log,
    read_log,
)
from support.protocol_files import TWO, small_log


def small_capture(frames: int = 30) -> bytes:
    """A log of one stream, with events and descriptors between the samples."""
    draw = random.Random(7)
    out = [SIGNATURE]
    for i in range(frames):
        if i % 10 == 0:
            out += [Board(1, i, 0, 1, "Kestrel").encode(), TWO.encode()]
        if i % 7 == 6:
            out.append(Event(1, i // 7, i, EventKind.NOTE, text=f"note {i}").encode())
        rows = [
            TWO.layout.pack(4800 + i, draw.randrange(-300, 300))
            for _ in range(draw.randrange(1, 9))
        ]
        out.append(Samples(1, 0, 0, 9 * i, 90_000 * i, len(rows), b"".join(rows)).encode())
    return SIGNATURE + b"".join(map(encode_frame, out[1:]))


def samples(log: bytes) -> list[Samples]:
    return [e.record for e in read_log(io.BytesIO(log)) if isinstance(e.record, Samples)]


def test_cut_at_every_byte(tmp_path):
    """Exactly the samples of the frames complete before the cut, whatever the cut.

    (The analyser's loader has this test of its own.)
    """
    log = small_capture()
    entries = list(read_log(io.BytesIO(log)))
    assert sum(entry.size for entry in entries) == len(log)
    path = tmp_path / "cut.sagline"
    for cut in range(1, len(log) + 1):
        path.write_bytes(log[:cut])
        whole = [e.record for e in entries if e.offset + e.size <= cut]
        if cut < len(SIGNATURE):
            with pytest.raises(SaglineError, match="not a Sagline log"):
                open_log(path)  # no frame at all is left
        else:
            with open_log(path) as file:
                found = list(read_log(file))
            torn = [entry for entry in found if entry.record is None]
            assert [entry.record for entry in found if entry.record is not None] == whole
            assert [entry.problem for entry in torn] == (
                [] if log[cut - 1] == 0 else ["the file ends inside a frame"]
            )


def test_cut_at_the_front(tmp_path):
    log = small_capture(6)
    path = tmp_path / "cut.sagline"
    entries = list(read_log(io.BytesIO(log)))
    for cut in range(entries[-1].offset + 1):
        path.write_bytes(log[cut:])
        whole = [e.record for e in entries if e.offset >= cut]
        with open_log(path) as file:
            assert [e.record for e in read_log(file) if e.record is not None] == whole


def test_a_hundred_thousand_flipped_bits():
    """One random bit flipped at a time: no crash, no altered record accepted.

    A flip can only reach the frame it is in and, through the delimiter, the next.  So the log is
    cut at frames, and for each flip the frame with both its neighbours is read again, which makes
    100,000 flips a matter of seconds; the next test does the same on whole files.
    """
    log = small_capture(300)
    entries = list(read_log(io.BytesIO(log)))
    true = [entry.record for entry in entries]
    frames = [log[entry.offset : entry.offset + entry.size] for entry in entries]
    draw = random.Random(20260101)
    for _ in range(100_000):
        at = draw.randrange(len(log))
        # The entry that holds the byte.
        middle = bisect.bisect_right(entries, at, key=lambda entry: entry.offset) - 1
        near = range(max(middle - 1, 0), min(middle + 2, len(frames)))
        piece = bytearray(b"".join(frames[i] for i in near))
        place = at - entries[near[0]].offset
        piece[place] ^= 1 << draw.randrange(8)
        found = [e.record for e in read_log(io.BytesIO(bytes(piece))) if e.record is not None]
        # The flipped frame is gone; with a lost delimiter its follower, too; all else is as it was.
        last_byte = place == sum(len(frames[i]) for i in near if i <= middle) - 1
        gone = {middle, middle + 1} if last_byte else {middle}
        assert found == [true[i] for i in near if i not in gone]


def test_flipped_bits_in_whole_files():
    """1 to 20 bits of a whole file at once: every sample accepted is a true one, in order."""
    log = small_capture(40)
    true = samples(log)
    draw = random.Random(5)
    for _ in range(300):
        damaged = bytearray(log)
        flips = draw.randrange(1, 21)
        for _ in range(flips):
            damaged[draw.randrange(len(log))] ^= 1 << draw.randrange(8)
        found = samples(bytes(damaged))
        rest = iter(true)
        assert all(record in rest for record in found)  # a subsequence
        assert len(found) >= len(true) - 2 * flips


def test_stretches_lost_or_overwritten():
    """Bad blocks of a card: zeros, 0xFF, noise, or another part of the file in the place."""
    log = small_capture(60)
    true = samples(log)
    draw = random.Random(6)
    for trial in range(200):
        size = draw.randrange(1, 600)
        start = draw.randrange(len(log) - size)
        other = draw.randrange(len(log) - size)
        filling = [bytes(size), b"\xff" * size, draw.randbytes(size), b""][trial % 4]
        found = samples(log[:start] + filling + log[start + size :])
        rest = iter(true)
        assert all(record in rest for record in found)
        moved = samples(log[:start] + log[other : other + size])
        assert all(record in true for record in moved)


def test_chunks_of_a_file_do_not_matter():
    log, _ = small_log()

    class Dribble(io.BytesIO):
        def read(self, size=-1):
            return super().read(min(size, 3) if size > 0 else 3)

    assert list(read_log(Dribble(log))) == list(read_log(io.BytesIO(log)))


UNITS = [bytes(40), b"\xff", b"damaged, over and over\n\0", encode_frame(b"\x40" * 300)]


class Repeated(io.RawIOBase):
    """A file of ``size`` bytes that is never held whole."""

    def __init__(self, unit: bytes, size: int) -> None:
        self.unit, self.left = unit, size

    def read(self, size=-1):
        size = min(size, self.left)
        self.left -= size
        return (self.unit * (size // len(self.unit) + 1))[:size]


@pytest.mark.parametrize("unit", UNITS, ids=["zeros", "no zero", "damaged", "sound"])
def test_a_longer_log_takes_no_more_memory(unit):
    """Whatever a log holds, it is read in bounded memory: three times as long, the same peak."""
    peaks = []
    for size in (1 << 17, 3 << 17):
        tracemalloc.start()
        try:
            total = sum(entry.size for entry in read_log(Repeated(unit, size)))
            peaks.append(tracemalloc.get_traced_memory()[1])
        finally:
            tracemalloc.stop()
        assert total == size
    assert peaks[1] < 1.1 * peaks[0]


def test_a_damaged_start_is_searched_past(tmp_path):
    """A whole erase block lost at the front of the file; the rest is still a log."""
    path = tmp_path / "front.sagline"
    path.write_bytes(b"\xff" * (4 << 20) + b"\0" + small_capture(4))
    with open_log(path) as file:
        assert len([e for e in read_log(file) if isinstance(e.record, Samples)]) == 4


@pytest.mark.parametrize(
    ("content", "words"),
    [
        (b"", "the file is empty"),
        (b"time,voltage\n1,2\n" * 1000, "not a Sagline log"),
        (bytes(10_000), "not a Sagline log"),
        (encode_frame(LogStart((2, 3)).encode()), "written in format version 2.3"),
    ],
)
def test_what_is_no_log_is_told_in_one_line(tmp_path, content, words):
    path = tmp_path / "file.sagline"
    path.write_bytes(content)
    with pytest.raises(SaglineError, match=words) as told:
        open_log(path)
    assert str(path) in str(told.value)
    assert "\n" not in str(told.value)
    with pytest.raises(SaglineError, match=words):
        check_is_log(content, str(path))


def test_what_cannot_be_opened_is_told_in_one_line(tmp_path):
    for path in (tmp_path, tmp_path / "none.sagline"):
        with pytest.raises(SaglineError, match="cannot open the log"):
            open_log(path)


def test_a_strange_first_record_is_still_a_log(tmp_path):
    """A sound LOG frame without the signature must not stop a reader with a traceback."""
    path = tmp_path / "strange.sagline"
    path.write_bytes(encode_frame(b"\x80strange") + small_capture(2))
    with open_log(path) as file:
        entries = list(read_log(file))
    assert entries[0].record is None
    assert len([e for e in entries if isinstance(e.record, Samples)]) == 2


def test_another_major_version_is_kept_and_not_decoded():
    ours, later = Board(1, 0, 0, 1, "a"), b"\x01\x02\x00" + b"whatever comes"
    sample = Samples(1, 0, 0, 0, 0, 1, TWO.layout.pack(1, 2))
    bodies = [later, sample.encode(), b"\x04", ours.encode(), sample.encode()]
    records = [e.record for e in read_log(io.BytesIO(b"".join(map(encode_frame, bodies))))]
    assert records[0].version == (2, 0)
    assert records[1:3] == [Unknown(sample.encode()), Unknown(b"\x04")]
    assert records[3:] == [ours, sample]


def test_what_goes_on_is_the_rest_of_one_damage():
    """A run without a delimiter comes in pieces of the longest frame: they are one damage."""
    sound = encode_frame(LogStart().encode())
    long = b"\x01" * 20_000
    for log, whole in (
        (SIGNATURE + b"\x05\x05\x00" + sound, [False]),
        (b"\x05\x05\x00" + SIGNATURE + b"\x06\x06\x00" + sound, [False, False]),
        (SIGNATURE + long + b"\x00" + b"\x05\x05\x00" + sound, None),
    ):
        damage = [entry for entry in read_log(io.BytesIO(log)) if entry.record is None]
        told = [entry.goes_on for entry in damage]
        if whole is None:
            assert len(told) > 3
            whole = [False, *[True] * (len(told) - 2), False]  # the last ended with its own zero
        assert told == whole
