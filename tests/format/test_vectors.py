"""The code, the vectors in ``protocol_docs/`` and a second decoder agree.

The second decoder (``independent_decoder.py``) is written from the specification alone.
"""

import importlib.util
import io
import itertools
import json
import math
import re
from pathlib import Path

import pytest
from hypothesis import given, settings
from hypothesis import strategies as st

from sagline_logger.format import (
    Channel,
    ClockUnwrapper,
    Fault,
    FrameSplitter,
    RecordError,
    Samples,
    SampleType,
    Stream,
    Time,
    decode_frame,
    decode_record,
    encode_frame,
    is_host_kind,
    read_log,
)
from support.protocol_files import DOCS, VECTORS, generated_files, named

_spec = importlib.util.spec_from_file_location(
    "independent_decoder", Path(__file__).with_name("independent_decoder.py")
)
assert _spec is not None and _spec.loader is not None
other = importlib.util.module_from_spec(_spec)
_spec.loader.exec_module(other)


def load(name: str):
    return json.loads((VECTORS / f"{name}.json").read_text(encoding="utf-8"))


def cases(name: str):
    return [pytest.param(case, id=case["name"]) for case in load(name)]


def test_the_second_decoder_stands_alone():
    source = Path(__file__).with_name("independent_decoder.py").read_text()
    assert set(re.findall(r"^(?:from|import) (\w+)", source, re.M)) == {"math", "fractions"}


@pytest.mark.parametrize("path", generated_files(), ids=lambda path: path.name)
def test_generated_files_are_up_to_date(path):
    assert path.read_text(encoding="utf-8") == generated_files()[path], (
        "run: python tests/support/protocol_files.py"
    )


@pytest.mark.parametrize("case", [*cases("records"), *cases("tolerated")])
def test_sound_frames(case):
    body, frame = bytes.fromhex(case["body"]), bytes.fromhex(case["frame"])
    assert decode_frame(frame[:-1]) == other.body_of(frame[:-1]) == body
    assert named(decode_record(body)) == other.record(body) == case["is"]


@pytest.mark.parametrize("case", cases("records"))
def test_encoders_give_the_frame(case):
    body, frame = bytes.fromhex(case["body"]), bytes.fromhex(case["frame"])
    assert decode_record(body).encode() == body
    assert encode_frame(body) == frame
    assert other.frame(body) in (frame, frame[:-1] + b"\1\0")  # §3.2: both are right


VERDICTS = {
    Fault.DAMAGED: "damaged",
    Fault.TOO_LONG: "too long",
    Fault.UNFINISHED: "unfinished",
}


def verdict(piece):
    if piece.fault is not None:
        return VERDICTS[piece.fault]
    if piece.body is None:
        return "padding"
    return "host kind" if is_host_kind(piece.body) else "sound"


@pytest.mark.parametrize("slice_size", [1, 7, 5000, 10**6])
@pytest.mark.parametrize("case", cases("damaged_bytes"))
def test_damaged_bytes_off_a_wire(case, slice_size):
    stream = bytes.fromhex(case["bytes"])
    splitter = FrameSplitter()
    pieces = [
        piece
        for at in range(0, len(stream), slice_size)
        for piece in splitter.feed(stream[at : at + slice_size])
    ]
    pieces += splitter.finish()
    assert [[verdict(piece), piece.raw.hex()] for piece in pieces] == case["pieces"]
    assert [[word, raw.hex()] for word, raw, _ in other.pieces(stream)] == case["pieces"]


@pytest.mark.parametrize("case", cases("refused_bodies"))
def test_refused_bodies(case):
    body, frame = bytes.fromhex(case["body"]), bytes.fromhex(case["frame"])
    assert decode_frame(frame[:-1]) == other.body_of(frame[:-1]) == body
    with pytest.raises(RecordError):
        decode_record(body)
    with pytest.raises(other.Refused):
        other.record(body)
    entries = list(read_log(io.BytesIO(frame + encode_frame(b"\x40next"))))
    assert entries[0].record is None
    assert entries[0].problem
    assert entries[1].record is not None


BODIES = [
    bytes.fromhex(case["body"])
    for name in ("records", "tolerated", "refused_bodies")
    for case in load(name)
]


@settings(max_examples=1000)
@given(st.sampled_from(BODIES), st.data())
def test_both_decoders_judge_a_spoilt_body_alike(body, data):
    """Over bodies changed at a few bytes, cut or lengthened: the same record, or both refuse."""
    spoilt = bytearray(body)
    for _ in range(data.draw(st.integers(0, 3))):
        # The first 60 bytes hold the fixed fields: that is where a change tells.
        spoilt[data.draw(st.integers(0, min(len(body), 60) - 1))] = data.draw(st.integers(0, 255))
    spoilt = spoilt[: data.draw(st.integers(1, len(body)) | st.just(len(body)))]
    spoilt += data.draw(st.binary(max_size=4))
    try:
        expected = other.record(bytes(spoilt))
    except other.Refused:
        with pytest.raises(RecordError):
            decode_record(bytes(spoilt))
    else:
        assert named(decode_record(bytes(spoilt))) == expected


@pytest.mark.parametrize("case", cases("other_version"))
def test_other_version(case):
    bodies = [bytes.fromhex(body) for body in case["bodies"]]
    log = io.BytesIO(b"".join(map(encode_frame, bodies)))
    assert [named(entry.record) for entry in read_log(log)] == case["are"]
    assert other.records(bodies) == case["are"]


@pytest.mark.parametrize("case", load("scaling"), ids=lambda case: case["channel"]["name"])
def test_scaling(case):
    """The decimal string itself, read by Python's correctly rounded ``float``, is the source."""
    described = case["channel"]
    channel = Channel(**{**described, "type": SampleType(described["type"])})
    for sent, text in zip(case["raw"], case["values"], strict=True):
        raw = (
            other.binary32(int.from_bytes(bytes.fromhex(sent), "little"))
            if isinstance(sent, str)
            else sent
        )
        ours, theirs = channel.value(raw), other.value(described, raw)
        if text is None:
            assert math.isnan(ours)
            assert theirs is None
        else:
            assert ours == theirs == float(text)


@pytest.mark.parametrize("case", cases("clock"))
def test_clock(case):
    clock = ClockUnwrapper()
    assert [clock.unwrap(reading) for reading in case["clock"]] == case["time"]
    assert other.unwrap(case["clock"]) == case["time"]


def test_received_bytes_are_rebuilt_from_a_log():
    case = load("small_log")
    log, received = bytes.fromhex(case["log"]), bytes.fromhex(case["received"])
    assert other.received(log) == received
    entries = list(read_log(io.BytesIO(log)))
    assert not [entry for entry in entries if entry.problem]
    bodies = [body for _, _, body in other.pieces(log, from_device=False) if body is not None]
    assert [named(entry.record) for entry in entries] == other.records(bodies)
    at = max(i for i, entry in enumerate(entries) if isinstance(entry.record, Time))
    following = entries[at + 1]
    frame = log[following.offset : following.offset + following.size]
    assert received[entries[at].record.position :].startswith(frame)


def test_samples_are_counted_and_unpacked_alike():
    case = load("small_log")
    bodies = [
        body
        for _, _, body in other.pieces(bytes.fromhex(case["log"]), from_device=False)
        if body is not None
    ]
    described = next(r for r in other.records(bodies) if r["record"] == "STREAM")
    stream = next(r for b in bodies if isinstance(r := decode_record(b), Stream))
    packed = [r for r in other.records(bodies) if r["record"] == "SAMPLES"]
    ours = [r for b in bodies if isinstance(r := decode_record(b), Samples)]
    assert len(ours) == 3
    for record, theirs in zip(ours, packed, strict=True):
        assert [list(row) for row in record.rows(stream)] == other.rows(described, theirs)
    losses = [other.lost(a, b) for a, b in itertools.pairwise(packed)]
    assert losses == [0, 2]


# The document itself: its example is decoded, not believed.

EXAMPLE = (DOCS / "frame_format.md").read_text(encoding="utf-8")


def hex_blocks(title: str) -> list[bytes]:
    blocks = re.findall(rf"^```hex {title}\n(.*?)^```", EXAMPLE, re.M | re.S)
    return [bytes.fromhex(re.sub(r"#.*", "", block)) for block in blocks]


def test_worked_example():
    bodies, frames = hex_blocks("body"), hex_blocks("frame")
    assert len(bodies) == 4
    assert list(map(encode_frame, bodies)) == frames
    assert list(map(other.frame, bodies)) == frames
    board, stream, samples, time = map(decode_record, bodies)
    assert (board.name, board.firmware, board.clock) == ("Kestrel", "3", 2_000_000)
    assert samples.fits(stream)
    values = [
        [channel.value(raw) for channel, raw in zip(stream.channels, row, strict=True)]
        for row in samples.rows(stream)
    ]
    assert values[0] == [48.12, -10.5]
    assert math.isnan(values[1][0])
    assert values[1][1] == 255.0
    assert samples.clock + stream.period == 3_010_000
    assert (samples.sequence, time.position) == (100, 0)
    assert f"{other.crc32(bodies[0]):08X}" in EXAMPLE


def test_signature_of_a_log():
    (signature,) = hex_blocks("log")
    log = bytes.fromhex(load("small_log")["log"])
    assert log.startswith(signature)


def test_limits_in_the_document():
    """§8 says what ``limits.py`` says."""
    from sagline_logger.format import limits

    section = EXAMPLE[EXAMPLE.index("## 8 Limits") : EXAMPLE.index("## 9 Damage")].replace(",", "")
    rows = dict(re.findall(r"^\| ([^|]+?) \| ±?(\d+)", section, re.M))
    assert {key.split(":")[0]: int(value) for key, value in rows.items()} == {
        "body": limits.MAX_BODY,
        "encoded frame without the closing zero": limits.MAX_ENCODED,
        "streams": limits.MAX_STREAMS,
        "channels in a stream": limits.MAX_CHANNELS,
        "samples in a record": 255,
        "name": limits.MAX_NAME,
        "unit": limits.MAX_UNIT,
        "label": limits.MAX_LABEL,
        "other texts": limits.MAX_TEXT,
        "attached file": limits.MAX_FILE,
        "foreign bytes in a record": limits.MAX_FOREIGN,
        "exponent": 22,
    }


def test_links_between_the_documents():
    for document in DOCS.glob("*.md"):
        text = document.read_text(encoding="utf-8")
        for target in re.findall(r"\]\((?!http)([^)#]+)", text):
            assert (document.parent / target).exists(), f"{document.name}: {target}"
        anchors = {
            re.sub(r"[^\w\- ]", "", heading.lower()).replace(" ", "-")
            for heading in re.findall(r"^#+ (.*)$", text, re.M)
        }
        assert set(re.findall(r"\]\(#([^)]+)\)", text)) <= anchors
