"""The verify command on logs whose faults are known because they were put there."""

import json
from collections.abc import Callable
from pathlib import Path
from typing import Any

import pytest

from sagline_analyser import load_ride
from sagline_logger.capture.listener import Listener
from sagline_logger.cli import main
from sagline_logger.format import (
    SIGNATURE,
    Board,
    Capture,
    Dropped,
    End,
    Event,
    EventKind,
    Fault,
    Foreign,
    FrameError,
    HostRecord,
    Instant,
    Link,
    LinkState,
    Mark,
    SaglineError,
    Samples,
    Time,
    encode_frame,
)
from sagline_logger.format.limits import MAX_BODY
from support.capture import command
from support.frames import PERIOD, Device
from support.protocol_files import VECTORS, described_bodies

HEAD = SIGNATURE + encode_frame(Capture(Instant(0, 0), "test", "serial x", "").encode())


def host(record: HostRecord) -> bytes:
    return encode_frame(record.encode())


END = host(End(Instant(20_000_000, 0), 0, 0, "stopped by SIGINT"))


Verify = Callable[..., tuple[int, dict[str, Any], str]]


@pytest.fixture
def verify(tmp_path: Path, capsys: pytest.CaptureFixture[str]) -> Verify:
    """Give a function: (exit status, JSON report, text report) of a log made of the parts."""

    def run(*parts: bytes, strict: bool = False) -> tuple[int, dict[str, Any], str]:
        log = tmp_path / "some.sagline"
        log.write_bytes(b"".join(parts))
        words = ["verify", str(log), *(["--strict"] if strict else [])]
        status = main(words)
        text = capsys.readouterr()
        assert text.err == ""
        assert main([*words, "--json"]) == status
        return status, json.loads(capsys.readouterr().out), text.out

    return run


def test_a_whole_log(verify: Verify) -> None:
    device = Device()
    status, data, text = verify(HEAD, *device.run(40), device.fault(), END, strict=True)
    assert status == 0
    assert text.endswith("Nothing lost.\n")
    assert "200 samples in 40 frames, 0 lost in 0 gaps" in text
    assert data["whole"] is True
    assert data["kinds"] == {
        "LogStart": 1,
        "Capture": 1,
        "Board": 1,
        "Stream": 1,
        "Samples": 40,
        "Event": 1,
        "End": 1,
    }
    assert data["ended"] == "stopped by SIGINT"


def test_every_missing_sample_is_counted(verify: Verify) -> None:
    device = Device()
    frames = list(device.run(100))
    del frames[50:53], frames[10]
    status, data, text = verify(HEAD, *frames, END)
    assert status == 0  # it could be read
    assert data["streams"]["0"]["lost"] == 20
    assert data["streams"]["0"]["gaps"] == 2
    assert data["streams"]["0"]["samples"] == 480
    assert text.endswith("Not whole: 20 samples lost.\n")
    assert verify(HEAD, *frames, END, strict=True)[0] == 3


def test_counting_passes_the_wrap_of_sequence_and_clock(verify: Verify) -> None:
    device = Device(clock=2**32 - 100_000)
    device.sequence = 2**32 - 10  # two frames on, both numbers start again from zero
    frames = [device.description()]
    for _ in range(8):
        frames.append(device.samples())
        device.sequence %= 2**32
    del frames[3]
    _, data, _ = verify(HEAD, *frames, END)
    assert data["streams"]["0"]["lost"] == 5
    assert data["streams"]["0"]["repeated"] == 0


def test_a_restart_loses_nothing_and_makes_a_segment(verify: Verify) -> None:
    first, second = Device(boot=7), Device(boot=8)
    _, data, _ = verify(HEAD, *first.run(5), *second.run(6), END)
    assert [(boot["boot"], boot["frames"]) for boot in data["boots"]] == [(7, 7), (8, 8)]
    assert data["lost_samples"] == 0
    assert data["whole"]


def test_one_thing_is_told_as_one(verify: Verify) -> None:
    device = Device()
    frames = list(device.run(12))
    del frames[5]
    _, data, text = verify(HEAD, *frames, frames[-1], b"\x00damage\x00", END)
    assert data["damaged"] == 1
    assert "lost in 1 gap, 1 frame repeated\n" in text
    assert text.endswith("Not whole: 5 samples lost, 1 damaged place.\n")


def test_frames_that_come_twice_are_told(verify: Verify) -> None:
    frames = list(Device().run(5))
    _, data, text = verify(HEAD, *frames, *frames[1:], END)
    assert data["streams"]["0"]["repeated"] == 5
    assert data["streams"]["0"]["samples"] == 25
    assert "5 frames repeated" in text


def test_lost_events(verify: Verify) -> None:
    events = (host(Event(1, sequence, 0, EventKind.NOTE)) for sequence in (4, 9, 10))
    _, data, text = verify(HEAD, *events, END)
    assert data["lost_events"] == 4
    assert "4 events lost" in text


def test_a_board_of_another_major_version_is_kept_and_told(verify: Verify) -> None:
    board = bytes([Board.KIND, 2, 5]) + b"whatever version 2 says"
    status, data, text = verify(
        HEAD, encode_frame(board), *(Device().samples() for _ in range(3)), END
    )
    assert status == 0
    assert data["kinds"]["Unknown"] == 3
    assert data["boots"] == []
    assert "the board speaks format version 2.5, which this program cannot read" in text


def test_damage_and_a_cut(verify: Verify) -> None:
    frames = list(Device().run(10))
    frames[4] = frames[4][:9] + bytes([frames[4][9] ^ 4]) + frames[4][10:]
    status, data, text = verify(HEAD, *frames, frames[5][:20])
    assert status == 0
    assert data["damaged"] == 2
    assert data["damaged_bytes"] == len(frames[4]) + 20
    at = len(HEAD) + sum(map(len, frames[:4]))
    assert f"damage at byte {at}: damaged frame" in text
    assert "the file ends inside a frame" in text
    assert "cut off: there is no END record" in text
    assert data["lost_samples"] == 5


def test_samples_without_a_description_are_kept_and_told(verify: Verify) -> None:
    device = Device()
    device.description()
    status, data, text = verify(HEAD, *(device.samples() for _ in range(4)), END)
    assert status == 0
    assert data["undescribed"] == 20
    assert data["described"] is False
    assert "no stream is described in this log" in text


def test_a_description_may_come_after_the_samples(verify: Verify) -> None:
    device = Device()
    frames = [device.samples() for _ in range(4)]
    _, data, _ = verify(HEAD, *frames, device.description(), END)
    assert data["undescribed"] == 0
    assert data["whole"]


def test_what_the_logger_noted(verify: Verify) -> None:
    noted = (
        host(Link(Instant(2_000_000, 0), LinkState.DOWN, "unplugged")),
        host(Link(Instant(5_000_000, 0), LinkState.UP, "radio or cable loss")),
        host(Link(Instant(5_500_000, 0), LinkState.DOWN, "for a moment")),
        host(Link(Instant(5_504_000, 0), LinkState.UP, "radio or cable loss")),
        host(Mark(Instant(6_000_000, 0), 1)),
        host(Mark(Instant(6_500_000, 0), 1, "bridge")),  # its text came later: still one mark
        host(Foreign(Instant(7_000_000, 0), Fault.HOST_KIND, b"12345")),
        host(Foreign(Instant(7_000_000, 0), Fault.DAMAGED, b"123")),
        host(Dropped(Instant(8_000_000, 0), 3, 99, "No space left on device")),
        host(Link(Instant(9_000_000, 0), LinkState.DOWN, "gone")),
    )
    _, data, text = verify(HEAD, *Device().run(2), *noted, END)
    assert data["link_gaps"] == [
        [2.0, 5.0, "unplugged; radio or cable loss"],
        [5.5, 5.504, "for a moment; radio or cable loss"],
        [9.0, None, "gone"],
    ]
    assert data["marks"] == 1
    assert data["foreign"] == {"host_kind": 5, "damaged": 3}
    assert (data["dropped_frames"], data["dropped_bytes"]) == (3, 99)
    assert data["duration"] == 20.0
    assert "link down from 2.0 s to 5.0 s: unplugged" in text
    assert "link down from 5.5 s for 4 ms: for a moment" in text
    assert "link down from 9.0 s and not back: gone" in text


def test_clock_drift_and_jitter(verify: Verify) -> None:
    # A device clock 100 ppm fast, delivery late by 0 to 50 ms (a fixed pattern), for 60 s.
    device = Device()
    parts = [HEAD, device.description()]
    position = 0
    for n in range(1200):
        frame = device.samples()  # 50 ms of the device's clock each
        late = (n * 7919) % 50_001
        received = 1_000_000 + round(device.clock / 1.0001) + late
        # The wall clock steps by fourteen years on the way, as it does when a network appears.
        wall = received + (0 if n < 500 else 441_000_000_000_000)
        parts += [host(Time(Instant(received, wall), position)), frame]
        position += len(frame)
    _, data, _ = verify(*parts, END)
    (boot,) = data["boots"]
    assert boot["clock"]["drift"] == pytest.approx(100, abs=3)
    assert boot["clock"]["jitter"] == pytest.approx(0.0475, abs=0.001)


def test_a_record_is_as_old_as_its_last_sample(verify: Verify) -> None:
    # Received at once, but ever longer: told by their first samples, they would come ever later.
    device = Device()
    parts = [HEAD, device.description()]
    for n in range(60):
        frame = device.samples(1 + n)
        received = 1_000_000 + device.clock - PERIOD
        parts += [host(Time(Instant(received, received), 0)), frame]
    _, data, _ = verify(*parts, END)
    (boot,) = data["boots"]
    assert boot["clock"]["drift"] == pytest.approx(0, abs=1)
    assert boot["clock"]["jitter"] == pytest.approx(0, abs=1e-5)


@pytest.mark.parametrize(
    ("content", "complaint"),
    [
        (None, "cannot open the log"),
        (b"", "the file is empty"),
        (b"time,current\n0,1\n" * 40, "not a Sagline log"),
    ],
)
def test_what_is_no_log_gets_one_line(
    tmp_path: Path, content: bytes | None, complaint: str
) -> None:
    log = tmp_path / "some.sagline"
    if content is not None:
        log.write_bytes(content)
    status, out, errors = command("verify", log)
    assert (status, out) == (1, "")
    (line,) = errors
    assert complaint in line
    assert str(log) in line


def test_several_logs_are_all_checked_though_one_is_none(
    tmp_path: Path, capsys: pytest.CaptureFixture[str]
) -> None:
    logs = [tmp_path / f"{name}.sagline" for name in "abc"]
    for log in logs:
        log.write_bytes(SIGNATURE + END)
    logs[1].write_bytes(b"")
    assert main(["verify", *map(str, logs)]) == 1
    out, errors = capsys.readouterr()
    assert [str(log) in out for log in logs] == [True, False, True]
    assert out.count("Nothing was understood") == 2
    (line,) = errors.splitlines()
    assert str(logs[1]) in line
    assert main(["verify", "--json", str(logs[0]), str(logs[2])]) == 0
    found = [json.loads(line) for line in capsys.readouterr().out.splitlines()]
    assert [one["whole"] for one in found] == [False, False]


REFUSED = json.loads((VECTORS / "refused_descriptions.json").read_text(encoding="utf-8"))


@pytest.mark.parametrize("case", REFUSED, ids=lambda case: case["name"])
def test_a_description_against_the_rules_is_told_by_record_and_place(
    verify: Verify, case: dict[str, Any]
) -> None:
    """frame_format.md §5.9; `record` tells the same line when it hears it."""
    sent = [body for body in described_bodies(case) if len(body) <= MAX_BODY]
    number = case["stream"]
    if len(sent) <= len(case["streams"]):  # too long for a frame: no board can have sent it
        assert case["rule"] == 10
        with pytest.raises(FrameError):
            encode_frame(described_bodies(case)[1 + number])
        return
    samples = Samples(1, number or 0, 0, 0, 0, 1, b"\1\2")
    described = [encode_frame(body) for body in sent]
    _, data, text = verify(HEAD, *described, encode_frame(samples.encode()), END)
    lines = [line for line in text.splitlines() if line.startswith("damage at byte ")]
    listener = Listener()
    for body in sent:
        listener.hear(body)
    assert [line.split(": ", 1)[1] for line in lines] == list(listener.refused)
    if number is None:
        assert listener.refused[0] == "BOARD: 17 streams, over the limit of 16"
        return
    (problem,) = listener.refused
    assert problem.startswith("STREAM: ")
    assert f"stream {number}" in problem
    assert (case["channel"] is None) == ("channel " not in problem)
    if case["channel"] is not None:
        many = len(case["streams"][number]["channels"])
        assert f"channel {case['channel'] + 1} of {many}: " in problem
    told = {
        2: "channels, outside 1 to 64",
        3: "no name",
        4: "over its limit of",
        5: "not UTF-8",
        6: "key",
        7: "sample type",
        8: "multiplier",
        9: "exponent",
    }
    assert told[case["rule"]] in problem
    assert data["refusal"] == problem
    assert "record longer" not in text  # that would not help


def test_where_nothing_else_describes_the_samples_the_advice_is_to_mend_the_board(
    verify: Verify, tmp_path: Path
) -> None:
    case = next(case for case in REFUSED if case["name"] == "a unit in Latin-1")
    board, _, stream = described_bodies(case)
    frames = [encode_frame(body) for body in (board, stream)]
    samples = encode_frame(Samples(1, 1, 0, 0, 0, 1, b"\1\2").encode())
    _, _, text = verify(HEAD, *frames, samples, END)
    assert "breaks the format's rules, so nothing tells what its samples mean: STREAM: str" in text
    assert "record longer" not in text
    log = tmp_path / "some.sagline"
    with pytest.raises(SaglineError, match=r"channel 2 of 2: the unit of 'x' is not UTF-8\).*mend"):
        load_ride(log)


def test_the_size_told_is_the_files_own(verify: Verify, tmp_path: Path) -> None:
    """What an archive of it would hold, and what a copy must have: not where reading ended."""
    for tail in (b"", b"\x05cut", bytes(600)):
        _, data, text = verify(HEAD, *Device().run(3), END, tail)
        size = (tmp_path / "some.sagline").stat().st_size
        assert data["size"] == size and f"{size} bytes" in text


@pytest.mark.parametrize("before", [0, 5, 65_536 - 300, 65_536 + 7])
def test_zeros_are_counted_alike_however_they_lie_in_what_is_read(
    before: int, verify: Verify
) -> None:
    device = Device()
    start, frames = device.description(), list(device.run(3))[1:]
    for count in (511, 512, 65_536, 65_537, 200_000):
        _, data, _ = verify(HEAD, b"\0" * before, start, bytes(count), *frames, END)
        lost = [n for n in (before, count) if n >= 512]
        assert (data["damaged"], data["damaged_bytes"]) == (len(lost), sum(lost))
