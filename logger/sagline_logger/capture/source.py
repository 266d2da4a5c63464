"""The one interface that every source of bytes implements."""

from typing import Protocol


class LinkLost(Exception):
    """The link to the device broke or could not be made; trying again may help.

    ``str(error)`` is one plain line for the LINK record and the screen.
    """


class Source(Protocol):
    """A link that delivers the device's byte stream in arbitrary slices.

    A source is opened, read until it is lost, closed, and may be opened again.  What cannot be
    mended by trying again (no such port, no permission, adapter off) is a ``SaglineError``.
    """

    @property
    def description(self) -> str:
        """One line for people and the CAPTURE record, such as ``serial /dev/ttyUSB0 at 115200``."""

    def open(self) -> None:
        """Make the link.

        Raises:
            LinkLost: it could not be made now; worth another try.
            SaglineError: it cannot be made without the user doing something.
        """

    def read(self, timeout: float) -> bytes:
        """Return the bytes that have arrived, waiting at most ``timeout`` s; empty when none did.

        Raises:
            LinkLost: the link broke.  Bytes that arrived before are returned first.
            EOFError: the source has ended for good (a replayed file).
        """

    def close(self) -> None:
        """Drop the link; harmless when there is none."""
