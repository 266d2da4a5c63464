"""What a running capture receives, as a source of its own; it never holds the capture up."""

import threading
from collections.abc import Callable

from .source import Advice, LinkLost

_MOST_HELD = 1 << 20
"""Most bytes that wait to be read: some seconds at the highest rates."""


class Tap:
    """A :class:`~.source.Source` of the bytes that another capture takes, from ``open`` on.

    ``connect`` is called with this tap when it is opened, ``disconnect`` when it is closed.
    """

    silence = 3.0
    advice = Advice("is the board sending?", "see what the capture says.")

    def __init__(
        self,
        description: str,
        connect: Callable[["Tap"], None],
        disconnect: Callable[["Tap"], None],
    ) -> None:
        self.description = description
        self._connect = connect
        self._disconnect = disconnect
        self._changed = threading.Condition()
        self._held = bytearray()
        self._behind = self._ended = False

    def open(self) -> None:
        """Begin to take what comes.

        Raises:
            SaglineError: no capture runs.
        """
        self._held.clear()
        self._behind = self._ended = False
        self._connect(self)

    def read(self, timeout: float) -> bytes:
        """Return what has come (see ``Source``)."""
        with self._changed:
            self._changed.wait_for(lambda: self._held or self._behind or self._ended, timeout)
            data = bytes(self._held)
            self._held.clear()
            if not data and self._behind:
                raise LinkLost("the reader of the running capture fell behind")
            if not data and self._ended:
                raise EOFError
            return data

    def close(self) -> None:
        """Take no more."""
        self._disconnect(self)

    def put(self, data: bytes) -> None:
        """Offer bytes; those that a slow reader has no room for end its stream."""
        with self._changed:
            if self._behind or len(self._held) + len(data) > _MOST_HELD:
                self._behind = True
            else:
                self._held += data
            self._changed.notify_all()

    def end(self) -> None:
        """Say that the capture has ended."""
        with self._changed:
            self._ended = True
            self._changed.notify_all()
