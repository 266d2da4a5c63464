"""What the source of a CAN bus and the reader of its frames share: a frame's bytes in a RAW record
(frame_format.md §6.6, form 2), and the words where a package is lacking."""

import struct

from ..format import SaglineError

HEAD = struct.Struct("<iIB")
"""µs to the frame's arrival, identifier with flags, data bytes that follow."""
EXTENDED, REMOTE, ERROR = 1 << 31, 1 << 30, 1 << 29
"""Flags of the identifier, as of Linux's ``linux/can.h``."""
BUS_OFF = 0x40
"""Of an error frame's identifier: the controller left the bus (``linux/can/error.h``)."""
OVERFLOW = ERROR | 0x04
"""Of an error frame that says in bit 0 of its second byte: frames came and were lost before they
were read (``linux/can/error.h``).  Those that we make hold their number in the last four bytes."""


def missing(name: str) -> SaglineError:
    """Return what to say where a package of the extra ``can`` is not installed."""
    return SaglineError(
        f"needs the package {name}",
        where="--can",
        remedy='install it with: pip install "sagline[can]"',
    )
