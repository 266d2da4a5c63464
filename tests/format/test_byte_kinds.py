"""Naming bytes that are no frames: from bit-level serial lines at other speeds, published framings
(RFC 1662, RFC 1055, Modbus over serial line V1.02, NMEA 0183) and random bytes."""

import random
import struct
from collections import Counter

import pytest

from sagline_logger.format import ByteKind, cobs, tell_bytes
from sagline_logger.format.byte_kinds import LOOKED_AT
from support.frames import Device
from support.uart import received

SPEEDS = (9600, 19200, 57600, 115200, 921600)


def text(lines: int = 25, seed: int = 1) -> bytes:
    rng = random.Random(seed)
    return b"".join(
        b"%d,%.2f,%.1f,%.1f\r\n" % (n * 100, rng.gauss(48, 1), rng.gauss(10, 5), rng.gauss(30, 1))
        for n in range(lines)
    )


def frames() -> bytes:
    return b"".join(Device().run(60))


def modbus() -> bytes:
    """Replies of sixteen registers as Modbus RTU puts them on a line, CRC-16 and all."""
    out, rng = b"", random.Random(2)
    for _ in range(60):
        body = bytes((17, 3, 32)) + struct.pack(">16H", *(rng.randrange(4000) for _ in range(16)))
        crc = 0xFFFF
        for byte in body:
            crc ^= byte
            for _ in range(8):
                crc = crc >> 1 ^ (0xA001 if crc & 1 else 0)
        out += body + crc.to_bytes(2, "little")
    return out


def stuffed(end: bytes, escape: dict[bytes, bytes]) -> bytes:
    """Packets of changing length between ends, as RFC 1662 and RFC 1055 put them on a line."""
    out, rng = b"", random.Random(3)
    for _ in range(60):
        packet = b"\xff\x03" + rng.randbytes(rng.randrange(10, 40))
        for plain, shown in escape.items():
            packet = packet.replace(plain, shown)
        out += end + packet
    return out + end


def test_our_frames_and_nothing() -> None:
    assert tell_bytes(frames()).kind is ByteKind.FRAMES
    assert tell_bytes(b"boot\r\n\0" + frames()[:200]).kind is ByteKind.FRAMES
    assert tell_bytes(b"").kind is ByteKind.NOTHING
    assert tell_bytes(b"\x91\x02\xf3").kind is ByteKind.LITTLE


def test_frames_with_every_one_damaged() -> None:
    rng = random.Random(4)
    whole = [bytearray(frame) for frame in frames().split(b"\0")[:-1]]
    for frame in whole:
        at = rng.randrange(len(frame) // 2, len(frame))
        frame[at] = frame[at] % 255 + 1  # another byte, and never a zero
    assert tell_bytes(b"\0".join(map(bytes, whole))).kind is ByteKind.BROKEN_FRAMES


@pytest.mark.parametrize(
    ("sent", "line"),
    [
        (text(), "48."),
        (text().replace(b"\r\n", b"\n"), ","),
        (text().replace(b"\r\n", b"\r"), ","),
        (b'{"v": 48.2, "i": 3.1}\n' * 5, '{"v": 48.2, "i": 3.1}'),
        # The published example sentence of NMEA 0183's GGA, from memory.
        (b"$GPGGA,123519,4807.038,N,01131.000,E,1,08,0.9,545.4,M,46.9,M,,*47\r\n" * 4, "$GPGGA"),
        ("Température 31.5 °C\n".encode() * 5, "Température 31.5 °C"),
        ("temp 31.5 °C\n".encode("cp1252") * 5, "temp 31.5"),
        ("напряжение батареи и ток\r\n".encode() * 20, "напряжение"),
        ("電池電圧と電流を測定中\n".encode() * 20, "電池電圧"),
        (b"v=48.1\n", "v=48.1"),
    ],
)
def test_text_is_named_with_a_line_of_it(sent: bytes, line: str) -> None:
    told = tell_bytes(sent)
    assert told.kind is ByteKind.TEXT
    assert any(line in one for one in told.lines)
    assert told.lines[0][:60] in told.words


def test_a_damaged_text_in_another_script_is_no_longer_told_as_one() -> None:
    text = bytearray("напряжение батареи и ток\r\n".encode() * 20)
    for at in range(0, len(text), 10):
        text[at] ^= 0x20
    assert tell_bytes(bytes(text)).kind is not ByteKind.TEXT


def test_what_steers_a_terminal_is_not_in_the_words() -> None:
    told = tell_bytes(b"\x1b[2J48.1,3.2,10.0,9,9,9,9,9,9,9,9,9,9,9,9\r\n" * 5)
    assert told.kind is ByteKind.TEXT and "\x1b" not in told.words + "".join(told.lines)


@pytest.mark.parametrize("odd", [0, 1])
def test_text_with_a_parity_bit(odd: int) -> None:
    told = tell_bytes(bytes(b | (b.bit_count() + odd) % 2 << 7 for b in text()))
    assert told.kind is ByteKind.PARITY_TEXT
    assert ("odd" if odd else "even") in told.words and "," in told.lines[0]


@pytest.mark.parametrize("idle", [(0,), (3, 0, 7, 1)])
@pytest.mark.parametrize("sort", ["text", "frames", "modbus"])
def test_a_line_at_every_pair_of_speeds(sort: str, idle: tuple[int, ...]) -> None:
    data = {"text": text, "frames": frames, "modbus": modbus}[sort]()
    told: Counter[ByteKind] = Counter()
    for sent in SPEEDS:
        for read in SPEEDS:
            came = received(data, sent, read, idle=idle)
            kind = tell_bytes(came).kind
            if sent == read:
                right = {"text": ByteKind.TEXT, "frames": ByteKind.FRAMES}
                assert kind is right.get(sort, ByteKind.PACKETS)
            elif read >= 2 * sent:
                assert kind is ByteKind.SLOWER, (sent, read)
            elif came:
                # Never taken for what it is not; what it is cannot always be told.
                told[kind] += 1
    assert set(told) <= {ByteKind.UNKNOWN, ByteKind.PACKETS, ByteKind.LITTLE, ByteKind.SLOWER}


def test_published_framings_are_packets() -> None:
    hdlc = stuffed(b"\x7e", {b"\x7d": b"\x7d\x5d", b"\x7e": b"\x7d\x5e"})
    slip = stuffed(b"\xc0", {b"\xdb": b"\xdb\xdd", b"\xc0": b"\xdb\xdc"})
    assert "7E" in tell_bytes(hdlc).words and "C0" in tell_bytes(slip).words
    assert {tell_bytes(one).kind for one in (hdlc, slip, modbus())} == {ByteKind.PACKETS}
    assert "11 03" in tell_bytes(modbus()).words and "37 bytes" in tell_bytes(modbus()).words


def test_random_bytes_are_nothing_that_is_known() -> None:
    rng = random.Random(5)
    sizes = [*range(16, 200, 8), 1000, 4000, 40_000] * 5
    told = Counter(tell_bytes(rng.randbytes(size)).kind for size in sizes)
    assert told == {ByteKind.UNKNOWN: len(sizes)}


@pytest.mark.parametrize(
    ("sent", "kind"),
    [
        # Sixteen bytes are enough to tell text by its signs, fewer only by a line's end.
        (b"v=48.1, i=3.2 ok", ByteKind.TEXT),
        (b"v=48.1, i=3.2 o", ByteKind.LITTLE),
        (b"v=48.1, i=3.2\n", ByteKind.TEXT),
        (b"v=48.1, i=3.2\r", ByteKind.TEXT),
        (b"V=48.1\n", ByteKind.LITTLE),  # so short, and a sign that values seldom hold
        # Without an end seven signs in ten must be those of values and words.
        (b"aaaaaaaaaaaaaa######", ByteKind.TEXT),
        (b"aaaaaaaaaaaaa#######", ByteKind.UNKNOWN),
        ("".join(f"ток {n / 10:.1f} {n} А\n" for n in range(480, 490)).encode(), ByteKind.TEXT),
        (b"\0" * 16, ByteKind.SLOWER),
        (b"\0" * 15, ByteKind.LITTLE),
        (b"\0" * 31 + b"\xff", ByteKind.UNKNOWN),  # a line that is pulled now and then
    ],
)
def test_how_much_of_what_makes_a_kind(sent: bytes, kind: ByteKind) -> None:
    assert tell_bytes(sent).kind is kind


def test_one_byte_in_ten_of_a_text_may_be_damage() -> None:
    sent = text()
    assert tell_bytes(sent + b"\x91" * (len(sent) // 9 - 1)).kind is ByteKind.TEXT
    assert tell_bytes(sent + b"\x91" * (len(sent) // 9 + 2)).kind is not ByteKind.TEXT


def test_the_words_and_lines_of_a_text() -> None:
    def told(sent: bytes) -> tuple[str, tuple[str, ...]]:
        found = tell_bytes(sent)
        return found.words, found.lines

    assert told(b"\r\n" * 10) == ("text of empty lines", ())
    # The first and the last of several may be cut, of two both are shown.
    assert told(b"cut\nwhole\n") == ("text, such as “cut”", ("cut", "whole"))
    assert told(b"cut\nwhole\r\nnext\rlast") == ("text, such as “whole”", ("whole", "next"))
    assert told(b"cut\n  spaced  \n\nlast\n")[1] == ("spaced", "last")
    lines = told(b"".join(b"line %d\n" % n for n in range(40)))[1]
    assert lines == tuple(f"line {n}" for n in range(1, 21))
    whole, longer = b"v" * 60, b"v" * 61
    assert told(whole + b"\n") == (f"text, such as “{'v' * 60}”", ("v" * 60,))
    assert told(longer + b"\n") == (f"text, such as “{'v' * 60}…”", ("v" * 61,))


def test_no_more_than_the_first_bytes_are_looked_at() -> None:
    noise = random.Random(6).randbytes(40_000)
    line = b"v=48.1,i=3.2,t=31.50\r\n"
    assert tell_bytes(line * (LOOKED_AT // len(line) + 1) + noise).kind is ByteKind.TEXT
    assert tell_bytes(noise[:LOOKED_AT] + frames()).kind is ByteKind.UNKNOWN
    count = frames().count(b"\0")
    assert tell_bytes(frames()).words == f"frames of this format, {count} of them whole"


def test_parity_is_of_nearly_every_byte_and_of_enough_of_them() -> None:
    even = bytes(b | b.bit_count() % 2 << 7 for b in b"v=48.1,i=3.2,t=31.50\r\n" * 5)
    told = tell_bytes(even)
    assert told.kind is ByteKind.PARITY_TEXT
    assert told.lines == ("v=48.1,i=3.2,t=31.50",) * 4  # the first may be cut
    assert told.words == (
        "text of seven data bits with even parity; set the board to eight bits without parity"
    )
    assert tell_bytes(even[:15]).kind is ByteKind.LITTLE
    spoilt = bytearray(even)
    for at in range(0, 12 * 4, 4):  # more than one byte in thirty of the other parity
        spoilt[at] ^= 0x80
    assert tell_bytes(bytes(spoilt)).kind is not ByteKind.PARITY_TEXT


def shaped(body: bytes) -> bytes:
    """A piece as a frame has it between zeros, with a body that no CRC belongs to."""
    return cobs.encode(body)


def test_ours_by_their_shape() -> None:
    noise = random.Random(7).randbytes
    ours = [shaped(bytes([kind]) + noise(30)) for kind in (1, 2, 3, 4)]

    def kind(*pieces: bytes) -> ByteKind:
        return tell_bytes(b"\0" + b"\0".join(pieces) + b"\0").kind

    broken = ByteKind.BROKEN_FRAMES
    other = [shaped(bytes([200 + n]) + noise(30)) for n in range(4)]
    assert kind(*ours) is broken and kind(*ours[:2]) is broken
    assert kind(ours[0]) is not broken  # one alone may be chance
    assert kind(*ours[:2], *other[:2]) is broken  # half of the pieces
    assert kind(*ours[:2], *other[:3]) is not broken
    assert kind(*(shaped(bytes([3]) + noise(14)) for _ in range(4))) is broken  # of 16 bytes
    assert kind(*(shaped(bytes([3]) + noise(13)) for _ in range(4))) is not broken
    assert kind(*(shaped(bytes([5]) + noise(30)) for _ in range(4))) is not broken


def test_a_line_read_too_fast_has_no_bit_alone() -> None:
    doubled = bytes([0x33, 0xCC, 0x0F, 0xF0, 0x3C, 0xC3, 0x30, 0xFC, 0x87, 0x66])
    some = bytes(random.Random(8).choices(doubled, k=100))
    alone = b"\x55"
    assert tell_bytes(some).kind is ByteKind.SLOWER
    assert "half the speed (--baud) or less" in tell_bytes(some).words
    assert tell_bytes(some[:98] + 2 * alone).kind is ByteKind.SLOWER  # two in a hundred
    assert tell_bytes(some[:97] + 3 * alone).kind is ByteKind.UNKNOWN
    assert tell_bytes(some[:32]).kind is ByteKind.SLOWER
    assert tell_bytes(some[:31]).kind is ByteKind.UNKNOWN


def packets(
    step: int, count: int, head: bytes = b"\xa5\x5a", lead: int = 0, tail: int = 0
) -> bytes:
    noise = random.Random(step + count)

    def other(size: int) -> bytes:
        return bytes(noise.choices([b for b in range(1, 255) if b not in head], k=size))

    return (
        other(lead) + b"".join(head + other(step - len(head)) for _ in range(count)) + other(tail)
    )


def test_a_start_that_comes_again_is_of_packets() -> None:
    told = tell_bytes(packets(20, 6))
    assert told.kind is ByteKind.PACKETS
    assert "(A5 5A comes again every 20 bytes)" in told.words and "(--baud)" in told.words
    assert tell_bytes(packets(20, 5)).kind is ByteKind.PACKETS
    assert tell_bytes(packets(20, 4)).kind is ByteKind.UNKNOWN
    assert "every 300 bytes" in tell_bytes(packets(300, 8)).words
    assert tell_bytes(packets(301, 8)).kind is ByteKind.UNKNOWN
    assert tell_bytes(packets(12, 5)).kind is ByteKind.UNKNOWN  # 60 bytes are too few
    # They have to go on through seven tenths of what came.
    assert tell_bytes(packets(20, 10, lead=56)).kind is ByteKind.PACKETS
    assert tell_bytes(packets(20, 10, lead=30, tail=28)).kind is ByteKind.UNKNOWN
    # And four steps in five are alike.
    assert tell_bytes(packets(20, 9) + packets(24, 2)).kind is ByteKind.PACKETS
    assert tell_bytes(packets(20, 6) + packets(24, 3) + packets(27, 2)).kind is ByteKind.UNKNOWN
    assert tell_bytes(packets(20, 8, head=b"\xff\xff")).kind is ByteKind.UNKNOWN


def test_marks_between_packets_that_begin_alike() -> None:
    noise = random.Random(9)

    def between(mark: bytes, heads: list[int]) -> bytes:
        plain = [b for b in range(1, 255) if b not in mark and b not in (0xFF, 0x7E, 0xC0)]
        parts = [bytes([one, *noise.choices(plain, k=noise.randrange(12, 40))]) for one in heads]
        return mark + mark.join(parts) + mark

    for mark, name in ((b"\x7e", "7E"), (b"\xc0", "C0")):
        assert f"({name} stands between them)" in tell_bytes(between(mark, [3] * 9)).words
    assert tell_bytes(between(b"\x7e", [3] * 6 + [4, 5, 6, 7])).kind is ByteKind.PACKETS
    assert tell_bytes(between(b"\x7e", [3] * 5 + [4, 5, 6, 7, 8])).kind is ByteKind.UNKNOWN
    assert tell_bytes(between(b"\x7e", [3] * 4)).kind is ByteKind.UNKNOWN
    assert tell_bytes(between(b"\x7f", [3] * 9)).kind is ByteKind.UNKNOWN
