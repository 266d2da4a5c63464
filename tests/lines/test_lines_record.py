"""Lines recorded over a real pseudo-terminal by the real command; read again by a mended map."""

import signal
import threading
import time
from collections.abc import Callable, Iterator
from contextlib import contextmanager
from pathlib import Path

import pytest

from sagline_logger.format import (
    Board,
    End,
    FilePart,
    Foreign,
    Link,
    LogStart,
    Mark,
    Raw,
    RawUse,
    Samples,
    Setting,
    Time,
    encode_frame,
)
from support.capture import Contents, Port, command, logged, port_at, recording, the_log, wait_until
from support.printing_board import map_text

PLAN = 'note = "by the map"\n' + map_text(period="0.01") + "[settings]\nmode = 3\n"


def line(n: int) -> bytes:
    return b"%d,%.2f,%.1f,%d\r\n" % (n * 10, 48 - n / 100, n / 10, n)


@contextmanager
def printing(
    port: Port, make: Callable[[int], bytes] = line, every: float = 0.01
) -> Iterator[None]:
    """Print lines for as long as the block runs."""
    stop = threading.Event()

    def send() -> None:
        n = 0
        while not stop.wait(every):
            port.send(make(n))
            n += 1

    sender = threading.Thread(target=send)
    sender.start()
    try:
        yield
    finally:
        stop.set()
        sender.join()


@pytest.fixture
def plan(tmp_path: Path) -> Path:
    path = tmp_path / "map.toml"
    path.write_text(PLAN)
    return path


def test_lines_become_a_log_like_any_other(tmp_path: Path, plan: Path) -> None:
    sent = b"t,v,i,n\r\n" + b"".join(map(line, range(300))) + b"not,a,line\r\n" + b"3010,4"
    out = tmp_path / "out"
    with (
        port_at(tmp_path / "port") as port,
        recording("--serial", port.path, "--lines", plan, "--out", out) as logger,
    ):
        port.send(sent)
        logger.wait_for("a line cannot be read (3 values where there should be 4)")
        wait_until(lambda: len(Contents(logged(out)).all(Samples)) and b"2990" in logged(out))
        status, text, _ = logger.stop(signal.SIGTERM)
    assert status == 0
    assert "1 line could not be read by the map, but kept as sent" in text
    contents = Contents(logged(out))
    assert contents.all(LogStart)[0].version == (1, 1)
    assert b"".join(raw.data for raw in contents.all(Raw)) == sent
    assert [raw.data for raw in contents.all(Raw) if raw.use is RawUse.CUT] == [
        b"t,v,i,n\r\n",
        b"3010,4",
    ]
    assert contents.all(Board)[0].name == "Kestrel"
    assert [(s.name, s.value) for s in contents.all(Setting)] == [("mode", "3")]
    assert b"".join(p.data for p in contents.all(FilePart) if p.name == "map") == PLAN.encode()
    (end,) = contents.all(End)
    assert end.foreign == 0
    status, text, _ = command("verify", the_log(out))
    assert "stream 0 (table): 300 samples" in text
    assert ", 0 lost in 0 gaps" in text
    assert text.rstrip().endswith("Not whole: 1 line that could not be read by the map.")
    # TIME counts the frames' bytes alone: nothing is taken for missing.
    assert "missing" not in text


def test_a_pulled_cable_and_a_board_without_a_clock(tmp_path: Path) -> None:
    plan, out = tmp_path / "map.toml", tmp_path / "out"
    plan.write_text(map_text(("pack_voltage",), ("0.1",), "header = 0", time="", columns=(1,)))
    with (
        port_at(tmp_path / "port") as port,
        recording("--serial", port.path, "--lines", plan, "--out", out) as logger,
    ):
        port.send(b"cut\n48.0\n48.1\n")
        port.wait_until_read()
        port.unplug()
        logger.wait_for("link down")
        port.plug()
        logger.wait_for("open again")
        port.send(b"cut\n48.2\n48.3\n")
        logger.wait_for("a restart cannot be told from a lost link")
        logger.stop(signal.SIGTERM)
    contents = Contents(logged(out))
    assert len(contents.all(Samples)) == 4
    assert len(contents.all(Link)) == 3
    clocks = [record.clock for record in contents.all(Samples)]
    assert clocks == sorted(clocks)


def test_a_board_that_starts_anew_while_the_link_stays(tmp_path: Path, plan: Path) -> None:
    out = tmp_path / "out"
    with (
        port_at(tmp_path / "port") as port,
        recording("--serial", port.path, "--lines", plan, "--out", out) as logger,
    ):
        port.send(b"x\n" + b"".join(map(line, range(500, 600))))
        port.wait_until_read()
        port.send(b"".join(map(line, range(100))))
        logger.wait_for("device restarted: boot 1 then 2")
        wait_until(lambda: len(Contents(logged(out)).all(Board)) == 2)
        logger.stop(signal.SIGTERM)
    assert sum(record.count for record in Contents(logged(out)).all(Samples)) == 200


def test_nothing_is_lost_to_a_wrong_map(tmp_path: Path, plan: Path) -> None:
    """Read again by the right map, the capture is as if recorded by it, marks and times and all."""
    wrong, out = tmp_path / "wrong.toml", tmp_path / "out"
    wrong.write_text(PLAN.replace("column = 4", "column = 5").replace('"ms"', '"s"'))
    sent = b"x\n" + b"".join(map(line, range(200)))
    with (
        port_at(tmp_path / "port") as port,
        recording("--serial", port.path, "--lines", wrong, "--out", out, "--note", "A") as logger,
    ):
        port.send(sent)
        logger.wait_for("a line cannot be read")
        port.wait_until_read()
        logger.stop(signal.SIGTERM)
    log, mended = the_log(out), tmp_path / "mended.sagline"
    status, text, errors = command("reread", log, "--lines", plan, "-o", mended)
    assert (status, errors) == (0, [])
    assert "0 lines could not be read" in text
    contents = Contents(mended.read_bytes())
    assert sum(record.count for record in contents.all(Samples)) == 200
    assert b"".join(raw.data for raw in contents.all(Raw)) == sent
    assert b"".join(p.data for p in contents.all(FilePart) if p.name == "map") == PLAN.encode()
    was = Contents(log.read_bytes())
    for kind in (Mark, Link):
        assert contents.all(kind) == was.all(kind)
    status, text, _ = command("verify", mended)
    assert text.rstrip().endswith("Nothing lost.")
    assert command("reread", log, "--lines", plan, "-o", mended)[0] == 1  # never over another file


def test_a_capture_without_any_map_can_be_read_by_one_later(tmp_path: Path, plan: Path) -> None:
    out, mended = tmp_path / "out", tmp_path / "mended.sagline"
    with (
        port_at(tmp_path / "port") as port,
        recording("--serial", port.path, "--out", out) as logger,
        printing(port, every=0.005),
    ):
        logger.wait_for("none of them make a frame")
        time.sleep(1)
        logger.stop(signal.SIGTERM)
    log = the_log(out)
    sent = b"".join(record.data for record in Contents(log.read_bytes()).all(Foreign))
    status, _, errors = command("reread", log, "--lines", plan, "-o", mended)
    assert (status, errors) == (0, [])
    contents = Contents(mended.read_bytes())
    assert b"".join(raw.data for raw in contents.all(Raw)) == sent
    lines = sent.count(b"\n") - 1  # the first may be cut
    assert sum(record.count for record in contents.all(Samples)) == lines > 100
    assert command("verify", mended)[1].rstrip().endswith("Nothing lost.")
    # The lines are as of the TIME records, not of when 4 kB of them had gathered.
    times = [record.at.monotonic for record in contents.all(Time)]
    assert len(times) > 5
    assert times == sorted(times)


def test_a_log_of_frames_is_not_read_again(tmp_path: Path, plan: Path) -> None:
    from sagline_logger.format import SIGNATURE
    from support.frames import Device

    log = tmp_path / "frames.sagline"
    log.write_bytes(SIGNATURE + b"".join(Device().run(5)))
    status, _, errors = command("reread", log, "--lines", plan)
    assert status == 1
    assert "it holds no raw bytes, but the frames of a board" in errors[0]
    assert not list(tmp_path.glob("*_reread*"))


def test_what_is_wrong_with_a_map_is_said_before_anything_is_opened(tmp_path: Path) -> None:
    plan = tmp_path / "map.toml"
    for text, word in [
        ("", "columns are none"),
        ('[file]\nform = "xml"\n', 'form must be "separated" or'),
        ('[file]\nencoding = "utf-16"\n', "does not end its lines with one byte"),
        ("[file]\ncells = -1\n", "cells must be a whole number"),
    ]:
        plan.write_text(text)
        status, _, errors = command("record", "--serial", "x", "--lines", plan, "--out", tmp_path)
        assert status == 1
        assert word in errors[0], errors
        assert len(errors) == 1
    assert list(tmp_path.iterdir()) == [plan]


@pytest.mark.parametrize(
    ("make", "words"),
    [
        (lambda n: b"%d,48.%d,%d,7\r\n" % (n * 10, n % 10, n % 3), "4 values, separated by commas"),
        (lambda n: b"v=48.%d i=%d\n" % (n % 10, n % 3), "NAME=VALUE pairs, 2 names"),
        (lambda n: b'{"ms":%d,"pack":{"voltage":48.5}}\n' % (n * 10), "JSON objects, 2 names"),
    ],
)
def test_listen_draws_up_a_map_that_works(
    tmp_path: Path, make: Callable[[int], bytes], words: str
) -> None:
    # No value rises steadily but the clock, and the capture lasts until it has something: on a busy
    # machine lines come at any pace, and a rising value may look like a clock of seconds.
    plan, out = tmp_path / "first.toml", tmp_path / "out"
    with port_at(tmp_path / "port") as port, printing(port, make):
        source = ("--serial", port.path)
        status, text, errors = command("listen", *source, "--seconds", 2, "--map", plan)
        assert (status, errors) == (0, [])
        assert words in text
        assert "GUESS" in plan.read_text()
        with recording(*source, "--lines", plan, "--out", out, "--quiet") as logger:
            wait_until(lambda: len(Contents(logged(out)).all(Samples)) >= 3)
            status, text, errors = logger.stop(signal.SIGTERM)
    assert status == 0, errors
    assert "could not be read" not in text
    assert command("verify", the_log(out))[1].rstrip().endswith("Nothing lost.")


def test_listen_tells_silence_noise_and_frames(tmp_path: Path) -> None:
    import random

    from support.frames import Device

    with port_at(tmp_path / "port") as port:
        status, text, _ = command("listen", "--serial", port.path, "--seconds", 0.5)
        assert status == 1
        assert "silence: nothing arrives; is the board on" in text
        luck = random.Random(3)
        with printing(port, lambda n: luck.randbytes(40)):
            status, text, _ = command("listen", "--serial", port.path, "--seconds", 1)
        assert status == 1
        assert "wrong speed (--baud), lines of text" in text
        device = Device()
        with printing(port, lambda n: device.description() + device.samples()):
            status, text, _ = command("listen", "--serial", port.path, "--seconds", 1)
        assert status == 0
        assert "board Kestrel" in text
        assert "pack_voltage, battery_current" in text
        later = encode_frame(b"\x01\x02\x00another layout") + encode_frame(b"\x02not a STREAM")
        with printing(port, lambda n: later):
            status, text, _ = command("listen", "--serial", port.path, "--seconds", 1)
        assert status == 0 and "another version of the format" in text
        assert "board" not in text.split("needs no map")[1] and "stream" not in text
        broken = encode_frame(device.stream.encode()[:-1])
        with printing(port, lambda n: broken + device.samples()):
            status, text, _ = command("listen", "--serial", port.path, "--seconds", 1)
        assert status == 0 and "against the format's rules: STREAM: stream 0 'fast'" in text


def test_the_pre_ride_check_reads_lines_too(tmp_path: Path, plan: Path) -> None:
    with port_at(tmp_path / "port") as port, printing(port):
        status, text, errors = command(
            "check", "--serial", port.path, "--lines", plan, "--seconds", 2
        )
    assert errors == []
    assert status in (0, 1, 3)
    assert "board 'Kestrel', listened for" in text
