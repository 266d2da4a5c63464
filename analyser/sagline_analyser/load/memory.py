"""Memory that the C library keeps after a long ride is loaded."""

import ctypes

from .ride import Ride

MANY = 50_000_000
"""Values in a ride from which handing memory back is worth the time (our choice)."""


def hand_back(ride: Ride) -> None:
    """Hand back what loading a long ride left behind, where the C library lets us.

    glibc keeps what was freed for later blocks of the same size: the bytes of the log of which the
    columns were made (0.35 GiB in the ten-hour case of ``tests/benchmarks/page.py``).
    """
    if sum(len(s.time) * len(s.values) for s in ride.streams.values()) < MANY:
        return
    try:
        ctypes.CDLL(None).malloc_trim(0)
    except (AttributeError, OSError, TypeError):
        return  # another C library: it does as it likes
