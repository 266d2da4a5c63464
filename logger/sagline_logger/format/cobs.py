"""Consistent Overhead Byte Stuffing (COBS).

Source: S. Cheshire and M. Baker, "Consistent Overhead Byte Stuffing", IEEE/ACM Transactions on
Networking 7(2), April 1999.
"""

from .errors import FrameError


def encode(data: bytes) -> bytes:
    """Return ``data`` stuffed so that it holds no zero byte, without a delimiter.

    A full 254-byte run that ends the data is not followed by an empty block.
    """
    out = bytearray()
    for piece in data.split(b"\0"):
        start = 0
        # A run of 254 non-zero bytes closes a block that stands for no zero.
        while len(piece) - start >= 254:
            out.append(255)
            out += piece[start : start + 254]
            start += 254
        out.append(len(piece) - start + 1)
        out += piece[start:]
    last = len(data) - (data.rfind(b"\0") + 1)
    if last and last % 254 == 0:
        out.pop()  # the empty block after a full one at the very end
    return bytes(out)


def decode(stuffed: bytes) -> bytes:
    """Undo :func:`encode`.

    Raises:
        FrameError: ``stuffed`` is empty, holds a zero, or ends inside a block.
    """
    if not stuffed:
        raise FrameError("an empty frame has no code byte")
    if 0 in stuffed:
        raise FrameError("a zero byte inside a frame")
    out = bytearray()
    at, end = 0, len(stuffed)
    while True:
        code = stuffed[at]
        stop = at + code
        if stop > end:
            raise FrameError("the last block is cut short")
        out += stuffed[at + 1 : stop]
        if stop == end:
            return bytes(out)
        if code != 255:
            out.append(0)
        at = stop
