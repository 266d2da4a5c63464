"""Whole columns of raw samples, made small enough to travel inside a page.

Each column is stored as the differences of neighbouring 32-bit words, folded so that small
differences either way are small numbers, split into planes of bytes (all low bytes first), and
deflated.  Every step is exact, so the page gets back the very integers the device sent;
``report.js`` undoes them in :func:`unpack`'s order.
"""

import base64
from dataclasses import dataclass
from typing import Any

import numpy as np
import numpy.typing as npt

try:
    from zlib_ng.zlib_ng import compress  # twice as fast, for fewer bytes
except ImportError:  # on 32-bit ARM, for which it is not built
    from zlib import compress

WORD_SIZE = 4
_LEVEL = 2  # of deflate: a sixth less time than level 3 for 3 % more bytes, on a simulated hour
TICK = 1e-6
"""Time is stored in whole µs."""


@dataclass(frozen=True)
class PackedText:
    """A packed column: ``count`` words in ``planes`` byte planes, deflated (zlib) and base64."""

    count: int
    planes: int
    text: str


def pack(raw: npt.NDArray[Any]) -> PackedText:
    """Pack integers of at most 32 bits, or 32-bit floats by their bits."""
    if raw.dtype.kind == "f":
        words = np.ascontiguousarray(raw, "<f4").view("<i4")
    elif raw.dtype.kind == "u" and raw.dtype.itemsize == WORD_SIZE:
        words = np.ascontiguousarray(raw, "<u4").view("<i4")
    else:
        words = raw.astype("<i4")
    steps = np.empty_like(words)
    steps[:1] = words[:1]
    np.subtract(words[1:], words[:-1], out=steps[1:])  # wraps, and the page's sum wraps back
    folded = ((steps << 1) ^ (steps >> 31)).view("<u4")
    largest = int(folded.max(initial=0))
    planes = max(1, (largest.bit_length() + 7) // 8)
    split = folded.view("u1").reshape(-1, WORD_SIZE)[:, :planes].T.tobytes()
    return PackedText(len(raw), planes, base64.b64encode(compress(split, _LEVEL)).decode())


def pack_time(time: npt.NDArray[np.float64]) -> tuple[PackedText, list[tuple[int, int]]]:
    """Pack sample times (s) as steps in µs, with [index, µs] for steps that exceed 31 bits."""
    ticks = np.rint(time / TICK).astype(np.int64)
    steps = np.diff(ticks, prepend=0)
    large = np.flatnonzero(np.abs(steps) >= 2**31)
    jumps = [(int(i), int(steps[i])) for i in large]
    steps[large] = 0
    return pack(steps.astype("<i4")), jumps
