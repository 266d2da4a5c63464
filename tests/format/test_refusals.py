"""What is refused says which record, which field and which limit, and keeps to the byte.

Kinds, fields and limits: ``protocol_docs/frame_format.md`` §4–§6 and §8; bodies are written here
with ``struct`` from those tables and not by our own writer.
"""

import re
import struct

import pytest

from sagline_logger.format import (
    Board,
    Capture,
    Channel,
    Event,
    EventKind,
    Fault,
    FilePart,
    Foreign,
    Instant,
    Link,
    LinkState,
    Raw,
    RawForm,
    RawUse,
    RecordError,
    SaglineError,
    Samples,
    SampleType,
    Setting,
    Stream,
    bounds,
    decode_record,
)
from sagline_logger.format.errors import printable
from sagline_logger.format.records import KINDS, is_host_kind, name_of
from support.protocol_files import DOCS

AT = Instant(1, 2)
ONE = Channel("c", "V", SampleType.U8)
HEAD = struct.pack("<Qq", 1, 2)  # §6: u64 monotonic, i64 wall clock


def text(word: str, size: int | None = None) -> bytes:
    """§3: a text is its length in bytes, u16, and UTF-8."""
    raw = word.encode()
    return struct.pack("<H", len(raw) if size is None else size) + raw


def channel(name: str = "c", kind: int = 1, multiplier: int = 1, exponent: int = 0) -> bytes:
    """§5.2: name, unit, label, type, index, flags, exponent, multiplier, offset, missing."""
    numbers = struct.pack("<BBBbii4s", kind, 0, 0, exponent, multiplier, 0, b"")
    return text(name) + text("V") + text("") + numbers


def stream(*channels: bytes, number: int = 3) -> bytes:
    return (
        struct.pack("<BBHBIB", 2, number, 7, 1, 1000, len(channels))
        + text("fast")
        + b"".join(channels)
    )


BOARD = struct.pack("<BBBBHIB", 1, 1, 0, 1, 7, 9, 2)
EVENT = struct.pack("<BBHIIHB", 4, 1, 7, 1, 2, 3, 4)

READ = {
    "BOARD: the record ends at byte 5, inside a field": BOARD[:5],
    "BOARD: 17 streams, over the limit of 16": BOARD[:-1] + b"\x11" + text("k") + text(""),
    "BOARD: the board's name has 49 bytes, over its limit of 48": BOARD + text("k" * 49),
    "BOARD: the record ends at byte 15, inside the board's name": BOARD + text("ke", 4),
    "BOARD: the board's name has 40000 bytes, over its limit of 48": BOARD + text("ke", 40000),
    "BOARD: the board's name is not UTF-8": BOARD + b"\1\0\xff" + text(""),
    "BOARD: the firmware's name has 49 bytes, over its limit of 48": (
        BOARD + text("k") + text("f" * 49)
    ),
    "STREAM: stream 16, over the limit of 15": stream(channel(), number=16),
    "STREAM: stream 3 'fast' has 0 channels, outside 1 to 64": stream(),
    "STREAM: stream 3 'fast' has 65 channels, outside 1 to 64": stream(
        *(channel(f"c{n}") for n in range(65))
    ),
    "STREAM: stream 3 'fast', channel 2 of 2: its key 'c' is that of channel 1": stream(
        channel(), channel()
    ),
    "STREAM: stream 3 'fast', channel 2 of 2: channel 'd' has a multiplier of zero": stream(
        channel(), channel("d", multiplier=0)
    ),
    "STREAM: stream 3 'fast', channel 1 of 1: channel 'c' has the exponent 23, not ±22": stream(
        channel(exponent=23)
    ),
    "STREAM: stream 3 'fast', channel 1 of 1: channel 'c' has the exponent -23, not ±22": stream(
        channel(exponent=-23)
    ),
    "STREAM: stream 3 'fast', channel 1 of 1: channel 'c' has the unknown sample type 99": stream(
        channel(kind=99)
    ),
    "STREAM: stream 3 'fast', channel 1 of 1: the channel has no name": stream(channel("")),
    "STREAM: stream 3 'fast', channel 1 of 1: the channel's name has 49 bytes, over its limit of "
    "48": stream(channel("c" * 49)),
    "STREAM: stream 3 'fast', channel 1 of 1: the unit of 'c' has 17 bytes, over its limit of 16": (
        stream(text("c") + text("u" * 17))
    ),
    "STREAM: stream 3 'fast', channel 1 of 1: the label of 'c' has 33 bytes, over its limit of "
    "32": (stream(text("c") + text("") + text("l" * 33))),
    "STREAM: stream 3 'fast', channel 1 of 1: the record ends at byte 36, inside a field": (
        stream(channel()[:-4])
    ),
    "STREAM: the name of stream 3 has 49 bytes, over its limit of 48": (
        struct.pack("<BBHBIB", 2, 3, 7, 1, 1000, 1) + text("n" * 49)
    ),
    "SAMPLES: the record ends at byte 13, inside a field": bytes([3]) + bytes(12),
    "SAMPLES: stream 16, over the limit of 15": struct.pack("<BBHIIBB", 3, 16, 7, 0, 0, 0, 1),
    "SAMPLES: a SAMPLES record without a sample": struct.pack("<BBHIIBB", 3, 0, 7, 0, 0, 0, 0),
    "EVENT: its text has 1025 bytes, over its limit of 1024": EVENT + text("t" * 1025),
    "EVENT: the record ends at byte 20, inside its text": EVENT + text("abc", 4),
    "LOG: a LOG record without its signature": b"\x80SAGLOGS\0\1\0",
    "LOG: the record ends at byte 2, inside a field": b"\x80S",
    "FILE: an attached file of 65537 bytes, over 65536": (
        b"\x83" + HEAD + text("b") + struct.pack("<II", 65537, 0)
    ),
    "FILE: a file part of 2049 bytes, over 2048": (
        b"\x83" + HEAD + text("b") + struct.pack("<II", 4096, 0) + bytes(2049)
    ),
    "FILE: a file part reaches past the end of its file": (
        b"\x83" + HEAD + text("b") + struct.pack("<II", 2, 1) + b"xy"
    ),
}


@pytest.mark.parametrize("line", READ)
def test_a_body_is_refused_in_words(line: str) -> None:
    with pytest.raises(RecordError) as told:
        decode_record(READ[line])
    assert str(told.value) == line


HOST = {
    "LINK: unknown link state 9": b"\x84" + HEAD + b"\x09" + text(""),
    "FOREIGN: unknown reason 9 for foreign bytes": b"\x87" + HEAD + b"\x09x",
    "FOREIGN: 0 foreign bytes, outside 1 to 2048": b"\x87" + HEAD + b"\x01",
    "FOREIGN: 2049 foreign bytes, outside 1 to 2048": b"\x87" + HEAD + b"\x01" + bytes(2049),
    "RAW: 0 raw bytes, outside 1 to 2048": b"\x89" + HEAD + b"\x01\x01",
    "RAW: 2049 raw bytes, outside 1 to 2048": b"\x89" + HEAD + b"\x01\x01" + bytes(2049),
    "RAW: raw bytes of unknown form 9 or use 1": b"\x89" + HEAD + b"\x09\x01x",
    "RAW: raw bytes of unknown form 1 or use 9": b"\x89" + HEAD + b"\x01\x09x",
}

TEXTS = {  # §4 and §6: what stands before a text, its limit, what it is called
    "CAPTURE: the program": (b"\x81" + HEAD, 48),
    "CAPTURE: the source": (b"\x81" + HEAD + text("p"), 1024),
    "CAPTURE: the note": (b"\x81" + HEAD + text("p") + text("s"), 1024),
    "SETTING: the name": (b"\x82" + HEAD, 48),
    "SETTING: the value": (b"\x82" + HEAD + text("n"), 1024),
    "FILE: the name": (b"\x83" + HEAD, 48),
    "LINK: the evidence": (b"\x84" + HEAD + b"\1", 1024),
    "MARK: the text": (b"\x86" + HEAD + b"\1\0", 1024),
    "DROPPED: the reason": (b"\x88" + HEAD + bytes(12), 1024),
    "END: the reason": (b"\x8f" + HEAD + bytes(16), 1024),
}


@pytest.mark.parametrize("line", HOST)
def test_a_host_record_is_refused_in_words(line: str) -> None:
    with pytest.raises(RecordError) as told:
        decode_record(HOST[line])
    assert str(told.value) == line


@pytest.mark.parametrize("what", TEXTS)
def test_a_text_over_its_limit_is_named(what: str) -> None:
    before, limit = TEXTS[what]
    with pytest.raises(RecordError) as told:
        decode_record(before + text("x" * (limit + 1)))
    assert str(told.value) == f"{what} has {limit + 1} bytes, over its limit of {limit}"
    with pytest.raises(RecordError) as told:
        decode_record(before + text("xy", 3))
    whole = len(before) + 4
    assert (
        str(told.value)
        == f"{what.split(':')[0]}: the record ends at byte {whole}, inside "
        + (what.partition(": ")[2])
    )


WRITTEN = {
    "17 streams, over the limit of 16": Board(1, 0, 0, 17, "b"),
    "the board name has 49 bytes, over its limit of 48": Board(1, 0, 0, 0, "n" * 49),
    "the firmware name has 49 bytes, over its limit of 48": Board(1, 0, 0, 0, "n", "f" * 49),
    "the stream name has 49 bytes, over its limit of 48": Stream(1, 0, 0, "n" * 49, 1, (ONE,)),
    "a channel name has 49 bytes, over its limit of 48": Stream(
        1, 0, 0, "s", 1, (Channel("n" * 49, "V", SampleType.U8),)
    ),
    "a unit has 17 bytes, over its limit of 16": Stream(
        1, 0, 0, "s", 1, (Channel("n", "u" * 17, SampleType.U8),)
    ),
    "a label has 33 bytes, over its limit of 32": Stream(
        1, 0, 0, "s", 1, (Channel("n", "V", SampleType.U8, label="l" * 33),)
    ),
    "an event text has 1025 bytes, over its limit of 1024": Event(
        1, 0, 0, EventKind.NOTE, text="t" * 1025
    ),
    "a setting's name has 49 bytes, over its limit of 48": Setting(AT, "n" * 49, ""),
    "a setting's value has 1025 bytes, over its limit of 1024": Setting(AT, "n", "v" * 1025),
    "a setting's value holds bytes that are not UTF-8": Setting(AT, "n", "\udce9"),
    "the program name has 49 bytes, over its limit of 48": Capture(AT, "p" * 49, ""),
    "the source has 1025 bytes, over its limit of 1024": Capture(AT, "", "s" * 1025),
    "the note has 1025 bytes, over its limit of 1024": Capture(AT, "", "", "n" * 1025),
    "the evidence has 1025 bytes, over its limit of 1024": Link(AT, LinkState.DOWN, "e" * 1025),
    "a file name has 49 bytes, over its limit of 48": FilePart(AT, "n" * 49, 0, 0, b""),
    "0 foreign bytes, outside 1 to 2048": Foreign(AT, Fault.DAMAGED, b""),
    "2049 foreign bytes, outside 1 to 2048": Foreign(AT, Fault.DAMAGED, bytes(2049)),
    "0 raw bytes, outside 1 to 2048": Raw(AT, RawForm.TEXT, RawUse.READ, b""),
    "2049 raw bytes, outside 1 to 2048": Raw(AT, RawForm.TEXT, RawUse.READ, bytes(2049)),
}


@pytest.mark.parametrize("line", WRITTEN)
def test_what_cannot_be_written_is_named(line: str) -> None:
    with pytest.raises(RecordError) as told:
        WRITTEN[line].encode()
    assert str(told.value) == line


def test_a_value_that_does_not_fit_says_so() -> None:
    with pytest.raises(RecordError, match=r"^a value does not fit its field: .*65535"):
        Board(65536, 0, 0, 0, "b").encode()


def test_the_longest_description_just_fits() -> None:
    # §8: a body has at most 4092 bytes; a channel takes 22 bytes beside its texts.
    names = [f"{n:02}" + "n" * 20 for n in range(64)]
    head = len(stream()) - len(text("fast")) + len(text("s"))
    left = 4092 - head - sum(22 + len(name) for name in names)
    labels = [min(32, max(0, left - 32 * n)) for n in range(64)]
    channels = tuple(
        Channel(name, "", SampleType.U8, label="l" * size)
        for name, size in zip(names, labels, strict=True)
    )
    assert sum(labels) == left
    assert len(Stream(1, 0, 0, "s", 1, channels).encode()) == 4092
    longer = Stream(1, 0, 0, "st", 1, channels)
    with pytest.raises(RecordError) as told:
        longer.encode()
    assert str(told.value) == "the stream's description has 4093 bytes, over 4092"


def test_samples_that_are_not_those_of_the_stream_say_so() -> None:
    two = Stream(1, 0, 0, "s", 1000, (ONE, Channel("d", "V", SampleType.I16)))
    with pytest.raises(RecordError) as told:
        Samples(1, 0, 0, 0, 0, 2, b"12345").rows(two)
    assert str(told.value) == "5 bytes are not 2 samples of 3 bytes"


def test_the_limits_themselves_are_allowed() -> None:
    # §8: "at most" holds at the limit itself.
    board = Board(1, 0, 0, 16, "n" * 48, "f" * 48)
    assert decode_record(board.encode()) == board
    widest = Channel("n" * 48, "u" * 16, SampleType.U8, exponent=-22, label="l" * 32)
    one = Stream(1, 0, 15, "s", 1, (widest, Channel("e", "", SampleType.U8, exponent=22)))
    assert decode_record(one.encode()) == one
    for record in (
        Event(1, 0, 0, EventKind.NOTE, text="t" * 1024),
        FilePart(AT, "n" * 48, 65536, 65536 - 2048, bytes(2048)),
        Foreign(AT, Fault.DAMAGED, bytes(2048)),
        Raw(AT, RawForm.TEXT, RawUse.READ, bytes(2048)),
        Samples(1, 15, 0, 0, 0, 1, b""),
    ):
        assert decode_record(record.encode()) == record


def test_kinds_have_their_names_of_the_specification() -> None:
    # §4: the table of kinds.
    text = (DOCS / "frame_format.md").read_text(encoding="utf-8")
    table = text.partition("## 4 Record kinds")[2].partition("## 5 ")[0]
    named = {
        int(kind, 16): name
        for kind, name in re.findall(r"^\| ([0-9A-F]{2}) \| ([A-Z]+) \|", table, re.MULTILINE)
    }
    assert {kind: name_of(kind) for kind in KINDS} == named
    assert (name_of(0x41), name_of(0x0A), name_of(0xFE)) == ("kind 41", "kind 0A", "kind FE")
    assert is_host_kind(b"\x80") and is_host_kind(b"\xff") and not is_host_kind(b"\x7f")


def test_an_empty_body_says_so() -> None:
    with pytest.raises(RecordError) as told:
        decode_record(b"")
    assert str(told.value) == "an empty body has no kind"


def test_an_error_is_one_line_that_steers_no_terminal() -> None:
    # ECMA-48: ESC begins a control sequence, CSI is U+009B.
    assert printable("a\x1b[2J\n\x9bä – \ud800") == "a\\x1b[2J\\n\\x9bä – \\ud800"
    plain = SaglineError("is wrong")
    assert (str(plain), plain.what, plain.where, plain.remedy) == ("is wrong", "is wrong", "", "")
    assert plain.more == ()
    whole = SaglineError("is\nwrong", where="a.toml:3", remedy="mend it")
    assert str(whole) == "a.toml:3: is\\nwrong; mend it"
    assert (whole.what, whole.where, whole.remedy) == ("is\nwrong", "a.toml:3", "mend it")
    assert str(SaglineError("x", remedy="y")) == "x; y"


def test_what_each_sample_type_can_hold() -> None:
    # §5.2: whole numbers of 8, 16 and 32 bits, with a sign in two's complement or without.
    wanted = {"U8": (0, 255), "I8": (-128, 127), "U16": (0, 65_535), "I16": (-32_768, 32_767)}
    wanted |= {"U32": (0, 4_294_967_295), "I32": (-2_147_483_648, 2_147_483_647)}
    assert {name: bounds(SampleType[name]) for name in wanted} == wanted
    # A reading never turns into the code for none: the nearest beside it is kept.
    for code, value, raw in ((255, 255.0, 254), (0, 0.0, 1), (7, 7.0, 8), (255, 999.0, 254)):
        assert Channel("c", "", SampleType.U8, missing=code).raw(value) == raw


def test_a_code_for_none_fills_four_bytes_with_zeros_behind_it() -> None:
    # §5.2: the code in the channel's own type, then zeros; NaN is none anyway.
    plain = Stream(1, 0, 0, "s", 1, (Channel("c", "V", SampleType.U8, missing=200),))
    assert plain.encode()[-4:] == b"\xc8\0\0\0"
    floating = Stream(1, 0, 0, "s", 1, (Channel("c", "V", SampleType.F32, missing=2.5),))
    body = floating.encode()[:-4] + struct.pack("<f", float("nan"))
    (read,) = decode_record(body).channels
    assert read.missing is None


def test_bytes_of_a_later_version_are_kept() -> None:
    event = decode_record(EVENT + text("now") + b"later")
    assert (event.text, event.later) == ("now", b"later")
    assert event.encode() == EVENT + text("now") + b"later"
    assert Stream(1, 0, 0, "s", 1, (ONE,)).takes(2, 2) and not Stream(
        1, 0, 0, "s", 0, (ONE,)
    ).takes(2, 2)
