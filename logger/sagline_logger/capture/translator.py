"""From what a source delivers to pieces of the device's byte stream, as the log holds it."""

from typing import Protocol

from ..format import FrameSplitter, Instant, Piece


class Translator(Protocol):
    """Reads one kind of input.  The pieces that it returns, joined, are the device's stream."""

    @property
    def position(self) -> int:
        """Bytes of the device's stream before what is fed next (frame_format.md §6.3)."""

    def feed(self, data: bytes, now: Instant) -> list[Piece]:
        """Return every piece that ``data``, received ``now``, completes."""

    def finish(self, now: Instant) -> list[Piece]:
        """Return what is left, and start afresh: the link or the capture ended."""


class FramesAsTheyCome:
    """A device that sends frames: nothing to translate."""

    def __init__(self) -> None:
        self.position = 0
        self._splitter = FrameSplitter()

    def feed(self, data: bytes, now: Instant) -> list[Piece]:
        """See :class:`Translator`."""
        self.position += len(data)
        return self._splitter.feed(data)

    def finish(self, now: Instant) -> list[Piece]:
        """See :class:`Translator`."""
        return self._splitter.finish()
