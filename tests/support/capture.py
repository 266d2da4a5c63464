"""A serial port that can be unplugged, and the real programs run against it."""

import contextlib
import fcntl
import os
import shutil
import subprocess
import sys
import termios
import threading
import time
import tty
from collections import deque
from collections.abc import Callable, Iterator
from pathlib import Path
from typing import Protocol, TypeVar

from sagline_logger.format import (
    Foreign,
    FrameSplitter,
    Link,
    LinkState,
    Record,
    decode_record,
    is_host_kind,
)

T = TypeVar("T", bound=Record)

PATIENCE = 60.0
"""s after which a wait fails; only ever reached when something is broken."""
LOGGER = shutil.which("sagline-logger", path=str(Path(sys.executable).parent)) or "sagline-logger"


class Plug(Protocol):
    """A link that can be pulled: ``arguments`` name it to ``record``."""

    @property
    def arguments(self) -> tuple[object, ...]: ...
    def plug(self) -> None: ...
    def unplug(self) -> None: ...
    def send(self, data: bytes) -> None: ...


_GONE: deque[int] = deque()
"""Our ends of terminals that are unplugged.  While one is open the kernel gives its number to no
other test's terminal, which a program that still waits for this one would take for it."""


_SPARE = deque(os.openpty() for _ in range(8))
"""Terminals opened well before they are used.  A program of another test may still wait for a
terminal that has just gone, such as that of a simulated board, and take the next of its number for
it; until the spare one's turn comes that program has ended."""


class Port:
    """A pseudo-terminal behind a stable path, as udev gives a USB adapter one."""

    def __init__(self, path: Path) -> None:
        self.path = path
        self.arguments: tuple[object, ...] = ("--serial", path)
        self.plug()

    def plug(self) -> None:
        """Appear (again), as another pseudo-terminal under the same path."""
        _SPARE.append(os.openpty())
        self._master, self._slave = _SPARE.popleft()
        tty.setraw(self._slave)
        self.path.symlink_to(os.ttyname(self._slave))

    def unplug(self) -> None:
        """Vanish; whoever has the port open finds out."""
        self.path.unlink()
        os.close(self._master)
        _GONE.append(self._slave)
        if len(_GONE) > 200:
            os.close(_GONE.popleft())

    def send(self, data: bytes) -> None:
        """Transmit, waiting while the other end is slow."""
        while data:
            data = data[os.write(self._master, data) :]

    def fileno(self) -> int:
        """Return the far end, for a program that writes to it by itself."""
        return self._master

    def wait_until_read(self) -> None:
        """Wait until the other end has taken all that was sent out of the kernel."""
        wait_until(lambda: not self._unread())
        time.sleep(0.05)  # nothing tells when the last of it has passed on inside the kernel
        wait_until(lambda: not self._unread())

    def _unread(self) -> int:
        return int.from_bytes(fcntl.ioctl(self._slave, termios.FIONREAD, bytes(4)), sys.byteorder)


@contextlib.contextmanager
def port_at(path: Path) -> Iterator[Port]:
    """Give a plugged-in port for as long as the block runs."""
    port = Port(path)
    try:
        yield port
    finally:
        with contextlib.suppress(OSError):
            port.unplug()


class Logger:
    """A running ``sagline-logger`` command; its messages are collected as they come."""

    def __init__(self, *arguments: object, under: tuple[str, ...] = ()) -> None:
        self.process = subprocess.Popen(
            [*under, LOGGER, *map(str, arguments)],
            stdout=subprocess.PIPE,
            stderr=subprocess.PIPE,
            text=True,
        )
        self.errors: list[str] = []
        self._reader = threading.Thread(target=self._collect, daemon=True)
        self._reader.start()

    def _collect(self) -> None:
        assert self.process.stderr is not None
        for line in self.process.stderr:
            self.errors.append(line.rstrip("\n"))

    def wait_for(self, words: str, times: int = 1) -> str:
        """Wait until ``times`` messages hold ``words`` and return the last of them."""

        def told() -> list[str]:
            return [line for line in self.errors if words in line]

        wait_until(lambda: len(told()) >= times or self.process.poll() is not None)
        assert len(told()) >= times, f"{words!r} was not said: {self.errors}"
        return told()[times - 1]

    def finish(self) -> tuple[int, str, list[str]]:
        """Wait for the end; return (exit status, output, messages)."""
        try:
            out = self.process.stdout.read() if self.process.stdout else ""
            status = self.process.wait(PATIENCE)
            self._reader.join(PATIENCE)
        finally:
            self.kill()
        return status, out, self.errors

    def stop(self, number: int) -> tuple[int, str, list[str]]:
        """Send a signal and wait for the end."""
        self.process.send_signal(number)
        return self.finish()

    def kill(self) -> None:
        """Make sure that it is gone."""
        self.process.kill()
        self.process.wait()


@contextlib.contextmanager
def recording(*arguments: object) -> Iterator[Logger]:
    """Run ``sagline-logger record`` and give it once the log exists."""
    logger = Logger("record", *arguments)
    try:
        logger.wait_for("recording")
        yield logger
    finally:
        logger.kill()


def command(*arguments: object, under: tuple[str, ...] = ()) -> tuple[int, str, list[str]]:
    """Run one command to its end; return (exit status, output, messages)."""
    return Logger(*arguments, under=under).finish()


def wait_until(happened: Callable[[], object], pause: float = 0.01) -> None:
    """Wait for something that other programs bring about; look every ``pause`` s."""
    deadline = time.monotonic() + PATIENCE
    while not happened():
        assert time.monotonic() < deadline, "waited in vain"
        time.sleep(pause)


def the_log(directory: Path) -> Path:
    """Return the one log in ``directory``."""
    (path,) = directory.glob("*.sagline")
    return path


def logged(directory: Path) -> bytes:
    """Return the bytes of the one log in ``directory``, even while it is being renamed."""
    deadline = time.monotonic() + PATIENCE
    while True:
        try:
            return the_log(directory).read_bytes()
        except (FileNotFoundError, ValueError):
            assert time.monotonic() < deadline, f"not one log: {sorted(directory.glob('*'))}"


def named(directory: Path, part: str) -> bool:
    """Return whether there is one log with ``part`` in its name: for a moment, while it is being
    renamed, there are two."""
    names = [path.name for path in directory.glob("*.sagline")]
    return len(names) == 1 and part in names[0]


class Contents:
    """A log taken apart: what the device sent, whole and by stretch between lost links, and all
    records."""

    def __init__(self, log: bytes) -> None:
        self.frames: list[bytes] = []
        self.records: list[Record] = []
        self.damaged: list[bytes] = []
        self.stretches = [b""]
        splitter = FrameSplitter()
        for piece in [*splitter.feed(log), *splitter.finish()]:
            if piece.body is None:
                self.damaged.append(piece.raw)
            elif is_host_kind(piece.body):
                record = decode_record(piece.body)
                self.records.append(record)
                if isinstance(record, Foreign):
                    self.stretches[-1] += record.data
                if isinstance(record, Link) and record.state is LinkState.DOWN:
                    self.stretches.append(b"")
            else:
                self.frames.append(piece.raw)
                self.records.append(decode_record(piece.body))
                self.stretches[-1] += piece.raw
        self.stream = b"".join(self.stretches)

    def all(self, kind: type[T]) -> list[T]:
        """Return the records of one kind, in order."""
        return [record for record in self.records if isinstance(record, kind)]
