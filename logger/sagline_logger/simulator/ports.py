"""Where the simulated board's bytes go: a pseudo-terminal or standard output."""

import array
import contextlib
import fcntl
import os
import select
import termios
import time
import tty
from typing import Protocol

from ..format import SaglineError
from ..format.stop_flag import StopFlag

SETTLE = 0.3
"""s between a reader's opening the port (or emptying it) and the first byte.

Serial libraries throw away what has arrived while they open a port; bytes sent in that moment
would be lost although a reader was there.
"""

GLANCE = 0.02
"""s between looks at whether a reader has come."""

LINGER = 2.0
"""s a reader gets to fetch the last bytes."""

_FLUSHED = 1  # TIOCPKT_FLUSHREAD of <asm/ioctls.h>: the reader emptied its input queue
_CHUNK = 512  # a pipe that polls writable takes this much without blocking (PIPE_BUF, POSIX)


class Port(Protocol):
    """A way out for bytes."""

    def wait_for_reader(self, stop: StopFlag) -> bool:
        """Wait until someone can receive; False when ``stop`` was set first."""

    def send(self, data: bytes, stop: StopFlag) -> bool:
        """Send all of ``data``, waiting for room; False when it did not get out whole."""

    def close(self, stop: StopFlag) -> None:
        """Let the reader fetch the rest, then close."""


class PseudoTerminal:
    """A serial port that exists only in this computer; ``path`` is its name.

    We hold the one end and keep the other closed ourselves: the kernel then tells by POLLHUP
    whether a reader has it open.  Packet mode tells when the reader empties its input queue.
    """

    def __init__(self) -> None:
        try:
            self._ours, theirs = os.openpty()
        except OSError as problem:
            raise SaglineError(
                f"cannot open a pseudo-terminal ({problem.strerror})",
                where="simulate",
                remedy="use --stdout",
            ) from None
        tty.setraw(theirs)
        self.path = os.ttyname(theirs)
        os.close(theirs)
        os.set_blocking(self._ours, False)
        fcntl.ioctl(self._ours, termios.TIOCPKT, array.array("i", [1]))
        self._poll = select.poll()
        self._poll.register(self._ours, select.POLLIN | select.POLLPRI)
        self._room = select.poll()
        self._room.register(self._ours, select.POLLOUT)
        self._quiet_since: float | None = None
        """When the reader opened or last emptied the port; None without a reader."""

    def _look(self) -> None:
        """Find out whether there is a reader and whether it emptied its queue."""
        while events := self._poll.poll(0):
            if events[0][1] & select.POLLHUP:
                self._quiet_since = None
                return
            try:
                packet = os.read(self._ours, 4096)
            except OSError:  # it went between the look and the read
                self._quiet_since = None
                return
            # A packet that begins with 0 carries what the reader wrote; this board takes no orders.
            if packet[:1] and packet[0] & _FLUSHED:
                self._quiet_since = time.monotonic()
        if self._quiet_since is None:
            self._quiet_since = time.monotonic()

    @property
    def _ready(self) -> bool:
        quiet = self._quiet_since
        return quiet is not None and time.monotonic() - quiet >= SETTLE

    def wait_for_reader(self, stop: StopFlag) -> bool:
        """Wait until a reader has had the port open for a moment."""
        while not stop.is_set():
            self._look()
            if self._ready:
                return True
            stop.wait(GLANCE)
        return False

    def send(self, data: bytes, stop: StopFlag) -> bool:
        """Send ``data`` if there is a reader; bytes for nobody are dropped, as on a real wire."""
        self._look()
        if not self._ready:
            return False
        rest = memoryview(data)
        while rest:
            try:
                rest = rest[os.write(self._ours, rest) :]
            except BlockingIOError:  # a slow reader: hold, it is only a simulation
                self._room.poll(100)
                self._look()
                if self._quiet_since is None or stop.is_set():
                    return False
        return True

    def close(self, stop: StopFlag) -> None:
        """Close once the reader has fetched everything, or after a while."""
        self._look()
        if self._quiet_since is not None:
            with contextlib.suppress(OSError):
                self._drain(stop)
        os.close(self._ours)

    def _drain(self, stop: StopFlag) -> None:
        """Wait until the reader's queue stays empty; closing at once would throw it away."""
        theirs = os.open(self.path, os.O_RDONLY | os.O_NOCTTY | os.O_NONBLOCK)
        try:
            end, empty = time.monotonic() + LINGER, 0
            waiting = array.array("i", [0])
            # The kernel refills the queue from a buffer behind it, so one empty look is not enough.
            while empty < 3 and time.monotonic() < end and not stop.is_set():
                fcntl.ioctl(theirs, termios.FIONREAD, waiting)
                empty = 0 if waiting[0] else empty + 1
                time.sleep(GLANCE)
        finally:
            os.close(theirs)


class StandardOutput:
    """Bytes to a pipe or a file; ``descriptor`` is 1 but for tests."""

    def __init__(self, descriptor: int = 1) -> None:
        if os.isatty(descriptor):
            raise SaglineError(
                "frames are bytes, not text for a terminal",
                where="standard output",
                remedy="send it to a file or another program",
            )
        self._descriptor = descriptor
        self._room = select.poll()
        self._room.register(descriptor, select.POLLOUT)

    def wait_for_reader(self, stop: StopFlag) -> bool:
        """Whatever stands behind standard output is there already."""
        return not stop.is_set()

    def send(self, data: bytes, stop: StopFlag) -> bool:
        """Write ``data``, waiting for room in short spells so that a signal gets through.

        Raises:
            BrokenPipeError: the reader went away.
        """
        rest = memoryview(data)
        while rest:
            if stop.is_set():
                return False
            if self._room.poll(100):
                rest = rest[os.write(self._descriptor, rest[:_CHUNK]) :]
        return True

    def close(self, stop: StopFlag) -> None:
        """Leave standard output to the process."""
