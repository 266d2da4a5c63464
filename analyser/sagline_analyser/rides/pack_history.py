"""What the index remembers of one pack: the rests of its earlier rides, and what looks like it."""

from collections.abc import Sequence

import numpy as np

from ..findings.belief.history import PackHistory, RideRests
from .library import LibraryEntry
from .ride_figures import PackFigures


def pack_history(
    entries: Sequence[LibraryEntry], pack: str, before: float | None = None, without: str = ""
) -> PackHistory:
    """Return the earlier rides of the pack called ``pack``, those without a rest left out.

    ``before`` in s since 1970 keeps only rides that started sooner; ``without`` is the path of one
    that is not counted, as the ride itself.
    """
    found = []
    for entry in entries:
        started = entry.figures.started
        if entry.path == without or (before is not None and (started is None or started >= before)):
            continue
        for one in entry.figures.packs:
            if same_name(one.name, pack) and one.rests:
                found.append(RideRests(entry.path, started, one.rests))
    return PackHistory(pack, tuple(sorted(found, key=lambda ride: ride.started or 0.0)))


def same_name(first: str, second: str) -> bool:
    """Whether two names are known and one; capital letters do not tell."""
    return bool(first) and first.casefold() == second.casefold()


def look_alike(first: PackFigures, second: PackFigures) -> bool | None:
    """Whether two packs could be one by their cells: each cell's share of the median resistance
    agrees within both intervals; None where that cannot be told."""
    one = {cell.number: cell for cell in first.cells}
    two = {cell.number: cell for cell in second.cells}
    if len(one) < 3 or len(two) < 3:
        return None
    if set(one) != set(two):
        return False
    numbers = sorted(one)
    values = np.array([[part[n].resistance for n in numbers] for part in (one, two)])
    errors = np.array([[part[n].resistance_error for n in numbers] for part in (one, two)])
    middle = np.median(values, axis=1, keepdims=True)
    if (middle <= 0).any():
        return None
    shares, doubts = values / middle, errors / middle
    # The packs' own warmth moves all cells alike, which the shares leave out.
    return bool((np.abs(shares[0] - shares[1]) <= np.hypot(*doubts)).all())
