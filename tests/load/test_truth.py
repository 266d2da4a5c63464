"""Generated logs whose truth the generator keeps: nothing lost without a count, nothing invented,
nothing at a wrong time, "Nothing lost" only where that is so.

``SAGLINE_EXAMPLES=10000 python -m pytest tests/load/test_truth.py`` tries more of them.
"""

import io
import os
from dataclasses import dataclass, field, replace
from pathlib import Path

from hypothesis import HealthCheck, given, settings
from hypothesis import strategies as st

from sagline_analyser import load_ride
from sagline_logger.capture.listener import Listener
from sagline_logger.format import (
    SIGNATURE,
    Capture,
    Channel,
    FrameSplitter,
    SampleType,
    Stream,
    Time,
    encode_frame,
    read_log,
)
from sagline_logger.verify.survey import survey
from support.logs import at, board, pack

PERIOD = 10_000
STREAM = Stream(1, 0, 0, "fast", PERIOD, (Channel("n", "1", SampleType.U32),))
WIDE = replace(STREAM, revision=1, channels=(*STREAM.channels, Channel("m", "1", SampleType.U8)))
SAME_TIME = 0.002
"""s; the generator's clocks run alike, so this is rounding and the fit."""


@dataclass
class Truth:
    log: bytearray = field(default_factory=bytearray)
    values: list[int] = field(default_factory=list)
    times: list[float] = field(default_factory=list)
    captures: list[int] = field(default_factory=list)
    lost: int = 0
    unheard: int = 0
    repeated: int = 0
    same: int = 0
    segments: int = 0


@st.composite
def logs(draw: st.DrawFn) -> Truth:
    truth = Truth()
    number = 0
    for capture in range(draw(st.integers(1, 3))):
        host = draw(st.integers(0, 10**10))
        truth.log += SIGNATURE + encode_frame(Capture(at(host), "t", "s", "").encode())
        boot, clock = draw(st.integers(0, 3)), draw(st.sampled_from((0, 2**32 - 200_000)))
        for start in range(draw(st.integers(1, 3))):
            same = False
            if start:
                same = draw(st.booleans())
                boot += 0 if same else 1
                clock += draw(st.sampled_from((-5_000_000, 100_000_000)))
            host += draw(st.integers(1, 5_000_000))
            truth.same += same
            truth.segments += 1
            stream = replace(draw(st.sampled_from((STREAM, WIDE))), boot=boot)
            for record in (Time(at(host), 0), board(boot, clock), stream):
                truth.log += encode_frame(record.encode())
            sequence, heard = 0, False
            for _ in range(draw(st.integers(1, 8))):
                count = draw(st.integers(1, 5))
                fate = draw(st.sampled_from(("sent", "sent", "lost", "twice", "silence")))
                if same and not heard:
                    fate = "sent"  # a start under one number shows only while it is behind (§5.7)
                if fate == "silence":
                    missed = draw(st.sampled_from((3, 30_000, 220_000, 1_000_000)))
                    sequence, clock = sequence + missed, clock + missed * PERIOD
                    host += missed * PERIOD
                    truth.lost += missed if heard else 0
                    truth.unheard += 0 if heard or not start else missed
                rows = [(number + n,) + (7,) * (len(stream.channels) - 1) for n in range(count)]
                last = host + (count - 1) * PERIOD
                if fate == "lost":
                    truth.lost += count if heard else 0
                    truth.unheard += 0 if heard or not start else count
                else:
                    frame = encode_frame(pack(stream, sequence, clock, rows).encode())
                    truth.log += encode_frame(Time(at(last), 0).encode()) + frame
                    if fate == "twice":
                        truth.log += frame
                        truth.repeated += 1
                    heard = True
                    truth.values += [row[0] for row in rows]
                    truth.times += [(host + n * PERIOD) / 1e6 for n in range(count)]
                    truth.captures += [capture] * count
                number += count
                sequence, clock, host = sequence + count, clock + count * PERIOD, last + PERIOD
            # What is lost at the end of a start, nobody can know: the generator ends on a record.
            frame = encode_frame(pack(stream, sequence, clock, rows[:1]).encode())
            truth.log += encode_frame(Time(at(host), 0).encode()) + frame
            truth.values.append(rows[0][0])
            truth.times.append(host / 1e6)
            truth.captures.append(capture)
            clock, host = clock + PERIOD, host + PERIOD
    return truth


@settings(
    max_examples=int(os.environ.get("SAGLINE_EXAMPLES", "150")),
    deadline=None,
    suppress_health_check=list(HealthCheck),
)
@given(truth=logs())
def test_no_sample_is_lost_without_a_count_and_none_invented(tmp_path: Path, truth: Truth) -> None:
    path = tmp_path / "log.sagline"
    path.write_bytes(truth.log)
    ride = load_ride(path)
    stream, quality = ride.streams["fast"], ride.quality
    assert stream.values["n"].tolist() == truth.values
    assert sum(quality.lost_samples.values()) == truth.lost
    assert quality.unheard_samples == truth.unheard
    assert quality.repeated_records == truth.repeated
    assert quality.same_number_restarts == truth.same
    assert len(ride.segments) == truth.segments
    assert (stream.time[1:] >= stream.time[:-1]).all()
    for capture in set(truth.captures):  # within a capture every time is right
        own = [n for n, of in enumerate(truth.captures) if of == capture]
        off = [stream.time[n] - truth.times[n] for n in own]
        assert max(off) - min(off) < SAME_TIME
    found = survey(read_log(io.BytesIO(truth.log)), len(truth.log))
    assert found.lost_samples == truth.lost
    assert found.unheard == truth.unheard
    assert sum(count.repeated for count in found.streams.values()) == truth.repeated
    assert sum(count.samples for count in found.streams.values()) == len(truth.values)
    assert found.same_number == truth.same
    assert len(found.boots) == truth.segments
    assert found.whole == (not (truth.lost or truth.unheard or truth.same))


@given(truth=logs())
@settings(max_examples=50, deadline=None, suppress_health_check=list(HealthCheck))
def test_record_counts_alike_while_it_runs(truth: Truth) -> None:
    """Each capture's device frames through what `record` counts with."""
    lost = repeated = starts = 0
    for part in bytes(truth.log).split(SIGNATURE)[1:]:
        listener = Listener()
        starts += 1
        for piece in FrameSplitter().feed(part):
            body = piece.body
            if body is None:
                continue
            if body[0] == Time.KIND:
                listener.host = int.from_bytes(body[1:9], "little")
            if body[0] < 0x80 and not listener.hear(body):
                starts += 1
                listener.new_boot()
                assert listener.hear(body)
        lost, repeated = lost + listener.lost, repeated + listener.repeated
    assert (lost, repeated, starts) == (truth.lost, truth.repeated, truth.segments)
