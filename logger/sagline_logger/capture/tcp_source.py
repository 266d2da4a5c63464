"""A TCP connection as a source: a bridge, or another machine, that passes a board's bytes on.

pyserial's own ``socket://`` was tried first.  It throws away what has come by the time the port is
open (the description, the first lines), hides the number of an error, and waits 0.3 s at each
close; so the forty lines are ours.
"""

import contextlib
import errno
import ipaddress
import os
import select
import socket
import time
from argparse import ArgumentTypeError

from ..format import SaglineError
from .source import Advice, LinkLost, Option
from .source_kind import LINES, SourceKind

_CONNECT = 5.0  # s that making the connection may take
_MOST = 1 << 16
"""Bytes taken by one read; what waits beyond that stays in the system's buffers, and with the
sender when they are full."""
_GONE = 60.0
"""Seconds without a byte after which the connection is made anew: a machine that lost its power
does not say so."""
_FEW, _PACE = 1024, 0.005  # bytes, s: see serial_source


class TcpSource:
    """A connection to ``host`` and ``port``, to this machine itself unless ``remote``."""

    silence = 3.0
    advice = Advice(
        "does the bridge hear the board?",
        "does the bridge pass the board's own bytes on?",
    )

    def __init__(self, host: str, port: int, remote: bool) -> None:
        self._address = host, port
        self._name = f"[{host}]:{port}" if ":" in host else f"{host}:{port}"
        self._remote = remote
        self._socket: socket.socket | None = None
        self._heard = 0.0
        self._pause = False

    @property
    def description(self) -> str:
        """Host and port."""
        return f"TCP {self._name}"

    def open(self) -> None:
        """Connect; see :class:`Source`."""
        self.close()
        if not (self._remote or _is_loopback(self._address[0])):
            raise SaglineError(
                "this is another machine: nothing proves who sends from there, or keeps others "
                "from listening",
                where=self._name,
                remedy="if that is meant, add --remote",
            )
        try:
            made = socket.create_connection(self._address, _CONNECT)
        except socket.gaierror:
            raise SaglineError(
                "no machine of that name is known", where=self._name, remedy="check the name"
            ) from None
        except TimeoutError:
            raise LinkLost(f"{self._name}: no answer within {_CONNECT:g} s") from None
        except OSError as problem:
            if problem.errno == errno.ECONNREFUSED:
                raise LinkLost(f"{self._name}: nothing takes connections there") from None
            raise LinkLost(f"{self._name}: {problem.strerror or problem}") from None
        made.setblocking(False)
        made.setsockopt(socket.SOL_SOCKET, socket.SO_KEEPALIVE, 1)
        self._socket, self._heard, self._pause = made, time.monotonic(), False

    def read(self, timeout: float) -> bytes:
        """Return what has arrived; see :class:`Source`."""
        link = self._socket
        if link is None:
            raise LinkLost(f"{self._name} is not open")
        if self._pause:
            time.sleep(_PACE)
        try:
            if not select.select([link], [], [], timeout)[0]:
                if time.monotonic() - self._heard > _GONE:
                    raise LinkLost(f"{self._name}: nothing received for {_GONE:g} s")
                return b""
            data = link.recv(_MOST)
        except BlockingIOError:
            return b""
        except (OSError, ValueError) as problem:  # ValueError: closed by another thread
            number = getattr(problem, "errno", None)
            why = os.strerror(number) if number else "it was closed"
            raise LinkLost(f"{self._name}: {why}") from None
        if not data:
            raise LinkLost(f"{self._name}: the other end closed the connection")
        self._heard, self._pause = time.monotonic(), len(data) < _FEW
        return data

    def close(self) -> None:
        """Let the connection go."""
        link, self._socket = self._socket, None
        if link is not None:
            with contextlib.suppress(OSError):
                link.close()


def _is_loopback(host: str) -> bool:
    """Whether ``host`` is this machine itself by its very name; no other is looked up."""
    try:
        return ipaddress.ip_address(host).is_loopback
    except ValueError:
        return host.lower() == "localhost"


def address(text: str) -> tuple[str, int]:
    """Return (host, port) of ``HOST:PORT``, ``[HOST]:PORT`` or a port of this machine."""
    host, _, port = text.rpartition(":")
    if not (port.isascii() and port.isdigit() and 0 < int(port) < 65536):
        raise ArgumentTypeError(f"{text!r} is not HOST:PORT, with a port from 1 to 65535")
    return host.strip("[]") or "127.0.0.1", int(port)


KIND = SourceKind(
    Option("--tcp", "HOST:PORT", "a TCP server that passes a board's bytes on", address),
    lambda given: TcpSource(given["tcp"][0], given["tcp"][1], bool(given["remote"])),
    (Option("--remote", "", "allow another machine than this one"), LINES),
)
