"""The one interface that every source of bytes implements, and how its module offers it."""

from collections.abc import Callable
from dataclasses import dataclass
from typing import Any, Protocol


class LinkLost(Exception):
    """The link to the device broke or could not be made; trying again may help.

    ``str(error)`` is one plain line for the LINK record and the screen.
    """


@dataclass(frozen=True)
class Advice:
    """What to look at when a link is open and something is wrong, each the end of a line."""

    silent: str
    """Nothing arrives at all."""
    undecoded: str
    """Bytes arrive, and none of them make a frame."""


class Source(Protocol):
    """A link that delivers the device's byte stream in arbitrary slices.

    A source is opened, read until it is lost, closed, and may be opened again.  What cannot be
    mended by trying again (no such port, no permission, adapter off) is a ``SaglineError``.
    """

    @property
    def description(self) -> str:
        """One line for people and the CAPTURE record, such as ``serial /dev/ttyUSB0 at 115200``."""

    @property
    def silence(self) -> float:
        """Seconds without a byte after which the device counts as gone, the link still open."""

    @property
    def advice(self) -> Advice:
        """What to look at when the link is open and something is wrong."""

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
        """Drop the link; harmless when there is none.  Any thread may call it."""


@dataclass(frozen=True)
class Option:
    """One option of the command line; ``default`` stands when it is not given.

    One without a ``metavar`` takes no value and is True when given.
    """

    flag: str
    metavar: str
    help: str
    type: Callable[[str], Any] = str
    default: Any = None

    @property
    def name(self) -> str:
        """The option's value in the parsed arguments."""
        return self.flag.lstrip("-").replace("-", "_")
