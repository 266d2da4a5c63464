"""Memory that the C library keeps after a long ride is loaded."""

import ctypes

from .ride import Ride

MANY = 50_000_000
"""Values in a ride from which handing memory back is worth the time (our choice)."""


_MAPPED = 8 << 20
"""Bytes from which a block of memory is the system's own, which gets it back when it is freed."""
_MMAP_THRESHOLD = -3  # of glibc's mallopt(3)


def hand_back(ride: Ride) -> None:
    """Hand back what loading a long ride left behind, where the C library lets us.

    glibc keeps what was freed for later blocks of the same size: the bytes of the log of which the
    columns were made (0.35 GiB in the ten-hour case of ``tests/benchmarks/page.py``).
    """
    if sum(len(s.time) * len(s.values) for s in ride.streams.values()) >= MANY:
        _call("malloc_trim", 0)


def keep_little() -> None:
    """Let the C library of this process keep no large block that was freed: for a program of our
    own only, for it changes how the whole process gets its memory.

    glibc learns that large blocks come and go, and then keeps passing columns as well.
    """
    _call("mallopt", _MMAP_THRESHOLD, _MAPPED)


def _call(name: str, *arguments: int) -> None:
    try:
        getattr(ctypes.CDLL(None), name)(*arguments)
    except (AttributeError, OSError, TypeError):
        return  # another C library: it does as it likes
