"""Consistent Overhead Byte Stuffing (COBS).

Source: S. Cheshire and M. Baker, "Consistent Overhead Byte Stuffing", IEEE/ACM Transactions on
Networking 7(2), April 1999.
"""

from .errors import FrameError

_CODES = [bytes((length + 1,)) for length in range(255)]
"""The code byte of a block with so many data bytes."""


def encode(data: bytes) -> bytes:
    """Return ``data`` stuffed so that it holds no zero byte, without a delimiter.

    A full 254-byte run that ends the data is not followed by an empty block.
    """
    blocks: list[bytes] = []
    for run in data.split(b"\0"):
        start = 0
        # A run of 254 non-zero bytes closes a block that stands for no zero.
        while len(run) - start >= 254:
            blocks += (_CODES[254], run[start : start + 254])
            start += 254
        blocks += (_CODES[len(run) - start], run[start:] if start else run)
    last = len(data) - (data.rfind(b"\0") + 1)
    if last and last % 254 == 0:
        del blocks[-2:]  # the empty block after a full one at the very end
    return b"".join(blocks)


def decode(stuffed: bytes) -> bytes:
    """Undo :func:`encode`; an empty block after a full one at the very end is accepted too.

    Raises:
        FrameError: ``stuffed`` is empty, holds a zero, or ends inside a block.
    """
    if not stuffed:
        raise FrameError("an empty frame has no code byte")
    if 0 in stuffed:
        raise FrameError("a zero byte inside a frame")
    # In place, because this is the cost of logging: every code byte but the first stands where
    # its zero belongs, except after a full block, where it stands for nothing and is cut out.
    out = bytearray(stuffed)
    end = len(out)
    at = 0
    after_full = []
    while at < end:
        code = out[at]
        out[at] = 0
        at += code
        if code == 255:
            after_full.append(at)
    if at != end:
        raise FrameError("the last block is cut short")
    for place in reversed(after_full):
        del out[place : place + 1]
    del out[0]
    return bytes(out)
