"""From what a source delivers to pieces of the device's byte stream, as the log holds it."""

from collections.abc import Callable
from dataclasses import dataclass
from typing import Protocol

from ..format import VERSION, Dropped, FrameSplitter, Instant, Link, Piece, Raw

Item = Piece | Raw | Link | Dropped
"""A piece of the device's stream, or input kept as it came, from which the pieces behind it were
made (frame_format.md §6.6), or what is to be said of a link that is up or of input that is lost."""


class Translator(Protocol):
    """Reads one kind of input.  The pieces that it returns, joined, are the device's stream."""

    @property
    def position(self) -> int:
        """Bytes of the device's stream before what is fed next (frame_format.md §6.3)."""

    @property
    def unread(self) -> int:
        """How many lines (or frames of another bus) could not be read so far."""

    @property
    def unread_of(self) -> str:
        """What those are, in the plural."""

    @property
    def tells_time(self) -> bool:
        """Whether the device's clock is its own, so that a restart shows in it."""

    @property
    def silence(self) -> float:
        """Seconds that the device may be still for, if longer than the source says."""

    @property
    def undecoded(self) -> str:
        """What to look at when nothing makes a frame; empty: what the source says."""

    def feed(self, data: bytes, now: Instant) -> list[Item]:
        """Return every piece that ``data``, received ``now``, completes."""

    def finish(self, now: Instant) -> list[Item]:
        """Return what is left, and start afresh: the link or the capture ended."""

    def news(self) -> list[str]:
        """Return what is to be told about the input since the last call, in lines."""


class FramesAsTheyCome:
    """A device that sends frames: nothing to translate."""

    unread = 0
    unread_of = "frames"
    tells_time = True
    silence = 0.0
    undecoded = ""

    def __init__(self) -> None:
        self.position = 0
        self._splitter = FrameSplitter()

    def feed(self, data: bytes, now: Instant) -> list[Item]:
        """See :class:`Translator`."""
        self.position += len(data)
        return list(self._splitter.feed(data))

    def finish(self, now: Instant) -> list[Item]:
        """See :class:`Translator`."""
        return list(self._splitter.finish())

    def news(self) -> list[str]:
        """See :class:`Translator`."""
        return []


@dataclass(frozen=True)
class Translation:
    """How a capture reads its input: ``make`` begins a new one.

    ``files`` (name, content) are what it goes by, for the log; ``settings`` and ``note`` are what
    those say beside that.  ``version`` is the lowest of the format that a log of it needs.
    """

    make: Callable[[], Translator] = FramesAsTheyCome
    files: tuple[tuple[str, bytes], ...] = ()
    settings: tuple[tuple[str, str], ...] = ()
    note: str = ""
    version: tuple[int, int] = VERSION


FRAMES = Translation()
"""Of a device that sends frames."""
