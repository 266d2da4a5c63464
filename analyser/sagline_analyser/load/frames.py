"""From a log's bytes to its sound frames, many at a time.

Does what ``sagline_logger.format.read_log`` does frame by frame, on a whole block of the file with
numpy.  The tests hold the two against each other.
"""

import zlib
from collections.abc import Iterator
from dataclasses import dataclass
from typing import IO, Any

import numpy as np
import numpy.typing as npt

from sagline_logger.format.limits import MAX_BODY, MAX_ENCODED

Bytes = npt.NDArray[np.uint8]
Places = npt.NDArray[np.intp]

_RESIDUE = 0x2144DF1C
"""CRC-32 of any body followed by its own CRC (the CRC's residue after the final inversion)."""
_FEW = 64
"""Frames below which a plain loop is faster than numpy's calls."""
_BLOCK = 1 << 20  # the code bytes of a block's frames stay in the processor's cache


@dataclass(frozen=True)
class Block:
    """The sound frames of one stretch of a log, in file order.

    ``data`` holds the destuffed bytes; frame i's body is ``data[start[i] : start[i] + size[i]]``.
    ``offset`` is the frame's place in the file, and ``damaged`` holds the places of the stretches
    that are no frame.
    """

    data: Bytes
    start: Places
    size: Places
    offset: Places
    damaged: Places

    def body(self, frame: int) -> bytes:
        """Return one body."""
        at = self.start[frame]
        return self.data[at : at + self.size[frame]].tobytes()


def read_blocks(file: IO[bytes], block: int = _BLOCK) -> Iterator[Block]:
    """Yield a log block by block; memory is bounded by the block's size."""
    held = b""
    offset = 0
    overlong = False  # the bytes before this block already ran past the longest frame
    while data := file.read(block):
        stop = data.rfind(0) + 1
        if stop:
            yield _decode(bytearray(held + data[:stop]), offset, overlong)
            offset += len(held) + stop
            overlong = False
        held = data[stop:] if stop else held + data
        if len(held) > MAX_ENCODED:
            overlong = True
            offset += len(held)
            held = b""
    if held or overlong:  # the file ends inside a frame
        nothing = np.empty(0, np.intp)
        yield Block(np.empty(0, np.uint8), nothing, nothing, nothing, np.array([offset]))


def gather(data: Bytes, dtype: np.dtype[Any], places: Places) -> npt.NDArray[Any]:
    """Return the ``dtype`` items that start at ``places``, which need no alignment."""
    items = max(data.size - dtype.itemsize + 1, 0)
    return np.ndarray((items,), dtype, data.data, strides=(1,))[places]


def _decode(raw: bytearray, offset: int, overlong: bool) -> Block:
    data = np.frombuffer(raw, np.uint8)
    end = np.flatnonzero(data == 0)
    start = np.concatenate([[0], end[:-1] + 1])
    length = end - start
    sound = (length > 0) & (length <= MAX_ENCODED)
    if overlong:
        sound[0] = False
    pieces = np.append(start[:overlong], start[overlong:][length[overlong:] > 0]) + offset
    start, end = start[sound], end[sound]
    whole, extra = _destuff(raw, start, end)
    place = start + offset
    if extra.size:
        data = _without(raw, extra)
        start, end = start - np.searchsorted(extra, start), end - np.searchsorted(extra, end)
    # The first code byte stands before the frame's first byte; the last four bytes are the CRC.
    start, size = start + 1, end - start - 5
    fit = whole & (size >= 1) & (size <= MAX_BODY)
    start, size, place = start[fit], size[fit], place[fit]
    spans = map(slice, start.tolist(), (start + size + 4).tolist())
    residues = map(zlib.crc32, map(data.data.__getitem__, spans))
    good = np.fromiter(residues, np.uint32, start.size) == _RESIDUE
    if not good.all():
        start, size, place = start[good], size[good], place[good]
    damaged = pieces[:0]
    if pieces.size > place.size:
        damaged = np.setdiff1d(pieces, place, assume_unique=True)
    return Block(data, start, size, place, damaged)


def _destuff(raw: bytearray, start: Places, end: Places) -> tuple[npt.NDArray[np.bool_], Places]:
    """Undo COBS in place in every frame at once.

    A code byte stands where the zero it replaces belongs, so writing zeros over the code bytes
    restores the data, except after a full block of 254 bytes (code 255), which stands for no
    zero: the code byte after it has to go.  Returns which frames are well formed, and the places
    of the bytes to take out, in rising order.
    """
    data = np.frombuffer(raw, np.uint8)
    whole = np.ones(start.size, np.bool_)
    frame = np.arange(start.size)
    extra: list[Places] = []
    at, stop = start.copy(), end
    turn = 0
    while at.size > _FEW:
        code = data[at]
        data[at] = 0
        at += code
        if np.count_nonzero(at > stop):  # the last block is cut short: damage
            inside = at <= stop
            whole[frame[~inside]] = False
            at, stop, frame, code = at[inside], stop[inside], frame[inside], code[inside]
        if code.size and code.max() == 255:
            extra.append(at[(code == 255) & (at < stop)])
        # A finished frame stands on its delimiter, whose value 0 keeps it there: harmless, so the
        # list is thinned only now and then.
        turn += 1
        if turn % 4 == 0:
            going = at < stop
            at, stop, frame = at[going], stop[going], frame[going]
    few: list[int] = []
    known: dict[bytes, tuple[bytes, list[int]]] = {}
    for number, place, last in zip(frame.tolist(), at.tolist(), stop.tolist(), strict=True):
        # What is left are mostly descriptors, full of zeros and all alike.
        stuffed = bytes(raw[place:last])
        if stuffed in known:
            raw[place:last], full = known[stuffed]
            few += [place + n for n in full]
            continue
        first, full = place, []
        while place < last:
            step = raw[place]
            raw[place] = 0
            place += step
            if step == 255 and place < last:
                full.append(place - first)
        few += [first + n for n in full]
        if place == last:
            known[stuffed] = (bytes(raw[first:last]), full)
        else:
            whole[number] = False
    places = np.concatenate([*extra, np.array(few, np.intp)])
    places.sort()
    return whole, places


def _without(raw: bytearray, places: Places) -> Bytes:
    """Return the bytes but for those at ``places``."""
    starts, stops = [0, *(places + 1).tolist()], [*places.tolist(), len(raw)]
    kept = map(memoryview(raw).__getitem__, map(slice, starts, stops))
    return np.frombuffer(b"".join(kept), np.uint8)
