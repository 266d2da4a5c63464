"""The generated files: test vectors, the tables of channel names and of a board file's keys, and
the lines of a board file's template.

``python tests/support/protocol_files.py`` writes them; the tests say when they are out of date.
"""

import dataclasses
import json
import math
import struct
import sys
import zlib
from decimal import Decimal
from fractions import Fraction
from pathlib import Path
from typing import Any

from sagline_logger.format import (
    SIGNATURE,
    Board,
    Capture,
    Channel,
    ClockUnwrapper,
    Dropped,
    End,
    Event,
    EventKind,
    Fault,
    FilePart,
    Foreign,
    Instant,
    Link,
    LinkState,
    LogStart,
    Mark,
    Raw,
    RawForm,
    RawUse,
    Record,
    Samples,
    SampleType,
    Setting,
    Stream,
    Time,
    Unknown,
    encode_frame,
    vocabulary,
)
from sagline_logger.format.limits import (
    MAX_BODY,
    MAX_CHANNELS,
    MAX_ENCODED,
    MAX_FILE,
    MAX_FILE_PART,
    MAX_FOREIGN,
    MAX_LABEL,
    MAX_NAME,
    MAX_TEXT,
    MAX_UNIT,
)
from sagline_logger.format.records import name_of

sys.path.insert(0, str(Path(__file__).parents[1]))

from support import board_doc
from support.segment_vectors import segments

DOCS = Path(__file__).parents[2] / "protocol_docs"
TEMPLATE = DOCS.parent / "logger" / "sagline_logger" / "board" / "template.toml"
VECTORS = DOCS / "vectors"

AT = Instant(12_345_678_901, 1_767_225_600_000_000)  # wall: 2026-01-01T00:00:00Z
EARLY = Instant(0, -1)
LATE = Instant(2**64 - 1, 2**63 - 1)

VOLTAGE = Channel("pack_voltage", "V", SampleType.U16, exponent=-2, missing=0xFFFF)
CURRENT = Channel("battery_current", "A", SampleType.I16, exponent=-1)
HEAT = Channel(
    "motor_temperature", "°C", SampleType.U8, offset=-40, index=2, label="right", missing=255
)
SPEED = Channel("speed", "m/s", SampleType.F32)
TWO = Stream(1, 0, 0, "fast", 10_000, (VOLTAGE, CURRENT))
EVERY_TYPE = Stream(
    65535,
    255,
    15,
    "every type",
    2**32 - 1,
    tuple(
        Channel(f"x_{kind.name.lower()}", "1", kind, -(2**31), 2**31 - 1, 22, 255)
        for kind in SampleType
    ),
)


def fields(record: Record | Channel) -> dict[str, Any]:
    """Return a record as the field names of the specification and plain JSON values."""
    out: dict[str, Any] = {}
    for item in dataclasses.fields(record):
        if item.name == "later":  # bytes that no field names
            continue
        value = getattr(record, item.name)
        if isinstance(value, Instant):
            out |= {"monotonic": value.monotonic, "wall": value.wall}
        elif isinstance(value, bytes):
            out[item.name] = value.hex()
        elif item.name == "channels":
            out[item.name] = [fields(channel) for channel in value]
        else:
            out[item.name] = list(value) if isinstance(value, tuple) else value
    return out


def named(record: Record) -> dict[str, Any]:
    """Return :func:`fields` with the record's name in front."""
    name = "unknown" if isinstance(record, Unknown) else name_of(record.KIND)
    return {"record": name, **fields(record)}


def valid_records() -> dict[str, Record]:
    """Return one record of every kind and the extremes of each field."""
    run = bytes(range(1, 255))
    return {
        "board": Board(1, 2_000_000, 0, 2, "Kestrel", "kestrel-firmware 3"),
        "board, all fields at their greatest": Board(
            65535, 2**32 - 1, 255, 16, "n" * MAX_NAME, "é" * (MAX_NAME // 2), (1, 255)
        ),
        "board, all fields at their least": Board(0, 0, 0, 0, "", ""),
        "stream of two channels": TWO,
        "stream, irregular, with index, label, offset and missing code": Stream(
            7, 3, 1, "slow", 0, (HEAT, SPEED)
        ),
        "stream of every sample type, all numbers at their extremes": EVERY_TYPE,
        "stream with the most channels": Stream(
            1,
            0,
            2,
            "cells",
            200_000,
            tuple(Channel("c", "", SampleType.U16, index=i) for i in range(1, MAX_CHANNELS + 1)),
        ),
        "stream with the longest texts of a channel": Stream(
            1,
            0,
            3,
            "",
            1,
            (Channel("n" * MAX_NAME, "u" * MAX_UNIT, SampleType.I8, label="l" * MAX_LABEL),),
        ),
        "stream with a missing code in a float channel": Stream(
            1, 0, 4, "air", 1000, (Channel("t", "K", SampleType.F32, missing=-1.5),)
        ),
        "two samples in one record": Samples(
            1, 0, 0, 100, 3_000_000, 2, TWO.layout.pack(4812, -105) + TWO.layout.pack(0xFFFF, 2550)
        ),
        "samples, header at its greatest": Samples(
            65535, 15, 255, 2**32 - 1, 2**32 - 1, 255, b"\0\0" * 255
        ),
        "samples in a body of the greatest length, no zero to stuff": Samples(
            0x0101, 1, 1, 0x01010101, 0x01010101, 1, b"\x55" * (MAX_BODY - 14)
        ),
        "samples all of 0x00": Samples(0, 0, 0, 0, 0, 1, bytes(300)),
        "samples all of 0xFF": Samples(1, 0, 0, 0, 0, 1, b"\xff" * 600),
        "samples with a run of 253": Samples(1, 0, 0, 0, 0, 1, b"\0" + run[:253] + b"\0"),
        "samples with a run of 254": Samples(1, 0, 0, 0, 0, 1, b"\0" + run + b"\0"),
        "samples with a run of 255": Samples(1, 0, 0, 0, 0, 1, b"\0" + run + b"\1\0"),
        "samples with two full blocks": Samples(1, 0, 0, 0, 0, 1, b"\0" + run * 2 + b"\0"),
        "fault": Event(1, 0, 4_000_000, EventKind.FAULT, 17, 2, "right controller too hot"),
        "fault cleared": Event(1, 1, 4_500_000, EventKind.FAULT_CLEARED, 17, 2),
        "note with the longest text": Event(1, 2, 5, EventKind.NOTE, text="x" * MAX_TEXT),
        "event of a code not yet known": Event(1, 3, 6, 200, 65535, 255, "?"),
        "maker's own kind": Unknown(b"\x40\0\1\2"),
        "standard device kind not yet known": Unknown(b"\x3f"),
        "host kind not yet known": Unknown(b"\xff\1\2\3"),
        "kind 0x00, reserved": Unknown(b"\0\0"),
        "log start": LogStart(),
        "capture": Capture(AT, "sagline-logger 0.1.0", "serial port at 115200", "bread run, wet"),
        "capture, texts of many bytes": Capture(EARLY, "", "", "道" * (MAX_TEXT // 3)),
        "setting": Setting(AT, "battery_current_limit", "40 A"),
        "file": FilePart(AT, "board", 5, 0, b"[pack"),
        "file, last part of the longest": FilePart(
            AT, "board", MAX_FILE, MAX_FILE - MAX_FILE_PART, b"\n" * MAX_FILE_PART
        ),
        "file, empty": FilePart(AT, "board", 0, 0, b""),
        "link up": Link(AT, LinkState.UP),
        "link down": Link(AT, LinkState.DOWN, "the port went away"),
        "time": Time(AT, 123_456),
        "time, all fields at their greatest": Time(LATE, 2**64 - 1),
        "mark": Mark(AT, 1, "steep bit"),
        "mark without text": Mark(AT, 65535),
        "foreign bytes": Foreign(AT, Fault.DAMAGED, b"boot ok\r\n\0"),
        "foreign bytes, the most": Foreign(AT, Fault.TOO_LONG, bytes(range(256)) * 8),
        "dropped": Dropped(AT, 812, 173_768, "disk full", 171_340),
        "dropped, from before it told the device's bytes": Dropped(AT, 812, 173_768, "disk full"),
        "raw lines, read": Raw(AT, RawForm.TEXT, RawUse.READ, b"1000,48.12\r\n"),
        "raw line, not read, the most": Raw(AT, RawForm.TEXT, RawUse.NOT_READ, b"x" * MAX_FOREIGN),
        "raw line, cut": Raw(AT, RawForm.TEXT, RawUse.CUT, b"8.12\n"),
        "raw CAN frames, one of 29 bits": Raw(
            AT,
            RawForm.CAN,
            RawUse.READ,
            bytes.fromhex("9cffffff 23010000 02 abcd 00000000 56341292 00".replace(" ", "")),
        ),
        "end": End(AT, 36_000, 10, "stopped by the user"),
    }


def _body_of_strange_channel(**change: Any) -> bytes:
    """A STREAM body of one channel with raw fields that the encoder would refuse."""
    was: dict[str, Any] = {
        "name": b"n",
        "unit": b"V",
        "label": b"",
        "type": 1,
        "index": 0,
        "flags": 0,
        "exponent": 0,
        "multiplier": 1,
        "offset": 0,
        "code": bytes(4),
        "stream": 0,
        "count": 1,
        "copies": 1,
    } | change
    text = b"".join(
        struct.pack("<H", len(was[key])) + was[key] for key in ("name", "unit", "label")
    )
    channel = (
        text
        + struct.pack("<BBBb", *(was[key] for key in ("type", "index", "flags", "exponent")))
        + struct.pack("<ii", was["multiplier"], was["offset"])
        + was["code"]
    )
    head = struct.pack("<BBHBIBH", 2, was["stream"], 1, 0, 1000, was["count"], 0)
    return head + channel * was["copies"]


def damaged_bytes() -> list[dict[str, Any]]:
    """Return byte streams with, per piece of them, what a reader must make of it."""
    body = Event(1, 0, 9, EventKind.NOTE, text="hello").encode()
    frame = encode_frame(body)
    sound = ["sound", frame.hex()]

    def case(name: str, *pieces: tuple[str, bytes] | list[str]) -> dict[str, Any]:
        listed = [
            piece if isinstance(piece, list) else [piece[0], piece[1].hex()] for piece in pieces
        ]
        return {"name": name, "bytes": "".join(piece[1] for piece in listed), "pieces": listed}

    def flipped(at: int, mask: int) -> bytes:
        changed = bytearray(frame)
        changed[at] ^= mask
        return bytes(changed)

    forged = encode_frame(End(AT, 0, 0, "not from the logger").encode())
    text = b"boot ok\r\n" * 500
    longest = b"\x02" * MAX_ENCODED
    return [
        case("one sound frame", sound),
        case(
            "lone delimiters before and between frames",
            ("padding", b"\0"),
            ("padding", b"\0"),
            sound,
            ("padding", b"\0"),
            sound,
        ),
        case("a bit flipped in the data", ("damaged", flipped(2, 4)), sound),
        case("a bit flipped in the first code byte", ("damaged", flipped(0, 8)), sound),
        case("a bit flipped in the CRC", ("damaged", flipped(len(frame) - 2, 128)), sound),
        case("the delimiter lost: both neighbours are", ("damaged", frame[:-1] + frame), sound),
        case(
            "a byte turned into 0x00: two damaged pieces",
            ("damaged", frame[:8] + b"\0"),
            ("damaged", frame[9:]),
            sound,
        ),
        case("joined in the middle of a frame", ("damaged", frame[9:]), sound),
        case("a last block that claims more than there is", ("damaged", b"\x05abc\0"), sound),
        case("stuffed bytes too short for a body and a CRC", ("damaged", b"\x05abcd\0"), sound),
        case("an empty body with its right CRC (0)", ("damaged", b"\1\1\1\1\1\0"), sound),
        case("cut off inside a frame", sound, ("unfinished", frame[:-3])),
        case("cut off just before the delimiter", sound, ("unfinished", frame[:-1])),
        case(
            "the longest run that can be a frame, and is none", ("damaged", longest + b"\0"), sound
        ),
        case(
            "one byte longer than any frame", ("too long", longest), ("too long", b"\x02\0"), sound
        ),
        case(
            "text without any delimiter",
            ("too long", text[:MAX_ENCODED]),
            ("too long", text[MAX_ENCODED:]),
        ),
        case(
            "a host kind claimed by the device: kept as foreign bytes, reason 2",
            ("host kind", forged),
            sound,
        ),
    ]


def refused_bodies() -> dict[str, bytes]:
    """Return bodies of sound frames that break the rules of their kind."""
    board = Board(1, 2, 0, 1, "b").encode()
    event = Event(1, 0, 9, EventKind.NOTE, text="hello").encode()
    samples = Samples(1, 0, 0, 0, 0, 1, b"\1\2").encode()
    head = LogStart().encode()
    link = Link(AT, LinkState.UP).encode()
    strange = _body_of_strange_channel
    return {
        "board cut inside a field": board[:9],
        "board of 17 streams": board[:10] + b"\x11" + board[11:],
        "board name over its limit": board[:11] + b"\x31\0" + b"n" * 49 + b"\0\0",
        "board name longer than the record": board[:11] + b"\x30\0nn",
        "event text not UTF-8": event[:-5] + b"h\xffllo",
        "event text with an overlong UTF-8 zero": event[:-5] + b"hel\xc0\x80",
        "event text over its limit": event[:15] + b"\x01\x04" + b"x" * 1025,
        "samples cut inside the header": samples[:13],
        "samples of stream 16": samples[:1] + b"\x10" + samples[2:],
        "samples of count 0": samples[:13] + b"\0",
        "stream 16": strange(stream=16),
        "stream of no channel": strange(count=0, copies=0),
        "stream of 65 channels": strange(count=65, copies=65, name=b"", unit=b""),
        "stream with fewer channels than it counts": strange(count=2),
        "stream that names a channel twice": strange(count=2, copies=2),
        "channel without a name": strange(name=b""),
        "channel name over its limit": strange(name=b"n" * 49),
        "channel unit over its limit": strange(unit=b"u" * 17),
        "channel label over its limit": strange(label=b"l" * 33),
        "channel of sample type 0": strange(type=0),
        "channel of sample type 8": strange(type=8),
        "channel with a multiplier of 0": strange(multiplier=0),
        "channel with an exponent of 23": strange(exponent=23),
        "channel with an exponent of -23": strange(exponent=-23),
        "log start without its signature": head[:3] + b"?" + head[4:],
        "host record cut inside its clocks": link[:12],
        "link state 3": link[:17] + b"\3\0\0",
        "file part past the end of its file": FilePart(AT, "b", 2, 0, b"xy").encode() + b"z",
        "file over its limit": FilePart(AT, "b", 0, 0, b"").encode()[:-8] + b"\1\0\1\0\0\0\0\0",
        "foreign bytes of reason 0": Foreign(AT, Fault.DAMAGED, b"x").encode()[:17] + b"\0x",
        "foreign bytes of reason 5": Foreign(AT, Fault.DAMAGED, b"x").encode()[:17] + b"\5x",
        "foreign bytes, none": Foreign(AT, Fault.DAMAGED, b"x").encode()[:18],
        "raw of form 0": Raw(AT, RawForm.TEXT, RawUse.READ, b"x").encode()[:17] + b"\0\0x",
        "raw of form 3": Raw(AT, RawForm.TEXT, RawUse.READ, b"x").encode()[:17] + b"\3\0x",
        "raw of use 3": Raw(AT, RawForm.TEXT, RawUse.READ, b"x").encode()[:17] + b"\1\3x",
        "raw, none": Raw(AT, RawForm.TEXT, RawUse.READ, b"x").encode()[:19],
        "raw over its limit": Raw(AT, RawForm.TEXT, RawUse.READ, b"x").encode()[:19]
        + b"x" * (MAX_FOREIGN + 1),
        "foreign bytes over their limit": Foreign(AT, Fault.DAMAGED, b"x").encode()[:18]
        + b"x" * (MAX_FOREIGN + 1),
    }


def refused_descriptions() -> list[dict[str, Any]]:
    """Return descriptors against §5.9: the rule, and the stream and channel (from 0) that break it.

    Texts are bytes in hex, because some are no UTF-8.
    """

    def channel(**change: Any) -> dict[str, Any]:
        was: dict[str, Any] = {
            "name": b"x",
            "unit": b"V",
            "label": b"",
            "type": 3,
            "index": 0,
            "exponent": -2,
            "multiplier": 1,
            "offset": 0,
        } | change
        return {
            key: value.hex() if isinstance(value, bytes) else value for key, value in was.items()
        }

    def stream(*channels: dict[str, Any], name: bytes = b"fast") -> dict[str, Any]:
        return {"name": name.hex(), "period": 10_000, "channels": list(channels)}

    good = channel(name=b"good")
    long = b"n" * 48

    def case(
        name: str, rule: int, *bad: dict[str, Any], at: int | None = 1, called: bytes = b"slow"
    ) -> dict[str, Any]:
        """A sound stream, then one of which the channel ``at`` breaks the rule."""
        streams = [stream(good), stream(good, *bad, name=called)]
        return {"name": name, "rule": rule, "stream": 1, "channel": at, "streams": streams}

    none = case("a stream of no channel", 2, at=None)
    none["streams"][1]["channels"] = []
    return [
        {
            "name": "17 streams",
            "rule": 1,
            "stream": None,
            "channel": None,
            "streams": [stream(good)] * 17,
        },
        none,
        case("a stream of 65 channels", 2, *[channel(index=n) for n in range(64)], at=None),
        case("a channel without a name", 3, channel(name=b"")),
        case("a channel's name one byte over its limit", 4, channel(name=long + b"a")),
        case(
            "two names that are one when cut to the limit",
            4,
            channel(name=long),
            channel(name=long + b"b"),
            at=2,
        ),
        case("a unit one byte over its limit", 4, channel(unit=b"u" * 17)),
        case("a label one byte over its limit", 4, channel(label=b"l" * 33)),
        case("a stream's name one byte over its limit", 4, called=long + b"s", at=None),
        case("a unit in Latin-1", 5, channel(unit=b"\xb0C")),
        case("a label that ends within a character", 5, channel(label=b"gau\xc3")),
        case("a channel's name with half a surrogate pair", 5, channel(name=b"x\xed\xa0\x80")),
        case("a stream's name in Latin-1", 5, called=b"schnell \xfc", at=None),
        case("one name and index twice", 6, channel(name=b"good")),
        case(
            "one key in two ways: x with index 17 and x_17",
            6,
            channel(index=17),
            channel(name=b"x_17"),
            at=2,
        ),
        case("sample type 0", 7, channel(type=0)),
        case("sample type 8", 7, channel(type=8)),
        case("a multiplier of 0", 8, channel(multiplier=0)),
        case("an exponent of 23", 9, channel(exponent=23)),
        case("an exponent of -23", 9, channel(exponent=-23)),
        case(
            "more text than a frame holds",
            10,
            *[channel(name=long[:-4], unit=b"u" * 16, index=n + 1) for n in range(63)],
            at=None,
        ),
    ]


def described_bodies(case: dict[str, Any]) -> list[bytes]:
    """Return the BOARD and STREAM bodies of a case of :func:`refused_descriptions`."""
    bodies = [struct.pack("<BBBBHIBHH", 1, 1, 0, 0, 1, 0, len(case["streams"]), 0, 0)]
    for number, stream in enumerate(case["streams"]):

        def text(words: str) -> bytes:
            return struct.pack("<H", len(words) // 2) + bytes.fromhex(words)

        body = struct.pack("<BBHBIB", 2, number, 1, 0, stream["period"], len(stream["channels"]))
        body += text(stream["name"])
        for c in stream["channels"]:
            body += text(c["name"]) + text(c["unit"]) + text(c["label"])
            body += struct.pack(
                "<BBBbiii", c["type"], c["index"], 0, c["exponent"], c["multiplier"], c["offset"], 0
            )
        bodies.append(body)
    return bodies


def tolerated() -> list[dict[str, Any]]:
    """Return odd but legal frames: what a later minor version adds, and other encoders' habits."""
    board = Board(1, 2, 0, 1, "b", "f", (1, 7))
    event = Event(1, 0, 9, EventKind.NOTE, text="hello")
    link = Link(AT, LinkState.UP, "evidence")
    strange = _body_of_strange_channel(name=b"n", flags=0xFE, code=b"\1\2\3\4")
    channel = Channel("n", "V", SampleType.U8)
    nan = _body_of_strange_channel(type=7, flags=1, code=b"\0\0\xc0\x7f")
    padded = _body_of_strange_channel(type=1, flags=1, code=b"\x7f\1\2\3")

    def case(name: str, record: Record, body: bytes, frame: bytes | None = None) -> dict[str, Any]:
        frame = encode_frame(body) if frame is None else frame
        return {"name": name, "frame": frame.hex(), "body": body.hex(), "is": named(record)}

    # 250 bytes and their CRC, none zero, fill one block: an empty one may follow it.
    full = next(
        body
        for fill in range(1, 256)
        if 0 not in zlib.crc32(body := b"\x40" + bytes([fill]) * 249).to_bytes(4, "little")
    )
    return [
        case("board of a later minor version, with bytes added", board, board.encode() + b"\1\2\3"),
        case("stream with bytes added behind its channels", TWO, TWO.encode() + b"\0new"),
        case("event with bytes added", event, event.encode() + b"\0" * 9),
        case("link with bytes added", link, link.encode() + b"+"),
        case(
            "unknown channel flags, and a code that is not in force",
            Stream(1, 0, 0, "", 1000, (channel,)),
            strange,
        ),
        case(
            "not-a-number as a missing code says nothing new",
            Stream(1, 0, 0, "", 1000, (dataclasses.replace(channel, type=SampleType.F32),)),
            nan,
        ),
        case(
            "bytes behind a short missing code are ignored",
            Stream(1, 0, 0, "", 1000, (dataclasses.replace(channel, missing=127),)),
            padded,
        ),
        case("a full last block", Unknown(full), full),
        case(
            "a full last block, then an empty one, as some encoders end it",
            Unknown(full),
            full,
            encode_frame(full)[:-1] + b"\1\0",
        ),
    ]


def unread() -> list[dict[str, Any]]:
    """Return logs of another major version: what must not be decoded."""
    other = Board(0, 0, 0, 0, "", "", (2, 0))
    samples = Samples(1, 0, 0, 0, 0, 1, b"\1\2").encode()
    later = b"\x01\x02\x00later layout"
    ours = Board(2, 0, 0, 0, "ours").encode()
    return [
        {
            "name": "a device of major version 2, then one of version 1",
            "bodies": [body.hex() for body in (later, samples, ours, samples)],
            "are": [
                named(other),
                named(Unknown(samples)),
                named(Board.decode(ours)),
                named(Samples.decode(samples)),
            ],
        }
    ]


def scalings() -> list[dict[str, Any]]:
    """Return channels with raw samples and the exact decimal each stands for (null: missing)."""
    cases = [
        (VOLTAGE, (0, 1, 4812, 65534, 65535)),
        (CURRENT, (-32768, -105, -1, 0, 3, 32767)),
        (HEAT, (0, 40, 254, 255)),
        (Channel("a", "A", SampleType.I32, 5, -3, -7), (-(2**31), -1, 0, 7, 2**31 - 1)),
        (Channel("b", "Pa", SampleType.U32, 1, 0, 3), (0, 1, 2**32 - 1)),
        (Channel("c", "V", SampleType.I16, -1, 0, -4, missing=-32768), (-32768, -32767, 9)),
        (Channel("d", "1", SampleType.I8, 1, 0, -22), (-128, -3, 127)),
        (Channel("e", "1", SampleType.U8, 1, 0, 22), (0, 3, 255)),
    ]
    # Beyond 2^53 the whole number is rounded first, and of a float each step (§5.4): numbers for
    # which one rounding at the end gives another double.
    stepped = [
        (Channel("f", "1", SampleType.U32, 2147483647, -5, -7), (1, 3088943773, 3557368318)),
        (Channel("g", "1", SampleType.U32, 2000006000, 999, 3), (4033010863, 3671214604)),
        (Channel("h", "1", SampleType.U32, -(2**31), -(2**31), 0), (2**32 - 1, 0)),
        (
            Channel("i", "1", SampleType.F32, 1999999999, 7, 3),
            ("9ad6f037", "b16f7439", "0000807f", "000080ff", "0000c07f", "010000ff"),
        ),
        (  # equal to the code as a number; a zero of either sign plus the offset 0 is 0
            Channel("j", "V", SampleType.F32, 1, 0, -3, missing=1.5),
            ("0000c03f", "0100c03f", "00000080", "01000000"),
        ),
        (Channel("k", "V", SampleType.F32, 2, 1, 0, missing=0.0), ("00000000", "00000080")),
    ]
    out = []
    for channel, raws in cases:
        values = [
            None
            if raw == channel.missing
            else str((Decimal(raw) * channel.multiplier + channel.offset).scaleb(channel.exponent))
            for raw in raws
        ]
        out.append({"channel": fields(channel), "raw": list(raws), "values": values})
    for channel, steps in stepped:
        told = [_by_steps(channel, raw) for raw in steps]
        out.append({"channel": fields(channel), "raw": list(steps), "values": told})
    return out


def _by_steps(channel: Channel, raw: int | str) -> str | None:
    """Return the double that §5.4 gives, in the fewest digits that tell it: every step exact, then
    rounded where that says so."""
    number = struct.unpack("<f", bytes.fromhex(raw))[0] if isinstance(raw, str) else raw
    if number == channel.missing or number != number:
        return None
    if math.isinf(number):
        return repr(number * channel.multiplier)
    product = Fraction(number) * channel.multiplier
    if isinstance(raw, str):
        product = Fraction(float(product))
    whole = float(product + channel.offset)
    return repr(float(Fraction(whole) * Fraction(10) ** channel.exponent))


def clocks() -> list[dict[str, Any]]:
    """Return 32-bit clock readings of one boot and the times they stand for, both in µs."""
    cases: dict[str, list[int]] = {
        "no wrap": [5, 1000, 2_000_000_000],
        "one wrap": [2**32 - 10, 2**32 - 1, 0, 10],
        "two wraps": [2**31, 2**32 - 1, 2**31 - 2, 2**32 - 3, 5],
        "a reading from just before the wrap, delivered after it": [2**32 - 5, 5, 2**32 - 3, 9],
    }
    out = []
    for name, readings in cases.items():
        clock = ClockUnwrapper()
        out.append({"name": name, "clock": readings, "time": [clock.unwrap(r) for r in readings]})
    return out


def small_log() -> tuple[bytes, bytes]:
    """Return a small log of every kind, and the device's byte stream as it was received."""
    board = Board(1, 1_000_000, 0, 1, "Kestrel", "3")
    rows = [TWO.layout.pack(4800 + i, -105 + i) for i in range(8)]
    wire_1 = [encode_frame(record.encode()) for record in (board, TWO)]
    wire_2 = [
        encode_frame(Samples(1, 0, 0, i, 1_000_000 + 10_000 * i, 2, rows[i] + rows[i + 1]).encode())
        for i in (0, 2, 6)
    ]
    fault = encode_frame(Event(1, 0, 1_050_000, EventKind.FAULT, 17, 2, "too hot").encode())
    damaged = bytearray(encode_frame(Samples(1, 0, 0, 4, 1_040_000, 2, rows[4] + rows[5]).encode()))
    damaged[-3] ^= 0x10
    forged = encode_frame(Mark(AT, 1, "forged").encode())

    def later(us: int) -> Instant:
        return Instant(AT.monotonic + us, AT.wall + us)

    def host(record: Record) -> bytes:
        return encode_frame(record.encode())

    first = [b"boot ok\r\n\0", *wire_1, b"\0"]
    second = [*wire_2[:2], bytes(damaged), wire_2[2], forged, fault]
    position = sum(map(len, first))
    log = [
        SIGNATURE,
        host(Capture(AT, "sagline-logger 0.1.0", "serial port at 115200", "bread run")),
        host(Setting(AT, "battery_current_limit", "40 A")),
        host(FilePart(AT, "board", 4, 0, b"[a]\n")),
        host(Link(AT, LinkState.UP)),
        host(Time(later(20_000), 0)),
        host(Foreign(later(20_000), Fault.DAMAGED, first[0])),
        *first[1:],
        host(Time(later(80_000), position)),
        *wire_2[:2],
        host(Foreign(later(80_000), Fault.DAMAGED, bytes(damaged))),
        wire_2[2],
        host(Foreign(later(80_000), Fault.HOST_KIND, forged)),
        fault,
        encode_frame(b"\x40maker"),
        host(Mark(later(90_000), 1, "hill")),
        host(Link(later(99_000), LinkState.DOWN, "stopped")),
        host(End(later(99_000), 7, len(first[0]) + len(damaged) + len(forged), "stopped")),
    ]
    received = b"".join(first + second) + encode_frame(b"\x40maker")
    return b"".join(log), received


def vector_files() -> dict[Path, str]:
    """Return every vector file's path and text."""
    log, received = small_log()
    content: dict[str, Any] = {
        "records": [
            {
                "name": name,
                "is": named(record),
                "body": record.encode().hex(),
                "frame": encode_frame(record.encode()).hex(),
            }
            for name, record in valid_records().items()
        ],
        "damaged_bytes": damaged_bytes(),
        "refused_bodies": [
            {"name": name, "body": body.hex(), "frame": encode_frame(body).hex()}
            for name, body in refused_bodies().items()
        ],
        "refused_descriptions": refused_descriptions(),
        "tolerated": tolerated(),
        "other_version": unread(),
        "scaling": scalings(),
        "clock": clocks(),
        "small_log": {"log": log.hex(), "received": received.hex()},
        "segments": segments(),
    }
    return {
        VECTORS / f"{name}.json": json.dumps(cases, indent=1, ensure_ascii=False) + "\n"
        for name, cases in content.items()
    }


def vocabulary_table() -> str:
    """Return ``protocol_docs/vocabulary.md``."""
    lines = [
        "# Standard channel names",
        "",
        "Made from [vocabulary.toml](vocabulary.toml), the one source; change that file, then run",
        "`python tests/support/protocol_files.py`.  A device may send any other name: it is kept,",
        "drawn and exported, but no finding uses it.  A channel in another unit than the one here",
        "is not the standard channel: scale to this unit in the descriptor.",
        "",
        "| name | unit | index counts | meaning |",
        "| --- | --- | --- | --- |",
    ]
    for term in vocabulary().values():
        meaning = f"{term.text}; {term.sign}" if term.sign else term.text
        index = "–" if term.index == "none" else f"{term.index}, from 1"
        lines.append(f"| `{term.name}` | {term.unit} | {index} | {meaning} |")
    return "\n".join(lines) + "\n"


def generated_files() -> dict[Path, str]:
    """Return every generated file with its text; of some only the tables are made."""
    keys = DOCS / "board_file.md"
    return {
        **vector_files(),
        DOCS / "vocabulary.md": vocabulary_table(),
        keys: board_doc.document(keys.read_text(encoding="utf-8")),
        TEMPLATE: board_doc.template(TEMPLATE.read_text(encoding="utf-8")),
    }


if __name__ == "__main__":
    VECTORS.mkdir(exist_ok=True)
    for path, text in generated_files().items():
        path.write_text(text, encoding="utf-8")
        print(f"{path.relative_to(DOCS.parent)}: {len(text)} characters")
