"""Logs inside something else, and bytes that are none: what each is told to be, and why.

gzip: RFC 1952 (members one after another; zeros may pad them); HDLC framing: RFC 1662; SLIP:
RFC 1055; UTF-8: RFC 3629.  Rules of reading: ``protocol_docs/wrapped_logs.md``.
"""

import base64
import gzip
import io
import random
import zlib
from pathlib import Path

import pytest

from sagline_logger.format import (
    ByteKind,
    LogStart,
    SaglineError,
    broken_off,
    encode_frame,
    packed_pieces,
    tell_bytes,
    wrap_in_page,
)
from sagline_logger.format.byte_kinds import LOOKED_AT
from sagline_logger.format.wrapped import BLOCK_START, FREE, MAX_PAGE, MOST, unwrap

LOG = encode_frame(LogStart().encode())
TEXT = bytes(range(1, 251)) * 40
WHERE = Path("a.gz")


def unfolded(data: bytes) -> tuple[bytes, str]:
    file = unwrap(io.BytesIO(data), WHERE)
    return file.read(), broken_off(file)


def refused(data: bytes) -> str:
    with pytest.raises(SaglineError) as problem:
        unfolded(data)
    return str(problem.value)


def page_of(packed: bytes) -> bytes:
    return b"<!doctype html><p>x</p>" + wrap_in_page(packed).encode() + b"<p>after</p>"


def test_what_is_not_wrapped_is_itself():
    file = io.BytesIO(TEXT)
    assert unwrap(file, WHERE) is file and file.tell() == 0
    assert unfolded(b"") == (b"", "") and broken_off(file) == ""


def test_an_archive_reads_as_what_is_in_it():
    packed = gzip.compress(TEXT)
    assert unfolded(packed) == (TEXT, "")
    # Members one after another, zeros between and behind; anything else behind is no part of it.
    assert unfolded(packed + gzip.compress(b"two")) == (TEXT + b"two", "")
    assert unfolded(packed + b"\0" * 9000 + gzip.compress(b"two") + b"\0" * 7) == (
        TEXT + b"two",
        "",
    )
    assert unfolded(packed + b"\x1f") == (TEXT, "") and unfolded(packed + b"behind") == (TEXT, "")
    assert unfolded(gzip.compress(b"") + gzip.compress(b"x")) == (b"x", "")
    big = bytes(range(256)) * 4000
    assert unfolded(gzip.compress(big, 1)) == (big, "")


def test_an_archive_that_is_cut_or_damaged_ends_there():
    data = noise(60_000)
    packed = gzip.compress(data)
    told = "the compressed log ends early; what follows there is not read"
    for cut in (len(packed) - 1, len(packed) - 9, 30_000):
        found, why = unfolded(packed[:cut])
        assert why == told and data.startswith(found) and len(found) > cut - 1000
    spoilt = bytearray(packed)
    spoilt[-5] ^= 0xFF  # in the check sum
    found, why = unfolded(bytes(spoilt))
    assert (found, why) == (data, "the compressed log is damaged; what follows there is not read")
    small = gzip.compress(TEXT)
    spoilt = bytearray(small)
    spoilt[40:60] = b"\xff" * 20
    found, why = unfolded(bytes(spoilt))
    assert TEXT.startswith(found[:1]) and why.startswith("the compressed log ")


def test_where_nothing_can_be_unfolded_it_is_an_error():
    assert refused(gzip.compress(TEXT)[:11]) == (
        "a.gz: the compressed log ends early; what follows there is not read; use the original, or "
        "another copy"
    )
    assert refused(b"\x1f\x8b" + b"\xff" * 50).startswith("a.gz: the compressed log is damaged;")


def test_what_unfolds_out_of_all_proportion_is_stopped():
    bomb = gzip.compress(b"\0" * (FREE * 8))
    assert len(bomb) * MOST + FREE < FREE * 8
    assert refused(bomb) == (
        "a.gz: unfolds more than 100 times, out of all proportion for a log; if you trust it, "
        "unpack it with gzip -d and read that"
    )
    few = gzip.compress(b"\0" * (FREE - 5))  # a short log of a board at rest
    assert len(unfolded(few)[0]) == FREE - 5


def test_an_archived_log_seeks_to_its_start_only():
    file = unwrap(io.BytesIO(gzip.compress(TEXT)), WHERE)
    first = file.read(100)
    assert file.tell() == 100 and file.seekable() and file.readable()
    file.seek(0)
    assert file.read() == TEXT and first == TEXT[:100]
    assert file.seek(0) == 0
    assert file.read(50) == TEXT[:50]
    raw = file.raw
    assert raw.seek(0) == 0
    with pytest.raises(io.UnsupportedOperation, match="an archived log seeks to its start only"):
        raw.seek(5)
    with pytest.raises(io.UnsupportedOperation):
        raw.seek(0, io.SEEK_END)
    with pytest.raises(OSError):
        file.fileno()
    beneath = io.BytesIO(gzip.compress(TEXT))
    with unwrap(beneath, WHERE) as file:
        file.read(1)
    assert beneath.closed and file.closed


def test_a_page_reads_as_the_log_in_it():
    packed = gzip.compress(TEXT)
    assert unfolded(page_of(packed)) == (TEXT, "")
    assert unfolded(b"\xef\xbb\xbf \r\n" + page_of(packed).replace(b"doctype", b"DOCTYPE")) == (
        TEXT,
        "",
    )
    assert wrap_in_page(b"\x1f\x8b") == (
        '<script type="text/plain" id="sagline-log">H4s=</script>\n'
    )
    beneath = io.BytesIO(page_of(packed))
    unwrap(beneath, WHERE).close()
    assert beneath.closed


def test_a_page_that_is_cut_gives_what_is_there():
    packed = gzip.compress(noise(9000))
    page = page_of(packed)
    end = page.index(b"</script>")
    for cut in (1, 2, 3, 4, 1000):
        found, why = unfolded(page[: end - cut])
        assert why == "the compressed log ends early; what follows there is not read"
        assert len(found) > 7000


def test_a_page_without_a_log_is_told_and_one_with_a_damaged_one():
    assert refused(b"<!doctype html><p>nothing</p>") == (
        "a.gz: this page holds no log; only a page written by sagline-analyser share does; give "
        "the log itself"
    )
    told = (
        "a.gz: the log inside this page is damaged (not base64 of gzip); ask the sender for the "
        "file again"
    )
    assert refused(b"<!doctype html>" + BLOCK_START + b"!!!!</script>") == told
    assert refused(b"<!doctype html>" + BLOCK_START + b"AAAA</script>") == told
    assert refused(page_of(gzip.compress(TEXT)).replace(b"H4s", b"H4\xff", 1)) == told
    assert refused(page_of(gzip.compress(TEXT)).replace(b"H4s", b"H4!!s", 1)) == told
    whole = page_of(gzip.compress(TEXT))
    assert unfolded(whole + page_of(gzip.compress(b"another"))) == (TEXT, "")  # the first it is
    assert refused(page_of(b"\x1f\x8b" + b"\xff" * 50)).startswith("a.gz: the compressed log is")
    long = b"<!doctype html>" + BLOCK_START + b"A" * (MAX_PAGE - 10)
    assert refused(long) == (
        "a.gz: the log inside this page does not end within 32 MiB; ask the sender for the file "
        "again"
    )


def test_packing_tells_neither_name_nor_date():
    packed = b"".join(packed_pieces(io.BytesIO(TEXT), chunk=1000))
    assert gzip.decompress(packed) == TEXT
    # RFC 1952 §2.3: flags 0, so no name; the time 0, so none.
    assert packed[:10] == b"\x1f\x8b\x08\x00\x00\x00\x00\x00\x02\x03"
    assert len(b"".join(packed_pieces(io.BytesIO(TEXT), 1))) >= len(packed)
    assert zlib.decompress(packed, 31) == TEXT
    assert base64.b64decode(base64.b64encode(packed)) == packed


def test_how_much_may_unfold_to_the_byte():
    # Once all of the file is read: 4 MiB, and a hundred times what it holds.
    size = FREE
    for _ in range(9):
        size = FREE + MOST * len(gzip.compress(b"\0" * size))
    packed = gzip.compress(b"\0" * size)
    assert len(packed) < 8192 and FREE + MOST * len(packed) == size
    assert len(unfolded(packed)[0]) == size
    more = gzip.compress(b"\0" * (size + 1))
    assert len(more) == len(packed)
    assert "unfolds more than 100 times" in refused(more)


def test_members_stand_wherever_their_first_bytes_fall():
    # RFC 1952 §2.2: members simply follow each other; ours are read in pieces of 8 KiB.
    first, second = gzip.compress(noise(3000)), gzip.compress(b"two")
    for ends in range(8189, 8196):
        zeros = b"\0" * (ends - len(first))
        assert unfolded(first + zeros + second) == (noise(3000) + b"two", "")
        assert unfolded(first + zeros + b"\x1f") == (noise(3000), "")
    assert unfolded(first + second[:-3])[1] == (
        "the compressed log ends early; what follows there is not read"
    )
    found, why = unfolded(first + second[:-8] + b"\xff" * 8 + gzip.compress(b"three"))
    assert (found, why[:29]) == (noise(3000) + b"two", "the compressed log is damaged")


def test_an_archive_that_broke_off_is_read_again_from_its_start():
    packed = gzip.compress(noise(60_000))
    file = unwrap(io.BytesIO(packed[:40_000]), WHERE)
    first = file.read()
    assert broken_off(file).startswith("the compressed log ends early")
    file.seek(0)
    assert broken_off(file) == "" and file.tell() == 0
    assert file.read(10) == first[:10] and broken_off(file) == ""
    assert file.read() == first[10:] and broken_off(file)
    assert noise(60_000).startswith(first) and len(first) > 39_000
    file.close()
    file.close()


def test_bytes_are_given_one_by_one_as_well():
    file = unwrap(io.BytesIO(gzip.compress(TEXT)), WHERE)
    raw, one = file.raw, bytearray(1)
    assert b"".join(bytes(one) for _ in range(300) if raw.readinto(one)) == TEXT[:300]
    assert raw.tell() == 300
    rest = bytearray(20_000)
    got = 0
    while count := raw.readinto(memoryview(rest)[got:]):
        got += count
    assert rest[:got] == TEXT[300:] and raw.tell() == len(TEXT)


def test_how_long_a_page_may_be_and_where_it_begins():
    packed = gzip.compress(TEXT)
    page = page_of(packed)
    full = page + b" " * (MAX_PAGE - len(page))
    assert unfolded(full) == (TEXT, "")
    assert "does not end within 32 MiB" in refused(full + b" ")
    assert unfolded(b" " * (64 - len("<!doctype html")) + page) == (TEXT, "")
    late = b" " * 60 + page  # no page by its first 64 bytes: it is read as it stands
    assert unfolded(late) == (late, "")
    beneath = io.BytesIO(b"<!doctype html><p>nothing</p>")
    with pytest.raises(SaglineError):
        unwrap(beneath, WHERE)
    assert beneath.closed


def test_packing_is_the_closest_unless_asked_and_in_pieces():
    sizes = []

    class Asked(io.BytesIO):
        def read(self, size: int | None = -1) -> bytes:
            sizes.append(size)
            return super().read(size)

    words = b" ".join(b"%d" % (n * n) for n in range(30_000))
    for level in (1, 9):
        closest = zlib.compressobj(level, zlib.DEFLATED, 31)
        expected = closest.compress(words) + closest.flush()
        assert b"".join(packed_pieces(io.BytesIO(words), level)) == expected
    assert b"".join(packed_pieces(Asked(words))) == expected
    assert sizes == [262_144] * (len(words) // 262_144 + 2)


# --- bytes that are no frames ----------------------------------------------------------------


def kind(data: bytes) -> ByteKind:
    return tell_bytes(data).kind


def noise(count: int, seed: int = 3) -> bytes:
    return random.Random(seed).randbytes(count)


PACKET_WORDS = (
    "what looks like packets of another protocol ({}), or the same sent again and again at another "
    "serial speed (--baud)"
)


def test_each_kind_is_told_in_words():
    told = tell_bytes(b"")
    assert (told.kind, told.words, told.lines) == (ByteKind.NOTHING, "no bytes", ())
    told = tell_bytes(noise(9) + b"\0" + LOG + LOG)
    assert (told.kind, told.words) == (ByteKind.FRAMES, "frames of this format, 2 of them whole")
    told = tell_bytes(b"\x80\x91\xa5")
    assert told.words == "only 3 bytes, too few to tell what they are"
    assert told.kind is ByteKind.LITTLE
    assert kind(b"\x80" * 15) is ByteKind.LITTLE
    told = tell_bytes(noise(500))
    assert (told.kind, told.words) == (
        ByteKind.UNKNOWN,
        "neither text nor frames nor packets that come again: another serial speed (--baud), or "
        "another protocol",
    )
    assert kind(b"\xff" * LOOKED_AT + LOG) is not ByteKind.FRAMES  # only so much is looked at
    assert LOOKED_AT == 32_768


def test_text_is_told_with_its_first_whole_lines():
    told = tell_bytes(b"cut\r\nvolts: 48.1\r\n\r\namps: 2\r\nnext li")
    assert told.kind is ByteKind.TEXT and told.lines == ("volts: 48.1", "amps: 2")
    assert told.words == "text, such as “volts: 48.1”"
    assert tell_bytes(b"\n" * 20).words == "text of empty lines"
    told = tell_bytes((b"a" * 70 + b"\n") * 4)
    assert told.words == "text, such as “" + "a" * 60 + "…”"
    assert tell_bytes((b"b" * 60 + b"\n") * 4).words == "text, such as “" + "b" * 60 + "”"
    assert len(tell_bytes(b"x\n" * 40).lines) == 20
    assert tell_bytes(b"one\ntwo\n").lines == ("one", "two")
    assert tell_bytes(b"t=1\n").kind is ByteKind.TEXT
    assert kind(b"t=1") is ByteKind.LITTLE and kind(b"T~1\n") is ByteKind.LITTLE
    assert tell_bytes("größe: 5 µ\n".encode() * 9).lines[0] == "größe: 5 µ"
    assert (
        kind("größe: 5 von 12 Teilen\n".encode("latin-1") * 9) is ByteKind.TEXT
    )  # of an older encoding
    assert kind("温度 12345 abcdef\n".encode() * 9) is ByteKind.TEXT
    assert kind(b"Q~^_|}{QZ" * 20) is not ByteKind.TEXT  # no line ends, and odd signs
    assert kind(b"all small signs without an end of a line") is ByteKind.TEXT
    assert tell_bytes(b"volts \x1b[2Jb\n" * 3).lines[0] == "volts \\x1b[2Jb"


def parity(text: bytes, odd: bool) -> bytes:
    return bytes(b | (0x80 if b.bit_count() % 2 != odd else 0) for b in text)


@pytest.mark.parametrize(("odd", "word"), [(True, "odd"), (False, "even")])
def test_text_with_parity_is_told(odd, word):
    told = tell_bytes(parity(b"cut\nvolts: 48.1\namps: 2\nnext", odd))
    assert told.kind is ByteKind.PARITY_TEXT and told.lines == ("volts: 48.1", "amps: 2")
    assert told.words == (
        f"text of seven data bits with {word} parity; set the board to eight bits without parity"
    )


def test_frames_that_are_all_damaged_are_ours_by_their_shape():
    from sagline_logger.format import Event, EventKind

    one = encode_frame(Event(1, 2, 3, EventKind.NOTE, text="hello there").encode())
    bad = one.replace(b"hello", b"jello")
    told = tell_bytes(bad * 5)
    assert told.kind is ByteKind.BROKEN_FRAMES
    assert told.words == "frames of this format, but every one of them is damaged"
    assert kind(bad * 3) is ByteKind.BROKEN_FRAMES
    assert kind(bad * 2) is not ByteKind.BROKEN_FRAMES  # the first and the last may be cut
    other = (b"\x7f" + bytes([9] * 20) + b"\0") * 3
    assert kind(bad + other + bad * 4) is ByteKind.BROKEN_FRAMES
    assert kind(other * 2) is not ByteKind.BROKEN_FRAMES


def sent_slowly(data: bytes, times: int) -> bytes:
    """What is read of a line sent at a ``times``-th of the speed: a UART's 8N1, low bit first."""
    bits: list[int] = []
    for byte in data:
        bits += [b for b in (0, *(byte >> n & 1 for n in range(8)), 1) for _ in range(times)]
    found, at = [], 0
    while at + 10 <= len(bits):
        if bits[at]:
            at += 1
            continue
        found.append(sum(bits[at + 1 + n] << n for n in range(8)))
        at += 10
        while at < len(bits) and not bits[at] and not bits[at - 1]:
            at += 1
    return bytes(found)


def test_a_line_read_too_fast_is_told():
    told = tell_bytes(sent_slowly(b"volts: 48.1, amps: 2.3\n" * 20, 2))
    assert (told.kind, told.words) == (
        ByteKind.SLOWER,
        "a serial line read too fast: the board sends at half the speed (--baud) or less",
    )
    told = tell_bytes(b"\0" * 16)
    assert (told.kind, told.words) == (
        ByteKind.SLOWER,
        "nothing but zeros: the board sends at a much lower speed (--baud), or its line hangs",
    )
    assert kind(b"\0" * 15) is ByteKind.LITTLE and kind(b"\xff" * 40) is not ByteKind.SLOWER


def test_packets_that_begin_alike_are_told():
    packet = b"\xaa\x55" + bytes([0x91, 0x17])
    data = b"".join(packet + noise(9, n).replace(b"\xaa", b"\xab") for n in range(20))
    told = tell_bytes(data)
    assert (told.kind, told.words[:40]) == (
        ByteKind.PACKETS,
        PACKET_WORDS[:40],
    )
    assert "comes again every 13 bytes" in told.words and told.words.endswith("(--baud)")
    assert kind(data[: 13 * 4]) is not ByteKind.PACKETS  # too few


@pytest.mark.parametrize(("end", "name"), [(b"\x7e", "7E"), (b"\xc0", "C0")])
def test_packets_between_marks_are_told(end, name):
    chance = random.Random(4)
    parts = [
        b"\x10" + noise(chance.randrange(9, 25), n).replace(b"\x7e", b"a").replace(b"\xc0", b"b")
        for n in range(30)
    ]
    told = tell_bytes(end.join([b"", *parts, b""]))
    assert (told.kind, told.words) == (
        ByteKind.PACKETS,
        PACKET_WORDS.format(f"{name} stands between them"),
    )
    unlike = [bytes([n * 7 % 250]) + part[1:] for n, part in enumerate(parts, 130)]
    assert kind(end.join([b"", *unlike, b""])) is ByteKind.UNKNOWN
