"""Logs taken away, disks that fail, terminals that close, firmware that counts wrongly."""

import contextlib
import errno
import os
import pty
import signal
import sys
import time
from pathlib import Path

import pytest

from sagline_logger.capture import log_writer
from sagline_logger.capture.log_writer import LogWriter, instant
from sagline_logger.format import Capture, End, Mark, SaglineError, Samples
from support.capture import (
    LOGGER,
    Contents,
    Logger,
    logged,
    named,
    port_at,
    recording,
    the_log,
    wait_until,
)
from support.frames import Device
from support.small_disk import small_disk


@pytest.mark.parametrize("away", ["deleted", "directory renamed", "directory removed"])
def test_a_log_that_is_taken_away_goes_on_whole_in_a_new_file(tmp_path: Path, away: str) -> None:
    device, rides = Device(), tmp_path / "rides"
    sent = list(device.run(20))
    with port_at(tmp_path / "port") as port:
        with recording("--serial", port.path, "--out", rides) as logger:
            for frame in sent:
                port.send(frame)
            wait_until(lambda: sent[-1] in logged(rides) and named(rides, "kestrel"))
            if away == "directory renamed":
                rides.rename(tmp_path / "elsewhere")
            else:
                the_log(rides).unlink()
            if away == "directory removed":
                rides.rmdir()
            logger.wait_for("was taken away")
            sent.append(device.samples())
            port.send(sent[-1])
            wait_until(lambda: sent[-1] in logged(rides))
            status, out, errors = logger.stop(signal.SIGINT)
        contents = Contents(the_log(rides).read_bytes())
    assert status == 0
    assert b"".join(sent) == contents.stream and contents.all(Capture) and contents.all(End)
    assert str(the_log(rides)) in out and "was taken away while recording" in out
    assert len(errors) <= 3, errors


def test_a_log_that_cannot_be_made_anew_is_no_success(tmp_path: Path) -> None:
    device, rides = Device(), tmp_path / "rides"
    with (
        port_at(tmp_path / "port") as port,
        recording("--serial", port.path, "--out", rides) as logger,
    ):
        port.send(b"".join(device.run(5)))
        wait_until(lambda: named(rides, "kestrel"))
        rides.rename(tmp_path / "elsewhere")
        rides.write_text("a file, where the directory was")
        logger.wait_for("no other can be made")
        status, _, errors = logger.stop(signal.SIGINT)
    assert status == 1
    assert "the log was taken away while recording, and no other could be written" in errors[-1]
    assert len(errors) <= 4, errors


def test_what_the_disk_did_not_confirm_is_told_at_the_end(
    tmp_path: Path, monkeypatch: pytest.MonkeyPatch
) -> None:
    def fails(_: int) -> None:
        raise OSError(errno.EIO, "Input/output error")

    alarms: list[str] = []
    writer = LogWriter(tmp_path, "x", alarms.append)
    monkeypatch.setattr(os, "fdatasync", fails)
    writer.record(Mark(instant(), 1))
    assert writer.close() == 0
    assert writer.unsaved == "Input/output error" and len(alarms) == 1
    assert "free space" not in writer.remedy and "another disk" in writer.remedy


def test_a_disk_that_confirms_nothing_to_the_end_is_the_exit_status(tmp_path: Path) -> None:
    device = Device()
    under = (sys.executable, str(Path(__file__).with_name("unconfirmed.py")))
    with port_at(tmp_path / "port") as port:
        logger = Logger("record", "--serial", port.path, "--out", tmp_path / "out", under=under)
        try:
            logger.wait_for("recording")
            port.send(b"".join(device.run(20)))
            wait_until(lambda: len(logged(tmp_path / "out")) > 500)
        finally:
            status, _, errors = logger.stop(signal.SIGINT)
    assert status == 1
    assert "the disk did not confirm what was written (Input/output error)" in errors[-1]
    assert "another disk" in errors[-1]
    assert len(the_log(tmp_path / "out").read_bytes()) > 500  # what came is there all the same


def test_a_short_first_write_loses_no_record(
    tmp_path: Path, monkeypatch: pytest.MonkeyPatch
) -> None:
    real = os.write
    monkeypatch.setattr(log_writer.os, "write", lambda file, data: real(file, data[:3]))
    writer = LogWriter(tmp_path, "x")
    writer.record(Capture(instant(), "test", "test", ""))
    writer.close()
    monkeypatch.undo()
    contents = Contents(writer.path.read_bytes())
    assert len(contents.all(Capture)) == 1 and contents.damaged == []


def test_starting_on_a_full_disk_leaves_no_file(tmp_path: Path) -> None:
    with small_disk(tmp_path / "disk", "64k") as disk:
        (disk / "ballast").write_bytes(bytes(64 << 10))
        with pytest.raises(SaglineError, match="free space on the disk"):
            LogWriter(disk, "x")
        assert [path.name for path in disk.iterdir()] == ["ballast"]


def test_nohup_keeps_a_capture_running_when_the_terminal_closes(tmp_path: Path) -> None:
    device = Device()
    with port_at(tmp_path / "port") as port:
        words = ("--serial", port.path, "--out", tmp_path / "rides", "--quiet")
        logger = Logger("record", *words, under=("nohup",))
        try:
            logger.wait_for("recording")
            logger.process.send_signal(signal.SIGHUP)
            port.send(b"".join(device.run(3)))
            wait_until(lambda: named(tmp_path / "rides", "kestrel"))
            assert logger.process.poll() is None
            assert logger.stop(signal.SIGINT)[0] == 0
        finally:
            logger.kill()


def test_a_mark_text_still_being_typed_at_ctrl_c_is_kept(tmp_path: Path) -> None:
    with port_at(tmp_path / "port") as port:
        child, terminal = pty.fork()
        if child == 0:
            os.environ["TERM"] = "xterm"
            words = ["record", "--serial", str(port.path), "--out", str(tmp_path / "rides")]
            os.execv(LOGGER, [LOGGER, *words])
        device = Device()
        os.set_blocking(terminal, False)

        def named() -> bool:
            port.send(device.description() + device.samples())  # what came too early is discarded
            return _drained(terminal) and any((tmp_path / "rides").glob("*kestrel*"))

        wait_until(named)
        time.sleep(0.5)
        os.write(terminal, b"mloose belt")
        time.sleep(1.0)  # the view looks at its keys a few times a second
        os.write(terminal, b"\x03")
        wait_until(lambda: _drained(terminal) and os.waitpid(child, os.WNOHANG)[0] == child)
        os.close(terminal)
    marks = Contents(the_log(tmp_path / "rides").read_bytes()).all(Mark)
    assert [mark.text for mark in marks] == ["", "loose belt"]


def _drained(terminal: int) -> bool:
    with contextlib.suppress(OSError):
        os.read(terminal, 1 << 16)
    return True


def test_a_boot_number_that_changes_with_every_frame_loses_nothing(tmp_path: Path) -> None:
    frames = []
    for boot in range(1, 3001):
        device = Device(boot % 65_536)
        frames += [device.description(), device.samples(1)]
    with (
        port_at(tmp_path / "port") as port,
        recording("--serial", port.path, "--out", tmp_path / "rides") as logger,
    ):
        for frame in frames:
            port.send(frame)
        wait_until(lambda: frames[-1] in logged(tmp_path / "rides"))
        began = time.monotonic()
        status, _, errors = logger.stop(signal.SIGINT)
        assert time.monotonic() - began < 10
    contents = Contents(the_log(tmp_path / "rides").read_bytes())
    assert status == 0
    assert len(contents.all(Samples)) == 3000
    assert sum("the boot number changed" in line for line in errors) == 1
    assert len(errors) < 30
