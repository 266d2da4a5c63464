"""Naming bytes that are no frames: from bit-level serial lines at other speeds, published framings
(RFC 1662, RFC 1055, Modbus over serial line V1.02, NMEA 0183) and random bytes."""

import random
import struct
from collections import Counter

import pytest

from sagline_logger.format import ByteKind, tell_bytes
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
        (b"v=48.1\n", "v=48.1"),
    ],
)
def test_text_is_named_with_a_line_of_it(sent: bytes, line: str) -> None:
    told = tell_bytes(sent)
    assert told.kind is ByteKind.TEXT
    assert any(line in one for one in told.lines)
    assert told.lines[0][:60] in told.words


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
