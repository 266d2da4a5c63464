"""A log as a source, and the table of sources."""

import signal
from pathlib import Path

from sagline_logger.capture.replay_source import ReplaySource
from sagline_logger.format import Capture, End, Instant, Mark, Time, encode_frame
from support.capture import Contents, command, logged, port_at, recording, wait_until
from support.frames import Device


def test_a_replay_gives_what_the_device_sent(tmp_path: Path) -> None:
    device = Device()
    sent = b"\x07noise\0" + b"".join(device.run(50)) + encode_frame(b"\xffforged") + b"half"
    with (
        port_at(tmp_path / "port") as port,
        recording("--serial", port.path, "--out", tmp_path / "first") as logger,
    ):
        port.send(sent[:-4])
        wait_until(lambda: Contents(logged(tmp_path / "first")).stream == sent[:-4])
        port.send(b"half")
        port.wait_until_read()
        logger.stop(signal.SIGTERM)
    (first,) = (tmp_path / "first").iterdir()
    status, out, _ = command(
        "record", "--replay", first, "--speed", "20", "--out", tmp_path / "again"
    )
    assert status == 0
    assert "52 frames" in out
    again = Contents(logged(tmp_path / "again"))
    assert again.stream == sent
    assert again.all(End)[0].reason == "the source ended"
    assert again.all(Capture)[0].source == f"replay of {first.name}"


def test_a_replay_keeps_the_pace_of_the_time_records(tmp_path: Path) -> None:
    device = Device()
    log, frames = b"", []
    for second in (50, 51, 53):  # host's clock, s
        frames.append(device.samples())
        log += encode_frame(Time(Instant(second * 1_000_000, 0), 0).encode()) + frames[-1]
        log += encode_frame(Mark(Instant(0, 0), 1).encode())
    path = tmp_path / "some.sagline"
    path.write_bytes(log)
    source = ReplaySource(path, speed=1e9)  # all of it is due at once, slice by slice
    source.open()
    assert [source.read(1.0) for _ in frames] == frames
    source.close()
    source = ReplaySource(path, speed=1e-6)  # only the first is due
    source.open()
    assert source.read(1.0) == frames[0]
    assert source.read(0.01) == b""
    source.close()
