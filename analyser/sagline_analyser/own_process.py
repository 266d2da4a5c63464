"""What is set once for a process of our own, never in one that only calls us."""

import ctypes

_MAPPED = 8 << 20
"""Bytes from which a block of memory is the system's own, which gets it back when it is freed."""
_MMAP_THRESHOLD = -3  # of glibc's mallopt(3)


def keep_little() -> None:
    """Let the C library keep no large block that was freed.

    glibc learns that large blocks come and go, and then keeps them: the columns of a long ride
    passed by would stay in memory beside the next ones.
    """
    try:
        ctypes.CDLL(None).mallopt(_MMAP_THRESHOLD, _MAPPED)
    except (AttributeError, OSError, TypeError):
        return  # another C library: it does as it likes
