"""A real small file system runs full while a real board keeps sending."""

import json
import signal
from pathlib import Path

from sagline_logger.format import Dropped, End, Samples
from support.capture import Contents, command, logged, port_at, recording, the_log, wait_until
from support.frames import Device
from support.small_disk import small_disk


def test_capture_goes_on_when_space_returns_and_counts_what_it_cost(tmp_path: Path) -> None:
    device = Device()
    sent = [device.description()]
    with (
        small_disk(tmp_path / "disk", "16m") as disk,
        port_at(tmp_path / "port") as port,
    ):
        ballast = disk / "ballast"
        ballast.write_bytes(bytes((16 << 20) - (300 << 10)))  # leaves about 300 KiB
        with recording("--serial", port.path, "--out", disk) as logger:
            port.send(sent[0])
            for _ in range(7000):  # 5.6 MB, over what is held in memory (4 MiB)
                sent.append(device.samples(200))
                port.send(sent[-1])
            logger.wait_for("No space left on device; keeping the link alive")
            ballast.unlink()
            logger.wait_for("writing again")
            for _ in range(20):
                sent.append(device.samples(200))
                port.send(sent[-1])
            wait_until(lambda: sent[-1] in logged(disk))
            status, out, _ = logger.stop(signal.SIGTERM)
        log = the_log(disk)
        contents = Contents(log.read_bytes())
        report = json.loads(command("verify", log, "--json")[1])
        # Frames that vanish at their borders are not taken for some of those that DROPPED counts.
        without = log.read_bytes()
        for vanished in sent[5:8]:
            without = without.replace(vanished, b"")
        log.write_bytes(without)
        less = json.loads(command("verify", log, "--json")[1])
    assert status == 1  # something was lost, and the caller should know
    (dropped,) = contents.all(Dropped)
    assert dropped.reason == "No space left on device"
    assert dropped.frames > 0
    assert f"the disk did not take {dropped.frames} frames" in out
    # What is in the file are the first and the last frames sent; the gap is where DROPPED stands.
    assert contents.damaged == []
    stands = contents.records.index(dropped)
    before = sum(isinstance(record, Samples) for record in contents.records[:stands])
    kept = b"".join(sent[: before + 1] + sent[before + 1 + dropped.frames :])
    assert contents.stream == kept
    assert dropped.device == sum(map(len, sent[before + 1 : before + 1 + dropped.frames]))
    assert dropped.size >= dropped.device  # the logger's own records come on top
    assert (report["missing_frames"], report["missing_bytes"]) == (0, 0)
    assert less["missing_frames"] == 3
    # A TIME behind them lies within a frame, so up to a frame may be hidden.
    size = sum(map(len, sent[5:8]))
    assert size - max(map(len, sent)) <= less["missing_bytes"] <= size
    assert report["dropped_frames"] == dropped.frames
    assert report["lost_samples"] == 200 * dropped.frames
    assert report["damaged"] == 0


def test_a_short_shortage_costs_nothing(tmp_path: Path) -> None:
    device = Device()
    sent = b"".join(device.run(4000))  # about 200 KiB: held in memory until there is room
    with (
        small_disk(tmp_path / "disk", "1m") as disk,
        port_at(tmp_path / "port") as port,
    ):
        ballast = disk / "ballast"
        ballast.write_bytes(bytes((1 << 20) - (60 << 10)))
        with recording("--serial", port.path, "--out", disk) as logger:
            port.send(sent)
            logger.wait_for("No space left")
            ballast.unlink()
            logger.wait_for("writing again; 0 frames dropped")
            wait_until(lambda: Contents(logged(disk)).stream == sent)
            assert logger.stop(signal.SIGTERM)[0] == 0
        contents = Contents(logged(disk))
    assert contents.damaged == []
    assert contents.all(Dropped) == []
    assert len(contents.all(End)) == 1


def test_stopped_while_the_disk_is_full(tmp_path: Path) -> None:
    device = Device()
    sent = b"".join(device.run(10_000))
    with (
        small_disk(tmp_path / "disk", "256k") as disk,
        port_at(tmp_path / "port") as port,
    ):
        with recording("--serial", port.path, "--out", disk) as logger:
            port.send(sent)
            logger.wait_for("No space left")
            status, _, errors = logger.stop(signal.SIGINT)
        assert status == 1
        assert "could not be written; free space on the disk" in errors[-1]
        contents = Contents(logged(disk))
        status, text, _ = command("verify", the_log(disk))
    assert status == 0
    assert "cut off: there is no END record" in text
    assert sent.startswith(contents.stream)
    assert len(contents.damaged) <= 1  # the frame that the end of the disk fell on


def test_a_disk_full_from_the_start_is_refused(tmp_path: Path) -> None:
    with (
        small_disk(tmp_path / "disk", "64k") as disk,
        port_at(tmp_path / "port") as port,
    ):
        (disk / "ballast").write_bytes(bytes(64 << 10))
        status, _, (line,) = command("record", "--serial", port.path, "--out", disk)
    assert status == 1
    assert "cannot create a log here (No space left on device)" in line
