"""Descriptors, which a board sends again and again."""

from dataclasses import dataclass

import numpy as np
import numpy.typing as npt

from sagline_logger.format import Board, Stream

from .frames import Block, Bytes, Places, gather


def varying(record: Board | Stream) -> slice:
    """Return the bytes of a descriptor's body that differ each time it comes: a BOARD's clock."""
    return Board.CLOCK if isinstance(record, Board) else slice(0, 0)


@dataclass(frozen=True)
class KnownDescriptor:
    """A descriptor that came before; its repetitions are told by their bytes, many at once."""

    record: Board | Stream
    body: Bytes
    varies: npt.NDArray[np.bool_]

    @classmethod
    def of(cls, record: Board | Stream, body: bytes) -> "KnownDescriptor":
        """Return what is known of the bodies that are like ``body``."""
        varies = np.zeros(len(body), np.bool_)
        varies[varying(record)] = True
        return cls(record, np.frombuffer(body, np.uint8), varies)

    def among(self, block: Block, frames: Places) -> npt.NDArray[np.bool_]:
        """Return which of some frames are this descriptor."""
        size = self.body.size
        found: npt.NDArray[np.bool_] = block.size[frames] == size
        bodies = gather(block.data, np.dtype(f"V{size}"), block.start[frames[found]])
        same = bodies.view(np.uint8).reshape(-1, size) == self.body
        found[found] = (same | self.varies).all(axis=1)
        return found
