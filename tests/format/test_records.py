"""Every record comes back as it was written; what breaks the rules is refused both ways."""

import dataclasses
import io

import pytest
from hypothesis import given
from hypothesis import strategies as st

from sagline_logger.format import (
    Board,
    Capture,
    Channel,
    Dropped,
    End,
    Entry,
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
    RecordError,
    Samples,
    SampleType,
    Setting,
    Stream,
    Time,
    Unknown,
    bounds,
    decode_frame,
    decode_record,
    encode_frame,
    read_log,
    vocabulary,
)
from sagline_logger.format.limits import MAX_BODY, MAX_CHANNELS, MAX_FOREIGN, MAX_STREAMS
from sagline_logger.format.records import KINDS
from support.protocol_files import AT, valid_records

u8, u16, u32, u64 = (st.integers(0, 2**bits - 1) for bits in (8, 16, 32, 64))
i32, i64 = (st.integers(-(2 ** (bits - 1)), 2 ** (bits - 1) - 1) for bits in (32, 64))
streams = st.integers(0, MAX_STREAMS - 1)


def texts(limit: int, least: int = 0):
    """Texts of at most ``limit`` bytes of UTF-8 (a character has up to 4)."""
    characters = st.characters(exclude_categories=["Cs"])
    return st.text(characters, min_size=least, max_size=limit // 4)


@st.composite
def channels(draw):
    kind = draw(st.sampled_from(SampleType))
    if kind is SampleType.F32:
        missing = st.floats(width=32, allow_nan=False)
    else:
        missing = st.integers(*bounds(kind))
    return Channel(
        draw(texts(48, least=1)),
        draw(texts(16)),
        kind,
        draw(i32.filter(bool)),
        draw(i32),
        draw(st.integers(-22, 22)),
        draw(u8),
        draw(texts(32)),
        draw(st.none() | missing),
    )


at = st.builds(Instant, u64, i64)
described = st.lists(channels(), min_size=1, max_size=8, unique_by=lambda c: c.key).map(tuple)
RECORDS = {
    Board: st.builds(
        Board,
        u16,
        u32,
        u8,
        st.integers(0, MAX_STREAMS),
        texts(48),
        texts(48),
        st.tuples(st.just(1), u8),
    ),
    Stream: st.builds(Stream, u16, u8, streams, texts(48), u32, described),
    Samples: st.builds(
        Samples, u16, streams, u8, u32, u32, st.integers(1, 255), st.binary(max_size=600)
    ),
    Event: st.builds(
        Event, u16, u32, u32, st.sampled_from(EventKind) | st.integers(4, 255), u16, u8, texts(1024)
    ),
    LogStart: st.builds(LogStart, st.tuples(u8, u8)),
    Capture: st.builds(Capture, at, texts(48), texts(1024), texts(1024)),
    Setting: st.builds(Setting, at, texts(48), texts(1024)),
    FilePart: st.binary(max_size=2048).flatmap(
        lambda data: st.integers(len(data), 65536).flatmap(
            lambda size: st.builds(
                FilePart,
                at,
                texts(48),
                st.just(size),
                st.integers(0, size - len(data)),
                st.just(data),
            )
        )
    ),
    Link: st.builds(Link, at, st.sampled_from(LinkState), texts(1024)),
    Time: st.builds(Time, at, u64),
    Mark: st.builds(Mark, at, u16, texts(1024)),
    Foreign: st.builds(Foreign, at, st.sampled_from(Fault), st.binary(min_size=1, max_size=2048)),
    Raw: st.builds(
        Raw,
        at,
        st.sampled_from(RawForm),
        st.sampled_from(RawUse),
        st.binary(min_size=1, max_size=2048),
    ),
    Dropped: st.builds(Dropped, at, u32, u64, texts(1024)),
    End: st.builds(End, at, u64, u64, texts(1024)),
}


def test_every_kind_is_generated_and_has_a_vector():
    assert set(RECORDS) == set(KINDS.values())
    assert {type(record) for record in valid_records().values()} == {*KINDS.values(), Unknown}


@given(st.one_of(*RECORDS.values()))
def test_round_trip(record):
    frame = encode_frame(record.encode())
    assert decode_record(decode_frame(frame[:-1])) == record
    assert list(read_log(io.BytesIO(frame))) == [Entry(0, len(frame), record)]


@given(st.one_of(*(RECORDS[kind] for kind in KINDS.values() if kind is not LogStart)), st.data())
def test_a_cut_body_is_refused_or_shorter(record, data):
    """No cut inside the fixed fields passes; only the raw data at an end may get shorter."""
    body = record.encode()
    short = body[: data.draw(st.integers(1, len(body) - 1))]
    try:
        found = decode_record(short)
    except RecordError:
        return
    assert isinstance(record, Samples | FilePart | Foreign | Raw)
    assert dataclasses.replace(record, data=found.data) == found


@given(st.integers(0, 255), st.binary(max_size=300))
def test_no_body_is_too_strange(kind, rest):
    """Any sound body gives a record or a RecordError; an accepted one can be written again."""
    try:
        record = decode_record(bytes([kind]) + rest)
    except RecordError:
        return
    if not isinstance(record, Board) or record.version[0] == 1:
        assert decode_record(record.encode()) == record


def test_an_empty_body_is_refused():
    with pytest.raises(RecordError, match="empty"):
        decode_record(b"")


ONE = Channel("c", "V", SampleType.U8)
LONG = "x" * 1025


@pytest.mark.parametrize(
    "record",
    [
        Board(1, 0, 0, MAX_STREAMS + 1, "b"),
        Board(65536, 0, 0, 0, "b"),
        Board(1, 2**32, 0, 0, "b"),
        Board(1, 0, 0, 0, "n" * 49),
        Board(1, 0, 0, 0, "b", "f" * 49),
        Stream(1, 0, MAX_STREAMS, "s", 1, (ONE,)),
        Stream(1, 0, 0, "s", 1, ()),
        Stream(1, 0, 0, "s", 2**32, (ONE,)),
        Stream(1, 0, 0, "n" * 49, 1, (ONE,)),
        Stream(1, 0, 0, "s", 1, (ONE, ONE)),
        Stream(
            1,
            0,
            0,
            "s",
            1,
            (Channel("c_7", "", SampleType.U8), Channel("c", "", SampleType.U8, index=7)),
        ),
        Stream(
            1,
            0,
            0,
            "s",
            1,
            tuple(dataclasses.replace(ONE, index=i) for i in range(MAX_CHANNELS + 1)),
        ),
        Stream(
            1,
            0,
            0,
            "s",
            1,
            tuple(
                Channel("n" * 48, "u" * 16, SampleType.U8, index=i, label="l" * 32)
                for i in range(MAX_CHANNELS)
            ),
        ),
        Samples(1, MAX_STREAMS, 0, 0, 0, 1, b"x"),
        Samples(1, 0, 0, 0, 0, 0, b""),
        Samples(1, 0, 0, 0, 0, 256, b""),
        Samples(1, 0, 0, -1, 0, 1, b"x"),
        Event(1, 0, 0, 256),
        Event(1, 0, 0, EventKind.NOTE, text=LONG),
        Capture(AT, "p" * 49, ""),
        Capture(AT, "", LONG),
        Capture(AT, "", "", LONG),
        Capture(Instant(-1, 0), "", ""),
        Setting(AT, "n" * 49, ""),
        Setting(AT, "n", LONG),
        Setting(AT, "n", "an argument in Latin-1: \udce9"),
        FilePart(AT, "n" * 49, 0, 0, b""),
        FilePart(AT, "b", 65537, 0, b""),
        FilePart(AT, "b", 4096, 0, b"x" * 2049),
        FilePart(AT, "b", 2, 1, b"xy"),
        Link(AT, LinkState.DOWN, LONG),
        Mark(AT, 65536),
        Mark(AT, 1, LONG),
        Foreign(AT, Fault.DAMAGED, b""),
        Foreign(AT, Fault.DAMAGED, b"x" * (MAX_FOREIGN + 1)),
        Raw(AT, RawForm.TEXT, RawUse.READ, b""),
        Raw(AT, RawForm.CAN, RawUse.READ, b"x" * (MAX_FOREIGN + 1)),
        Dropped(AT, 2**32, 0),
        Dropped(AT, 0, 0, LONG),
        End(AT, 0, 0, LONG),
    ],
    ids=lambda record: type(record).__name__,
)
def test_limits_hold_when_writing(record):
    """Reading beyond the limits: the vectors in refused_bodies.json."""
    with pytest.raises(RecordError):
        record.encode()


def test_samples_know_whether_they_fit():
    stream = Stream(1, 0, 0, "s", 1000, (ONE, Channel("d", "V", SampleType.I16)))
    good = Samples(1, 0, 0, 0, 0, 2, b"\1\2\3\4\5\6")
    assert good.rows(stream) == [(1, 0x0302), (4, 0x0605)]
    irregular = dataclasses.replace(stream, period=0)
    for samples, description in (
        (dataclasses.replace(good, data=good.data + b"\0"), stream),
        (dataclasses.replace(good, data=good.data[:-1]), stream),
        (dataclasses.replace(good, count=1), stream),
        (good, irregular),
    ):
        assert not samples.fits(description)
        with pytest.raises(RecordError):
            samples.rows(description)


def test_the_longest_frame_carries_samples():
    data = b"\xff" * (MAX_BODY - 14)
    record = Samples(1, 0, 0, 0, 0, 1, data)
    assert decode_record(decode_frame(encode_frame(record.encode())[:-1])) == record


def test_vocabulary_names_fit_the_format():
    """Every standard name can be sent, in its unit, with the highest index a vehicle may need."""
    for term in vocabulary().values():
        channel = Channel(
            term.name, term.unit, SampleType.I16, index=0 if term.index == "none" else 255
        )
        stream = Stream(1, 0, 0, "s", 1000, (channel,))
        assert decode_record(stream.encode()) == stream
        assert term.group
        assert term.text
