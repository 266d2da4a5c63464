"""The log file itself: names, order, and what is on the disk when."""

import errno
import os
from pathlib import Path

import pytest

from sagline_logger.capture.log_writer import LogWriter, instant
from sagline_logger.format import SIGNATURE, LogStart, Mark
from support.capture import Contents, logged, wait_until
from support.frames import Device


def test_no_file_is_ever_replaced(tmp_path: Path) -> None:
    (tmp_path / "20261125T081500Z_kestrel.sagline").write_text("precious")
    (tmp_path / "20261125T081500Z_kestrel_2.sagline").write_text("too")
    writers = [LogWriter(tmp_path, "20261125T081500Z") for _ in range(3)]
    for number, writer in enumerate(writers):
        writer.record(Mark(instant(), number + 1))
        writer.name_after("Kestrel")
    assert [writer.close() for writer in writers] == [0, 0, 0]
    assert (tmp_path / "20261125T081500Z_kestrel.sagline").read_text() == "precious"
    assert (tmp_path / "20261125T081500Z_kestrel_2.sagline").read_text() == "too"
    assert len(list(tmp_path.iterdir())) == 5
    for number, writer in enumerate(writers):
        (mark,) = Contents(writer.path.read_bytes()).all(Mark)
        assert mark.number == number + 1


def test_a_name_that_is_no_file_name_is_made_one(tmp_path: Path) -> None:
    for board, name in (("../../etc/Ünïque  Trike!", "etc-n-que-trike"), ("電", "board")):
        writer = LogWriter(tmp_path / name, "x")
        writer.name_after(board)
        writer.close()
        assert writer.path == tmp_path / name / f"x_{name}.sagline"


def test_frames_reach_the_file_while_it_is_open_and_in_order(tmp_path: Path) -> None:
    device = Device()
    writer = LogWriter(tmp_path, "x")
    assert logged(tmp_path) == SIGNATURE  # readable from its first moment
    frames = b""
    for frame in device.run(50):
        writer.append(frame, 1)
        frames += frame
    wait_until(lambda: logged(tmp_path) == SIGNATURE + frames)
    assert writer.size == len(SIGNATURE + frames)
    assert writer.close() == 0
    contents = Contents(logged(tmp_path))
    assert contents.stream == frames
    assert contents.all(LogStart) == [LogStart()]


def test_naming_on_a_file_system_without_hard_links(
    tmp_path: Path, monkeypatch: pytest.MonkeyPatch
) -> None:
    # FAT cannot be mounted everywhere these tests run; Linux's vfat refuses link() with EPERM.
    def refuse(*_: object) -> None:
        raise PermissionError(errno.EPERM, "Operation not permitted")

    monkeypatch.setattr(os, "link", refuse)
    (tmp_path / "x_kestrel.sagline").write_text("precious")
    writer = LogWriter(tmp_path, "x")
    writer.record(Mark(instant(), 7))
    writer.name_after("Kestrel")
    writer.close()
    assert (tmp_path / "x_kestrel.sagline").read_text() == "precious"
    assert sorted(path.name for path in tmp_path.iterdir()) == [
        "x_kestrel.sagline",
        "x_kestrel_2.sagline",
    ]
    assert Contents(writer.path.read_bytes()).all(Mark)[0].number == 7
