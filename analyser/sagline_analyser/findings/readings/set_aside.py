"""A stream's columns without what is doubted of them, made as they are asked for."""

from collections.abc import Iterator, Mapping
from dataclasses import dataclass, field

import numpy as np
import numpy.typing as npt

from .series import KEEP, Array

Numbers = npt.NDArray[np.intp]


@dataclass(frozen=True)
class SetAside(Mapping[str, Array]):
    """The columns of ``read``, each of shape (n,), with NaN at the samples ``gone``.

    A column of which nothing is gone is the very same.  The others are kept once they are made,
    but for a long ride's: a second copy of all its columns would fill the memory.
    """

    read: Mapping[str, Array]
    gone: Mapping[str, Numbers]
    """Numbers of the samples, in rising order, of those columns that lose any."""
    _made: dict[str, Array] = field(default_factory=dict, init=False, repr=False)

    def __getitem__(self, key: str) -> Array:
        made = self._made.get(key)
        if made is not None:
            return made
        value, gone = self.read[key], self.gone.get(key)
        if gone is None or not len(gone):
            return value
        value = value.copy()
        value[gone] = np.nan
        if len(value) <= KEEP:
            self._made[key] = value
        return value

    def __iter__(self) -> Iterator[str]:
        return iter(self.read)

    def __len__(self) -> int:
        return len(self.read)


def part_of(values: Mapping[str, Array], span: slice) -> Mapping[str, Array]:
    """Return the samples ``span`` of some columns, nothing copied."""
    if not isinstance(values, SetAside):
        return {key: column[span] for key, column in values.items()}
    start, stop = int(span.start), int(span.stop)
    gone = {}
    for key, numbers in values.gone.items():
        first, last = np.searchsorted(numbers, (start, stop))
        gone[key] = numbers[first:last] - start
    return SetAside(part_of(values.read, span), gone)
