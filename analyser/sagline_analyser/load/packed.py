"""Samples as they stand in the bytes of a log, one after the other in rows of equal size."""

from dataclasses import dataclass

import numpy as np
import numpy.typing as npt

from .frames import Bytes, Places, gather


@dataclass(frozen=True)
class Packed:
    """The samples of some SAMPLES records, still where they were read: ``count`` samples of ``row``
    bytes each stand in ``data`` from every ``start`` on."""

    data: Bytes
    start: Places
    count: Places
    row: int

    @property
    def size(self) -> int:
        """How many samples there are."""
        return int(self.count.sum()) if self.row else 0

    def rows(self) -> npt.NDArray[np.void]:
        """Return the samples one after the other, one item each."""
        row, start, count = self.row, self.start, self.count
        if not self.size:
            return np.empty(0, f"V{row or 1}")
        if (count == count[0]).all():  # as a board sends them, but for its last record
            return gather(self.data, np.dtype(f"V{count[0] * row}"), start).view(f"V{row}")
        packed = np.empty(int(count.sum()) * row, np.uint8)
        place = (np.cumsum(count) - count) * row
        for one in np.unique(count):  # records of one length move together
            own = count == one
            size = np.dtype(f"V{one * row}")
            items = packed.size - size.itemsize + 1
            target = np.ndarray((items,), size, packed.data, strides=(1,))
            target[place[own]] = gather(self.data, size, start[own])
        return packed.view(f"V{row}")
