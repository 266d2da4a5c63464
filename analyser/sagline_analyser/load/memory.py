"""Memory that the C library keeps after a long ride is loaded."""

import ctypes

from .ride import Ride

MANY = 50_000_000
"""Values in a ride from which handing memory back is worth the time (our choice)."""


def hand_back(ride: Ride) -> None:
    """Return what a long ride's packed samples filled to the system, where the C library can.

    They were freed, but glibc keeps blocks of their size for later ones of the same size, of which
    there are none: the ride's columns and all that is made of them are larger.  The ten-hour case
    of ``tests/benchmarks/page.py`` held 0.35 GiB that way.
    """
    if sum(len(s.time) * len(s.values) for s in ride.streams.values()) < MANY:
        return
    try:
        trim = ctypes.CDLL(None).malloc_trim
    except (AttributeError, OSError, TypeError):  # another C library: it does as it likes
        return
    trim(0)
