"""The live view through the real command: a real pseudo-terminal, read by an independent terminal.

The picture is interpreted by ``pyte``, so what is asserted is what a person would see at 80×24.
"""

import fcntl
import os
import re
import signal
import struct
import subprocess
import termios
import threading
from pathlib import Path

import pyte
import pytest

from sagline_logger.format import Mark, read_log
from support.capture import LOGGER, Port, wait_until
from support.frames import Device

LOW_PACK = """
name = "Kestrel"
[battery]
cell_full = 4.2
cell_alarm = 3.3
cell_stop = 3.0
[[battery.units]]
name = "box"
series = 13
parallel = 5
cell_capacity = 3.5
"""


class Terminal:
    """A terminal of a given size with ``sagline-logger record`` running in it."""

    def __init__(self, columns: int, rows: int, command: list[str], **environment: str) -> None:
        self.screen = pyte.Screen(columns, rows)
        self.text = ""
        self._stream = pyte.ByteStream(self.screen)
        self.raw = bytearray()
        self._master, slave = os.openpty()
        fcntl.ioctl(slave, termios.TIOCSWINSZ, struct.pack("HHHH", rows, columns, 0, 0))
        clean = {k: v for k, v in os.environ.items() if k not in ("NO_COLOR", "COLUMNS", "LINES")}
        self.process = subprocess.Popen(
            command,
            stdin=slave,
            stdout=slave,
            stderr=slave,
            env={**clean, "TERM": "xterm", **environment},
            start_new_session=True,
        )
        os.close(slave)
        self._reader = threading.Thread(target=self._read, daemon=True)
        self._reader.start()

    def _read(self) -> None:
        while True:
            try:
                data = os.read(self._master, 65536)
            except OSError:
                return
            if not data:
                return
            self.raw += data
            self._stream.feed(data)

    def shows(self, words: str) -> bool:
        return any(words in line for line in self.screen.display)

    def type(self, keys: str) -> None:
        os.write(self._master, keys.encode())

    def finish(self) -> int:
        status = self.process.wait(60)
        self._reader.join(10)
        return status


@pytest.fixture
def port(tmp_path):
    return Port(tmp_path / "port")


@pytest.fixture
def feed(port):
    """Keep the device talking until the test ends."""
    device = Device(volts=40.0)
    over = threading.Event()

    def talk() -> None:
        while not over.is_set():
            port.send(device.description() + device.samples(5))
            over.wait(0.05)

    thread = threading.Thread(target=talk, daemon=True)
    thread.start()
    yield device
    over.set()
    thread.join(10)


def record(tmp_path: Path, port: Port, *more: str) -> list[str]:
    return [LOGGER, "record", "--serial", str(port.path), "--out", str(tmp_path / "out"), *more]


def marks(tmp_path: Path) -> list[Mark]:
    (log,) = (tmp_path / "out").glob("*.sagline")
    with log.open("rb") as file:
        return [entry.record for entry in read_log(file) if isinstance(entry.record, Mark)]


def test_80_by_24_shows_the_numbers_marks_with_text_and_stops_on_q(tmp_path, port, feed):
    (tmp_path / "out").mkdir()
    terminal = Terminal(80, 24, record(tmp_path, port))
    wait_until(lambda: terminal.shows("Kestrel") and terminal.shows("link up"))
    assert terminal.shows("battery current")
    assert terminal.shows("Do not read a screen while riding")
    terminal.type("m")
    wait_until(lambda: terminal.shows("mark 1: _"))
    terminal.type("first hilk\x7fl\r")
    wait_until(lambda: terminal.shows("m mark"))
    terminal.type("m")
    wait_until(lambda: terminal.shows("mark 2: _"))
    terminal.type("\r")
    wait_until(lambda: terminal.shows("m mark"))
    terminal.type("q")
    assert terminal.finish() == 0
    found = [(mark.number, mark.text) for mark in marks(tmp_path)]
    assert found == [(1, ""), (1, "first hill"), (2, "")]


@pytest.mark.parametrize(("columns", "rows", "large"), [(120, 40, 6), (80, 24, 3), (40, 12, 0)])
def test_figures_use_the_screen_there_is(tmp_path, port, feed, columns, rows, large):
    (tmp_path / "out").mkdir()
    board = tmp_path / "kestrel.toml"
    board.write_text(LOW_PACK)
    terminal = Terminal(columns, rows, record(tmp_path, port, "--board", str(board)))
    wait_until(lambda: terminal.shows("ALARM pack voltage 40 V"))
    display = terminal.screen.display
    for words in ("speed", "charge", "battery", "pack"):
        assert terminal.shows(words), display
    assert terminal.shows("! pack voltage" if large else "!pack      40.0 V")
    first = next(n for n, line in enumerate(display) if "speed" in line)
    blocks = [any(sign in line for sign in "█▀▄") for line in display[first + 1 :]]
    height = blocks.index(False) if large else 0
    assert height == (large if large == 3 else large - 1 if large else 0)
    assert terminal.shows("Do not read a screen") or columns < 80
    terminal.type("q")
    assert terminal.finish() == 0
    # At the end: what was captured, what alarmed, and the next command.
    told = " ".join(" ".join(line.split()) for line in terminal.screen.display if line.strip())
    whole = re.sub(r"\s+", "", bytes(terminal.raw).split(b"\x1b[?1049l")[1].decode())
    assert "recorded" in whole and "alarmed:packvoltagebelow" in whole, told
    assert "next:sagline-analyserplot" in whole


def test_a_threshold_of_the_board_file_rings_and_is_told_in_words(tmp_path, port, feed):
    (tmp_path / "out").mkdir()
    board = tmp_path / "kestrel.toml"
    board.write_text(LOW_PACK)
    terminal = Terminal(80, 24, record(tmp_path, port, "--board", str(board)))
    wait_until(lambda: terminal.shows("ALARM pack voltage 40 V, below"))
    wait_until(lambda: b"\a" in terminal.raw)
    terminal.process.send_signal(signal.SIGINT)
    assert terminal.finish() == 0
    assert terminal.raw.count(b"\a") <= 2  # when raised, not with each picture


def test_a_pack_above_full_rings(tmp_path, port, feed):
    (tmp_path / "out").mkdir()
    board = tmp_path / "kestrel.toml"
    board.write_text(LOW_PACK.replace("series = 13", "series = 9"))
    terminal = Terminal(80, 24, record(tmp_path, port, "--board", str(board)))
    wait_until(lambda: terminal.shows("ALARM pack voltage 40 V, above 37.8 (every cell, full)"))
    wait_until(lambda: b"\a" in terminal.raw)
    terminal.type("q")
    assert terminal.finish() == 0


def test_without_colour_the_words_are_the_same(tmp_path, port, feed):
    (tmp_path / "out").mkdir()
    terminal = Terminal(80, 24, record(tmp_path, port), NO_COLOR="1")
    wait_until(lambda: terminal.shows("link up"))
    terminal.type("q")
    assert terminal.finish() == 0
    picture = bytes(terminal.raw).split(b"\x1b[?1049l")[0]
    assert b"m" not in {sequence[-1:] for sequence in _sequences(picture)}


def test_a_dumb_terminal_and_quiet_get_status_lines(tmp_path, port, feed):
    (tmp_path / "out").mkdir()
    for more, environment in (([], {"TERM": "dumb"}), (["--quiet"], {})):
        terminal = Terminal(80, 24, record(tmp_path, port, *more), **environment)
        wait_until(lambda terminal=terminal: terminal.shows("link up"))
        terminal.process.send_signal(signal.SIGTERM)
        assert terminal.finish() == 0
        assert b"\x1b[?1049h" not in terminal.raw


def test_a_terminal_that_stops_reading_does_not_hold_up_capture(tmp_path, port):
    """Ctrl-S in a terminal: output blocks; the log must keep growing all the same."""
    (tmp_path / "out").mkdir()
    master, slave = os.openpty()
    fcntl.ioctl(slave, termios.TIOCSWINSZ, struct.pack("HHHH", 24, 80, 0, 0))
    process = subprocess.Popen(
        record(tmp_path, port),
        stdin=slave,
        stdout=slave,
        stderr=subprocess.DEVNULL,
        env={**os.environ, "TERM": "xterm"},
    )
    os.close(slave)  # nobody ever reads the master: the terminal's buffer fills and writes block
    device = Device()
    try:
        wait_until(lambda: list((tmp_path / "out").glob("*.sagline")))
        port.send(device.description())
        for _ in range(60):  # about 3 s of pictures are over 64 KiB
            port.send(device.samples(5))
            port.wait_until_read()
            threading.Event().wait(0.1)
        process.send_signal(signal.SIGTERM)
        (log,) = (tmp_path / "out").glob("*.sagline")
        wait_until(lambda: b"stopped by SIGTERM" in log.read_bytes())
        assert log.read_bytes().count(b"\0") > 60
    finally:
        os.close(master)
        process.kill()
        process.wait()


def _sequences(data: bytes) -> list[bytes]:
    return re.findall(rb"\x1b\[[0-9;?]*[A-Za-z]", data)
