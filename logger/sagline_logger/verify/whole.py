"""What a log lacks by its own account: TIME places the device's bytes, END counts its frames.

Source: ``protocol_docs/frame_format.md`` §6.1 and §6.3.
"""

from dataclasses import dataclass

from ..format import Board, Dropped, End, Entry, Event, Foreign, Samples, Stream, Time, Unknown


@dataclass(frozen=True)
class Lacked:
    """Sound device frames and device bytes that a capture lacks; bytes are a lower bound.

    ``held`` is how many sound device frames it holds.
    """

    frames: int
    bytes: int
    held: int


class Wholeness:
    """Holds what stands in a capture against what its records say was received."""

    def __init__(self) -> None:
        self._at = 0  # place in the file
        self._begin()

    def _begin(self) -> None:
        self._bytes = self._frames = self._dropped = self._missing = 0
        self._unknown = 0  # bytes that DROPPED records of an early kind may explain
        self._foreign = 0  # bytes of FOREIGN records that follow each other
        self._position: int | None = None
        self._counted: int | None = None

    def zeros(self, until: int) -> None:
        """Take what lies between the entry before and place ``until`` of the file: lone zeros.

        They belong to the capture of that entry, or else to the first.
        """
        if until > self._at:
            self._end_foreign()
            self._device(until - self._at)
            self._at = until

    def take(self, entry: Entry) -> None:
        """Take the next entry."""
        self.zeros(entry.offset)
        self._at = entry.offset + entry.size
        if not isinstance(entry.record, Foreign):
            self._end_foreign()
        match entry.record:
            case Time(position=position):
                self._position = position
            case Foreign(data=data):
                self._foreign += len(data)
            case Dropped(frames=frames, size=size, device=device):
                self._dropped += frames
                self._device(device or 0)
                self._unknown += size if device is None else 0
            case End(frames=frames):
                self._counted = frames
            case Board() | Stream() | Samples() | Event():
                self._frames += 1
                self._device(entry.size)
            case Unknown(body=body) if body[0] < 0x80:
                self._frames += 1
                self._device(entry.size)
            case None if entry.zeros:
                self._device(entry.size)
            case None if entry.refused and entry.device:
                self._frames += 1
                self._device(entry.size)

    def _end_foreign(self) -> None:
        self._device(self._foreign)
        self._foreign = 0

    def _device(self, size: int) -> None:
        """Count device bytes that stand together."""
        if size <= 0:
            return
        position, self._position = self._position, None
        if position is not None:
            ahead = position - self._bytes - self._missing
            if ahead < 0:  # the file has more than was received: zeros, or a writer's own count
                self._bytes += ahead
            elif (beyond := ahead - size + 1) > 0:
                explained = min(beyond, self._unknown)
                self._unknown -= explained
                self._bytes += explained
                self._missing += beyond - explained
        self._bytes += size

    def end_capture(self) -> Lacked:
        """Return what the capture lacks, and begin the next."""
        self._end_foreign()
        frames = 0
        if self._counted is not None:
            frames = max(self._counted - self._frames - self._dropped, 0)
        missing = Lacked(frames, self._missing, self._frames)
        self._begin()
        return missing
