"""CRC, stuffing and the splitter against published examples and a reference library."""

import itertools
import random
import zlib

import cobs.cobs as reference
import pytest
from hypothesis import given
from hypothesis import strategies as st

from sagline_logger.format import Fault, FrameError, FrameSplitter, decode_frame, encode_frame
from sagline_logger.format import cobs as ours
from sagline_logger.format.limits import MAX_BODY, MAX_ENCODED


def test_crc_check_value():
    """Source: the public catalogue of parametrised CRC algorithms (G. Cook), CRC-32/ISO-HDLC.

    check = 0xCBF43926 for "123456789", residue = 0xDEBB20E3 (before the final XOR).
    """
    body = b"123456789"
    frame = encode_frame(body)
    plain = reference.decode(frame[:-1])
    assert plain == body + bytes.fromhex("2639F4CB")
    assert zlib.crc32(plain) ^ 0xFFFFFFFF == 0xDEBB20E3


# S. Cheshire, M. Baker, "Consistent Overhead Byte Stuffing", IEEE/ACM Trans. Networking 7(2), 1999.
# The example is the paper's start of an IPv4 header (from memory); the short cases follow from its
# table of code bytes.  That a full block at the end needs no empty one after it is the habit of
# the ``cobs`` package.
IP_HEADER = (
    "45 00 00 2C 4C 79 00 00 40 06 4F 37",
    "02 45 01 04 2C 4C 79 01 05 40 06 4F 37",
)
PAPER = [
    IP_HEADER,
    ("00", "01 01"),
    ("00 00", "01 01 01"),
    ("11 22 00 33", "03 11 22 02 33"),
    ("11 22 33 44", "05 11 22 33 44"),
    ("11 00 00 00", "02 11 01 01 01"),
    (bytes(range(1, 255)).hex(), "FF" + bytes(range(1, 255)).hex()),
    ("00" + bytes(range(1, 255)).hex(), "01 FF" + bytes(range(1, 255)).hex()),
    (bytes(range(1, 256)).hex(), "FF" + bytes(range(1, 255)).hex() + "02 FF"),
    (bytes(range(2, 256)).hex() + "00", "FF" + bytes(range(2, 256)).hex() + "01 01"),
    (bytes(range(3, 256)).hex() + "00 01", "FE" + bytes(range(3, 256)).hex() + "02 01"),
]


@pytest.mark.parametrize(("plain", "stuffed"), PAPER)
def test_stuffing_of_the_paper(plain, stuffed):
    assert ours.encode(bytes.fromhex(plain)) == bytes.fromhex(stuffed)
    assert ours.decode(bytes.fromhex(stuffed)) == bytes.fromhex(plain)


# Zeros and long runs without one, far more often than uniform bytes would have them.
DATA = st.lists(
    st.one_of(
        st.binary(max_size=300),
        st.integers(1, 520).map(bytes),
        st.builds(lambda byte, n: bytes([byte]) * n, st.integers(1, 255), st.integers(250, 260)),
    ),
    max_size=6,
).map(b"".join)


@given(DATA)
def test_stuffing_like_the_cobs_package(data):
    """Reference: the ``cobs`` package from PyPI, written by others."""
    stuffed = ours.encode(data)
    assert stuffed == reference.encode(data)
    assert ours.decode(stuffed) == reference.decode(stuffed) == data
    assert len(stuffed) <= len(data) + len(data) // 254 + 1  # the paper's bound


@given(st.binary(min_size=1, max_size=600).map(lambda data: data.replace(b"\0", b"\xff")))
def test_unstuffing_anything_like_the_cobs_package(stuffed):
    try:
        expected = reference.decode(stuffed)
    except reference.DecodeError:
        with pytest.raises(FrameError):
            ours.decode(stuffed)
    else:
        assert ours.decode(stuffed) == expected


@pytest.mark.parametrize("stuffed", [b"", b"\x02", b"\x03a", b"\x02a\0", b"\0"])
def test_bad_stuffing_is_refused(stuffed):
    with pytest.raises(FrameError):
        ours.decode(stuffed)


@given(DATA.filter(lambda data: 0 < len(data) <= MAX_BODY))
def test_frames_come_back(body):
    frame = encode_frame(body)
    assert frame.count(0) == 1
    assert frame[-1] == 0
    assert decode_frame(frame[:-1]) == body


def test_body_limits():
    for body in (b"", b"x" * (MAX_BODY + 1)):
        with pytest.raises(FrameError):
            encode_frame(body)
    for body in (b"x" * MAX_BODY, bytes(MAX_BODY)):
        frame = encode_frame(body)
        assert len(frame) <= MAX_ENCODED + 1
        assert decode_frame(frame[:-1]) == body
    long = b"\1" * (MAX_BODY + 1)
    over = reference.encode(long + zlib.crc32(long).to_bytes(4, "little"))
    with pytest.raises(FrameError):
        decode_frame(over)
    # As a run of bytes it may still be no longer than the longest frame: only its body is.
    zeros = reference.encode(
        bytes(MAX_BODY + 1) + zlib.crc32(bytes(MAX_BODY + 1)).to_bytes(4, "little")
    )
    assert len(zeros) <= MAX_ENCODED
    with pytest.raises(FrameError):
        decode_frame(zeros)


PIECE = st.one_of(
    st.binary(min_size=1, max_size=40).map(encode_frame),
    st.binary(max_size=40),
    st.just(b"\0"),
    st.integers(MAX_ENCODED - 2, MAX_ENCODED * 2 + 2).map(lambda n: b"\x07" * n),
)


@given(st.lists(PIECE, max_size=8).map(b"".join), st.lists(st.integers(0, 9000), max_size=12))
def test_slices_do_not_matter(stream, cuts):
    whole = FrameSplitter()
    expected = [*whole.feed(stream), *whole.finish()]
    sliced = FrameSplitter()
    bounds = [0, *sorted(min(cut, len(stream)) for cut in cuts), len(stream)]
    pieces = []
    for start, stop in itertools.pairwise(bounds):
        pieces += sliced.feed(stream[start:stop])
        assert len(sliced._held) <= MAX_ENCODED
    pieces += sliced.finish()
    assert pieces == expected
    assert b"".join(piece.raw for piece in pieces) == stream


def test_a_stream_without_a_delimiter_is_not_held():
    """Noise for ever: nothing is kept back beyond one frame's length, and nothing is lost."""
    noise = random.Random(1)
    splitter = FrameSplitter()
    passed = total = 0
    for _ in range(2000):
        data = bytes(noise.randrange(1, 256) for _ in range(noise.randrange(1, 2000)))
        total += len(data)
        for piece in splitter.feed(data):
            assert piece.fault is Fault.TOO_LONG
            assert piece.body is None
            passed += len(piece.raw)
        assert total - passed <= MAX_ENCODED
    frame = encode_frame(b"\x40found again")
    pieces = [*splitter.feed(b"\0" + frame)]
    assert pieces[0].fault is Fault.TOO_LONG
    assert pieces[1].body == b"\x40found again"


def test_finish_starts_afresh():
    splitter = FrameSplitter()
    frame = encode_frame(b"\x40whole")
    assert splitter.feed(b"\x09" * (MAX_ENCODED + 5))[0].fault is Fault.TOO_LONG
    assert splitter.finish()[0].fault is Fault.TOO_LONG
    assert splitter.finish() == []
    assert splitter.feed(frame)[0].body == b"\x40whole"


@pytest.mark.parametrize(
    ("encoded", "said"),
    [
        (b"", "an empty frame has no code byte"),
        (b"\x03\x11\x00", "a zero byte inside a frame"),
        (b"\x05\x11", "the last block is cut short"),
        (b"\x01" * 5, "too short for a body and a CRC"),
        (b"\x05" + b"\x11" * 4, "too short for a body and a CRC"),
        (b"\x01" * 6, "the CRC does not match"),
        (reference.encode(bytes(MAX_BODY + 5)), f"a body longer than {MAX_BODY} bytes"),
        (b"\x01" * (MAX_ENCODED + 1), f"longer than {MAX_ENCODED} bytes"),
    ],
)
def test_what_is_wrong_with_a_frame_is_told(encoded, said):
    """Each by its own words, which is what a firmware's author has to go by."""
    with pytest.raises(FrameError) as caught:
        decode_frame(encoded)
    assert str(caught.value) == said


@pytest.mark.parametrize("size", [0, MAX_BODY + 1])
def test_a_body_that_no_frame_holds_is_told(size):
    with pytest.raises(FrameError) as caught:
        encode_frame(bytes(size))
    assert str(caught.value) == f"a body of {size} bytes is outside 1 to {MAX_BODY}"


def test_a_full_block_at_the_end_counts_from_the_last_zero():
    """Against the ``cobs`` package: the run's length alone says whether an empty block follows."""
    for plain in (b"\0a\0" + b"x" * 254, b"a\0b\0" + b"x" * 508, b"\0\0" + b"x" * 253):
        assert ours.encode(plain) == reference.encode(plain)


def test_the_longest_stretch_that_may_be_a_frame_is_held_for_its_end():
    """§3 of the format: MAX_ENCODED bytes without a delimiter may still be a frame."""
    splitter = FrameSplitter()
    longest = b"\x01" * MAX_ENCODED
    assert splitter.feed(longest) == []
    assert not splitter.idle
    (piece,) = splitter.feed(b"\0")
    assert (piece.raw, piece.body, piece.fault) == (longest + b"\0", None, Fault.DAMAGED)
    assert splitter.idle
    assert [one.fault for one in splitter.feed(longest + b"\0")] == [Fault.DAMAGED]


def test_why_what_is_left_at_the_end_is_no_frame():
    splitter = FrameSplitter()
    assert splitter.idle
    splitter.feed(b"\x01\x02")
    assert [one.fault for one in splitter.finish()] == [Fault.UNFINISHED]
    assert [one.fault for one in splitter.feed(b"\x01" * (MAX_ENCODED + 1))] == [Fault.TOO_LONG]
    assert [one.fault for one in splitter.finish()] == [Fault.TOO_LONG]
    splitter.feed(b"\x01\x02")  # it starts afresh
    assert [one.fault for one in splitter.finish()] == [Fault.UNFINISHED]
    assert splitter.finish() == [] and splitter.idle
