"""Who gets in: a bounded number of connections, taken up no faster than the capture can spare."""

import asyncio
import contextlib
import socket
import ssl
import time
from collections import Counter
from collections.abc import Callable, Iterator
from dataclasses import dataclass, field

MOST = 48
"""Connections at one time."""
MOST_EACH = 12
"""Connections at one time of one address; a browser opens six."""
_PER_SECOND, _BURST = 200.0, 200.0  # connections taken up; most of a flood is dropped at once
_IDLE = 15.0  # s without a request after which a connection is dropped
_SWEEP = 1.0


class Bucket:
    """A token bucket: ``rate`` a second on average, ``burst`` at once."""

    def __init__(self, rate: float, burst: float) -> None:
        self._rate, self._burst = rate, burst
        self._left, self._at = burst, time.monotonic()

    def take(self) -> float:
        """Take one if there is one and return 0, else return the s until there will be."""
        now = time.monotonic()
        self._left = min(self._burst, self._left + (now - self._at) * self._rate)
        self._at = now
        if self._left >= 1:
            self._left -= 1
            return 0.0
        return (1 - self._left) / self._rate


@dataclass
class _Connection:
    address: str
    transport: asyncio.Transport | None = None
    heard: float = field(default_factory=time.monotonic)
    busy: int = 0
    dropped: bool = False


class Gate:
    """Takes up connections on ``listening`` for ``protocol``; for one event loop.

    What is above the bounds waits in the kernel's short queue or is refused there, so that a flood
    costs the capture nothing.
    """

    def __init__(
        self,
        listening: socket.socket,
        protocol: Callable[[], asyncio.Protocol],
        tls: ssl.SSLContext | None = None,
    ) -> None:
        self._listening = listening
        self._protocol = protocol
        self._tls = tls
        self._open: dict[tuple[str, int], _Connection] = {}
        self._tasks: set[asyncio.Task[None]] = set()

    async def run(self) -> None:
        """Take up connections until cancelled."""
        loop = asyncio.get_running_loop()
        bucket = Bucket(_PER_SECOND, _BURST)
        sweeping = loop.create_task(self._sweep())
        try:
            while True:
                if wait := bucket.take():
                    await asyncio.sleep(wait)
                    continue
                try:
                    one, peer = await loop.sock_accept(self._listening)
                except OSError:  # out of descriptors, or gone before it was taken up
                    await asyncio.sleep(0.2)
                    continue
                self._admit(one, peer[:2])
        finally:
            sweeping.cancel()
            for task in tuple(self._tasks):
                task.cancel()
            for connection in tuple(self._open.values()):
                if connection.transport is not None:
                    connection.transport.abort()

    @contextlib.contextmanager
    def serving(self, peer: tuple[str, int] | None) -> Iterator[None]:
        """Note that a request of ``peer`` is under way."""
        connection = self._open.get(peer) if peer else None
        if connection is not None:
            connection.busy += 1
        try:
            yield
        finally:
            if connection is not None:
                connection.busy -= 1
                connection.heard = time.monotonic()

    def _admit(self, one: socket.socket, peer: tuple[str, int]) -> None:
        self._prune()
        each = Counter(connection.address for connection in self._open.values())
        if each[peer[0]] >= MOST_EACH:
            self._make_room(peer[0])
        elif len(self._open) >= MOST:
            self._make_room(None)
        each = Counter(connection.address for connection in self._open.values())
        if len(self._open) >= MOST or each[peer[0]] >= MOST_EACH:
            one.close()
            return
        connection = self._open[peer] = _Connection(peer[0])
        task = asyncio.get_running_loop().create_task(self._take_up(one, connection))
        self._tasks.add(task)
        task.add_done_callback(self._tasks.discard)

    async def _take_up(self, one: socket.socket, connection: _Connection) -> None:
        one.setblocking(False)
        try:
            connection.transport, _ = await asyncio.get_running_loop().connect_accepted_socket(
                self._protocol,
                one,
                ssl=self._tls,
                ssl_handshake_timeout=_IDLE if self._tls else None,
            )
            if connection.dropped:  # while TLS was still being agreed
                connection.transport.abort()
        except OSError:  # an SSLError is one, too
            one.close()
            connection.dropped = True

    def _prune(self) -> None:
        """Forget the connections that have ended."""
        self._open = {
            peer: one
            for peer, one in self._open.items()
            if not (one.dropped or (one.transport and one.transport.is_closing()))
        }

    def _make_room(self, address: str | None) -> None:
        """Drop the connection that has been still for longest (of ``address``)."""
        still = [
            connection
            for connection in self._open.values()
            if not connection.busy and address in (None, connection.address)
        ]
        if still:
            self._drop(min(still, key=lambda connection: connection.heard))

    def _drop(self, connection: _Connection) -> None:
        connection.dropped = True
        if connection.transport is not None:
            connection.transport.abort()
        self._open = {peer: one for peer, one in self._open.items() if one is not connection}

    async def _sweep(self) -> None:
        while True:
            await asyncio.sleep(_SWEEP)
            self._prune()
            before = time.monotonic() - _IDLE
            for connection in tuple(self._open.values()):
                if not connection.busy and connection.heard < before:
                    self._drop(connection)
