"""Recording over a real pseudo-terminal with the real command: nothing lost, nothing invented."""

import json
import re
import signal
from dataclasses import replace
from itertools import pairwise
from pathlib import Path

import pytest

from sagline_logger.format import (
    Capture,
    DeviceRecord,
    End,
    Fault,
    FilePart,
    Foreign,
    Link,
    LinkState,
    Mark,
    Setting,
    Time,
    encode_frame,
)
from sagline_logger.format.host_records import Instant
from support.capture import (
    Contents,
    Logger,
    command,
    logged,
    port_at,
    recording,
    the_log,
    wait_until,
)
from support.frames import Device
from support.protocol_files import VECTORS, described_bodies


def test_keeps_every_byte_and_says_what_was_captured(tmp_path: Path) -> None:
    device = Device(name="Kestrel trike / 2")
    sent = b"half a frame\0" + b"".join(device.run(200)) + device.fault() + b"\0\0" + b"\x05rest"
    arguments = ("--setting", "battery limit=60 A", "--setting", "mode=eco", "--note", "bread run")
    with (
        port_at(tmp_path / "port") as port,
        recording("--serial", port.path, "--out", tmp_path / "out", *arguments) as logger,
    ):
        port.send(sent)
        # END counts what was received, so stop only once all of it is on the disk.
        wait_until(lambda: device.fault() in logged(tmp_path / "out"))
        status, out, _ = logger.stop(signal.SIGINT)
    assert status == 0
    log = the_log(tmp_path / "out")
    assert re.fullmatch(r"\d{8}T\d{6}Z_kestrel-trike-2\.sagline", log.name)
    contents = Contents(log.read_bytes())
    # Lone delimiters stand in the log as they came; the reader drops them.
    assert contents.stream == sent.replace(b"\0\0\0", b"\0")
    assert [record.data for record in contents.all(Foreign)] == [b"half a frame\0", b"\x05rest"]
    assert [record.reason for record in contents.all(Foreign)] == [Fault.DAMAGED, Fault.UNFINISHED]
    (capture,) = contents.all(Capture)
    assert (capture.note, capture.source) == ("bread run", f"serial {port.path} at 115200")
    settings = [(record.name, record.value) for record in contents.all(Setting)]
    assert settings == [("battery limit", "60 A"), ("mode", "eco")]
    (end,) = contents.all(End)
    assert (end.frames, end.foreign) == (203, len(b"half a frame\0\x05rest"))
    assert end.reason == "stopped by SIGINT"
    assert "203 frames, 0 samples lost" in out
    assert "do not read a screen while riding" in out


def test_what_breaks_the_rules_is_told_when_it_happens(tmp_path: Path) -> None:
    """frame_format.md §5.9: the record and the field, once, and the bytes are kept."""
    cases = json.loads((VECTORS / "refused_descriptions.json").read_text(encoding="utf-8"))
    case = next(case for case in cases if case["name"] == "a unit in Latin-1")
    board, _, stream = described_bodies(case)
    sent = b"".join(map(encode_frame, (board, stream, board, stream)))
    with (
        port_at(tmp_path / "port") as port,
        recording("--serial", port.path, "--out", tmp_path) as logger,
    ):
        port.send(sent)
        line = logger.wait_for("breaks the format's rules")
        wait_until(lambda: sent in logged(tmp_path))
        _, _, errors = logger.stop(signal.SIGTERM)
    assert "STREAM: stream 1 'slow', channel 2 of 2: the unit of 'x' is not UTF-8" in line
    assert sum("breaks the format's rules" in line for line in errors) == 1


def test_time_records_count_the_bytes_before_them(tmp_path: Path) -> None:
    device = Device()
    sent = b""
    with (
        port_at(tmp_path / "port") as port,
        recording("--serial", port.path, "--out", tmp_path) as logger,
    ):
        for frame in device.run(5):
            port.send(frame)
            sent += frame
            wait_until(lambda sent=sent: Contents(logged(tmp_path)).stream == sent)
        logger.stop(signal.SIGTERM)
    contents = Contents(logged(tmp_path))
    times = contents.all(Time)
    assert times[0].position == 0
    clocks = [record.at.monotonic for record in times]
    assert all(later - earlier >= 250_000 for earlier, later in pairwise(clocks))
    seen = 0
    for record in contents.records:
        if isinstance(record, Time):
            assert record.position == seen
        elif isinstance(record, DeviceRecord):
            seen += len(encode_frame(record.encode()))


def test_a_board_file_is_copied_whole(tmp_path: Path) -> None:
    status, text, _ = command("board", "--new", tmp_path / "board.toml")
    assert status == 0, text
    board = tmp_path / "board.toml"
    board.write_text(board.read_text() + "# " + "x" * 5000 + "\n")  # more than one part
    with (
        port_at(tmp_path / "port") as port,
        recording("--serial", port.path, "--out", tmp_path, "--board", board) as logger,
    ):
        logger.stop(signal.SIGTERM)
    parts = Contents(logged(tmp_path)).all(FilePart)
    assert len(parts) > 2
    assert {(part.name, part.size) for part in parts} == {("board", board.stat().st_size)}
    assert b"".join(part.data for part in parts) == board.read_bytes()


def test_a_device_cannot_forge_the_loggers_records(tmp_path: Path) -> None:
    now = Instant(1, 2)
    forged = [
        encode_frame(record.encode())
        for record in (
            End(now, 1, 2, "not true"),
            Mark(now, 7, "never pressed"),
            Link(now, LinkState.DOWN, "no"),
        )
    ]
    forged.append(encode_frame(b"\xff" + bytes(4000)))  # longer than one FOREIGN record
    device = Device()
    sent = device.description() + b"".join(frame + device.samples() for frame in forged)
    with (
        port_at(tmp_path / "port") as port,
        recording("--serial", port.path, "--out", tmp_path) as logger,
    ):
        port.send(sent)
        wait_until(lambda: Contents(logged(tmp_path)).stream == sent)
        logger.stop(signal.SIGTERM)
    contents = Contents(logged(tmp_path))
    foreign = contents.all(Foreign)
    assert {record.reason for record in foreign} == {Fault.HOST_KIND}
    assert b"".join(record.data for record in foreign) == b"".join(forged)
    assert contents.all(Mark) == []
    assert [link.state for link in contents.all(Link)] == [LinkState.UP]
    assert [end.reason for end in contents.all(End)] == ["stopped by SIGTERM"]


def test_seconds_end_the_capture_and_status_lines_come_when_nobody_types(tmp_path: Path) -> None:
    with port_at(tmp_path / "port") as port:
        status, out, _ = command(
            "record", "--serial", port.path, "--out", tmp_path, "--seconds", "5.5"
        )
    assert status == 0
    assert out.startswith("5 s  link up  0.0 kB/s  0 frames")
    (end,) = Contents(logged(tmp_path)).all(End)
    assert end.reason == "the time asked for was over"


@pytest.mark.parametrize("number", [signal.SIGINT, signal.SIGTERM, signal.SIGHUP])
def test_a_signal_stops_cleanly_while_waiting_for_the_device(
    tmp_path: Path, number: signal.Signals
) -> None:
    with (
        port_at(tmp_path / "port") as port,
        recording("--serial", port.path, "--out", tmp_path, "--quiet") as logger,
    ):
        port.unplug()
        logger.wait_for("link down")
        status, _, _ = logger.stop(number)
    assert status == 0
    (end,) = Contents(logged(tmp_path)).all(End)
    assert end.reason == f"stopped by {number.name}"


def test_stopped_while_waiting_for_a_device_is_no_failure(tmp_path: Path) -> None:
    logger = Logger("record", "--serial", tmp_path / "port", "--out", tmp_path, "--wait")
    try:
        logger.wait_for("waiting")
        status, out, _ = logger.stop(signal.SIGTERM)
    finally:
        logger.kill()
    assert (status, out) == (0, "stopped while waiting for the device; nothing was recorded\n")
    assert list(tmp_path.iterdir()) == []


def test_wait_records_a_device_that_comes_later(tmp_path: Path) -> None:
    logger = Logger("record", "--serial", tmp_path / "port", "--out", tmp_path, "--wait")
    try:
        assert "no such port" in logger.wait_for("waiting")
        with port_at(tmp_path / "port") as port:
            logger.wait_for("recording")
            sent = b"".join(Device().run(3))
            port.send(sent)
            wait_until(lambda: Contents(logged(tmp_path)).stream == sent)
            assert logger.stop(signal.SIGTERM)[0] == 0
    finally:
        logger.kill()


def test_a_name_or_unit_nearly_standard_is_told_while_recording_and_by_the_check(
    tmp_path: Path,
) -> None:
    device = Device()
    channels = (
        replace(device.stream.channels[0], unit="mV"),
        replace(device.stream.channels[1], name="battery_curent"),
    )
    device.stream = replace(device.stream, channels=channels)
    with (
        port_at(tmp_path / "port") as port,
        recording("--serial", port.path, "--out", tmp_path / "out") as logger,
    ):
        port.send(b"".join(device.run(20)))
        logger.wait_for("battery_curent")
        logger.stop(signal.SIGINT)
    told = "\n".join(logger.errors)
    assert "battery_curent is no standard name, battery_current is" in told
    assert "pack_voltage comes in mV, not V" in told and "mV times 0.001" in told
    _, report, _ = command("check", "--replay", the_log(tmp_path / "out"), "--seconds", 1)
    assert "note: battery_curent is no standard name, battery_current is" in report
    assert "note: pack_voltage comes in mV, not V" in report
