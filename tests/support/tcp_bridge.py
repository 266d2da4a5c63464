"""A bridge that serves a board's bytes by TCP on the loopback, and can be pulled like a port."""

import contextlib
import socket
from collections.abc import Iterator
from pathlib import Path

from .capture import PATIENCE


class Bridge:
    """Listens on one port of 127.0.0.1 and sends to whoever connects, one at a time."""

    def __init__(self, path: Path) -> None:
        self._listener: socket.socket | None = None
        self._link: socket.socket | None = None
        self.port = 0
        self.plug()
        self.arguments: tuple[object, ...] = ("--tcp", f"127.0.0.1:{self.port}")

    def plug(self) -> None:
        """Take connections (again), on the same port."""
        self._listener = socket.socket()
        self._listener.setsockopt(socket.SOL_SOCKET, socket.SO_REUSEADDR, 1)
        self._listener.bind(("127.0.0.1", self.port))
        self._listener.listen(1)
        self._listener.settimeout(PATIENCE)
        self.port = self._listener.getsockname()[1]

    def unplug(self) -> None:
        """Drop the link and take no other."""
        for one in (self._link, self._listener):
            if one is not None:
                one.close()
        self._link = self._listener = None

    def send(self, data: bytes) -> None:
        """Transmit, waiting for a connection, and while the other end is slow."""
        if self._link is None:
            assert self._listener is not None
            self._link, _ = self._listener.accept()
        with contextlib.suppress(BrokenPipeError, ConnectionResetError):  # killed: nobody hears
            self._link.sendall(data)

    def connected(self) -> None:
        """Wait until somebody has connected."""
        self.send(b"")


@contextlib.contextmanager
def bridge_at(path: Path) -> Iterator[Bridge]:
    """Give a bridge for as long as the block runs."""
    bridge = Bridge(path)
    try:
        yield bridge
    finally:
        bridge.unplug()
