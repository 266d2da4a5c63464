"""From a log's bytes to its sound frames, many at a time.

Does what ``sagline_logger.format.read_log`` does frame by frame, on a whole block of the file with
numpy.  The tests hold the two against each other.
"""

from collections.abc import Iterator
from dataclasses import dataclass, replace
from functools import lru_cache
from typing import IO, Any

import numpy as np
import numpy.typing as npt

from sagline_logger.format import ZEROS, broken_off
from sagline_logger.format.limits import MAX_BODY, MAX_ENCODED

try:
    from zlib_ng.zlib_ng import crc32  # by the processor's own instructions
except ImportError:  # on 32-bit ARM, for which it is not built
    from zlib import crc32

Bytes = npt.NDArray[np.uint8]
Places = npt.NDArray[np.intp]

_RETURN = 0x50B362E9
"""The four bytes that, with two zero bytes behind them, have the CRC-32 0 of no bytes at all."""
_STRETCH = 7000
"""Bytes checked in one call; with the frame that ends beyond them (MAX_ENCODED) they are few enough
for a CRC-32 to find any three wrong bits, as it does in the longest single frame (91 607 bits:
P. Koopman, "32-bit cyclic redundancy codes for Internet applications", DSN 2002)."""
_STEPS = 16
"""Code bytes followed before their zeros are written and the finished frames left out."""
_FEW = 64
"""Frames below which a plain loop is faster than numpy's calls."""
_BLOCK = 1 << 21
"""Bytes read at once: enough for numpy's calls to pay, few enough to stay in the cache."""


_FIRST = 1 << 18
"""Bytes of the first block: few, so that whoever waits for its samples can begin."""


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

    def bodies(self, frames: Places) -> list[bytes]:
        """Return the bodies of some frames."""
        start = self.start[frames]
        spans = map(slice, start.tolist(), (start + self.size[frames]).tolist())
        return list(map(bytes, map(self.data.data.__getitem__, spans)))


def read_blocks(file: IO[bytes], block: int = _BLOCK) -> Iterator[Block]:
    """Yield a log block by block; memory is bounded by the block's size."""
    held = np.empty(0, np.uint8)
    offset = 0
    wanted = min(block, _FIRST)
    overlong = False  # the bytes before this block already ran past the longest frame
    zeros = (0, 0)  # where a run of zeros began that reaches to this block, and how many they are
    while True:
        # Always of one size: that the C library learns to hand out again, pages and all.
        data = np.empty(MAX_ENCODED + block + 1, np.uint8)
        data[: held.size] = held
        # Every binary file has this, though its type does not say so.
        room = data[held.size : held.size + wanted]
        wanted = block
        size = file.readinto(room.data)  # type: ignore[attr-defined]
        if not size:
            break
        data = data[: held.size + size + 1]
        end = _zeros(data[:-1])
        stop = int(end[-1]) + 1 if end.size else 0
        held = data[stop:-1].copy()
        if stop:
            data[stop] = 0
            empty, zeros = _zero_runs(end, offset, zeros, overlong)
            decoded = _decode(data[: stop + 1], end, offset, overlong)
            if empty:
                damaged = np.sort(np.append(decoded.damaged, empty))
                decoded = replace(decoded, damaged=damaged)
            yield decoded
            offset += stop
            overlong = False
        if held.size > MAX_ENCODED:
            overlong = True
            offset += held.size
            held = held[:0]
    last = [zeros[0]] if zeros[1] >= ZEROS else []
    if held.size or overlong:  # the file ends inside a frame
        last.append(offset)
    if broken_off(file):
        last.append(offset + held.size)
    if last:
        nothing = np.empty(0, np.intp)
        yield Block(np.empty(0, np.uint8), nothing, nothing, nothing, np.array(last))


def _zero_runs(
    end: Places, offset: int, before: tuple[int, int], overlong: bool
) -> tuple[list[int], tuple[int, int]]:
    """Return where long runs of zeros begin that end in a block, and the run that reaches to its
    end: place and length.  ``before`` is that of the block before."""
    lone = np.diff(end, prepend=-1) == 1
    lone[0] &= not overlong
    count = int(np.count_nonzero(lone))
    if count == lone.size:
        return [], (before[0] if before[1] else offset + int(end[0]), before[1] + count)
    found = []
    frames = np.flatnonzero(~lone)
    if before[1] + int(frames[0]) >= ZEROS:
        found.append(before[0] if before[1] else offset + int(end[0]))
    if count >= ZEROS:
        for n in np.flatnonzero(np.diff(frames) > ZEROS).tolist():
            found.append(offset + int(end[frames[n] + 1]))
    left = lone.size - 1 - int(frames[-1])
    return found, (offset + int(end[lone.size - left]) if left else 0, left)


def _zeros(data: Bytes) -> Places:
    """Return the places of the zeros, which are few: eight bytes without one are passed over."""
    mark = np.empty(-(-data.size // 8) * 8, np.bool_)
    np.equal(data, 0, out=mark[: data.size])
    mark[data.size :] = False
    words = np.flatnonzero(mark.view(np.uint64) != 0)
    found = np.flatnonzero(mark.reshape(-1, 8)[words])
    places: Places = words[found >> 3] * 8 + (found & 7)
    return places


def gather(data: Bytes, dtype: np.dtype[Any], places: Places) -> npt.NDArray[Any]:
    """Return the ``dtype`` items that start at ``places``, which need no alignment."""
    items = max(data.size - dtype.itemsize + 1, 0)
    plain = f"V{dtype.itemsize}"  # numpy copies a record field by field, but plain bytes at once
    return np.ndarray((items,), plain, data.data, strides=(1,))[places].view(dtype)


def _decode(data: Bytes, end: Places, offset: int, overlong: bool) -> Block:
    """Decode whole frames and one zero byte more, given where their delimiters stand."""
    start = np.concatenate([[0], end[:-1] + 1])
    length = end - start
    sound = (length > 0) & (length <= MAX_ENCODED)
    if overlong:
        sound[0] = False
    pieces = np.append(start[:overlong], start[overlong:][length[overlong:] > 0]) + offset
    start, end = start[sound], end[sound]
    whole, extra = _destuff(data, start, end)
    place = start + offset
    if extra.size:
        data = _without(data, extra)
        owner = np.searchsorted(start, extra, "right") - 1
        taken = np.bincount(owner, minlength=start.size)
        until = np.cumsum(taken)
        start, end = start - until + taken, end - until
    # The first code byte stands before the frame's first byte; the last four bytes are the CRC.
    start, size = start + 1, end - start - 5
    fit = whole & (size >= 1) & (size <= MAX_BODY)
    start, size, place = start[fit], size[fit], place[fit]
    good = _intact(data, start, size)
    if not good.all():
        start, size, place = start[good], size[good], place[good]
    damaged = pieces[:0]
    if pieces.size > place.size:
        damaged = np.setdiff1d(pieces, place, assume_unique=True)
    return Block(data, start, size, place, damaged)


def _destuff(data: Bytes, start: Places, end: Places) -> tuple[npt.NDArray[np.bool_], Places]:
    """Undo COBS in place in every frame at once.

    A code byte stands where the zero it replaces belongs, so writing zeros over the code bytes
    restores the data, except after a full block of 254 bytes (code 255), which stands for no
    zero: the code byte after it has to go.  Returns which frames are well formed, and the places
    of the bytes to take out, in rising order.
    """
    whole = np.ones(start.size, np.bool_)
    frame = np.arange(start.size)
    extra: list[Places] = []
    at, stop = start, end
    while at.size > _FEW:
        # A few steps from code to code, written down and acted on together: numpy's calls cost
        # more than what they do here.  A finished frame stands on its delimiter, whose value 0
        # keeps it there; one whose last block is cut short runs on, into damage nobody reads.
        codes = np.empty((_STEPS, at.size), np.uint8)
        places = np.empty((_STEPS + 1, at.size), np.intp)
        places[0] = at
        for code, here, there in zip(codes, places[:-1], places[1:], strict=True):
            data.take(here, out=code, mode="clip")
            np.add(here, code, out=there)
        inside = places[-1] <= stop
        if not inside.all():
            whole[frame[~inside]] = False
            codes, places = codes[:, inside], places[:, inside]
            stop, frame = stop[inside], frame[inside]
        data[places[:-1]] = 0
        full = np.flatnonzero(codes == 255)
        after = places[1:].ravel()[full]
        extra.append(after[after < stop[full % stop.size]])
        going = places[-1] < stop
        at, stop, frame = places[-1][going], stop[going], frame[going]
    few: list[int] = []
    raw = data.data
    for number, first, last in zip(frame.tolist(), at.tolist(), stop.tolist(), strict=True):
        raw[first:last], gone, sound = _destuff_one(bytes(raw[first:last]))
        if gone:
            few += [first + n for n in gone]
        if not sound:
            whole[number] = False
    taken = np.concatenate([*extra, np.array(few, np.intp)])
    taken.sort()
    return whole, taken


@lru_cache(64)  # what is left to do one by one are mostly descriptors, all alike
def _destuff_one(stuffed: bytes) -> tuple[bytes, tuple[int, ...], bool]:
    """Return what :func:`_destuff` does to one frame, and whether that is well formed."""
    plain = bytearray(stuffed)
    place = 0
    full = []
    while place < len(plain):
        step = plain[place]
        plain[place] = 0
        place += step
        if step == 255 and place < len(plain):
            full.append(place)
    return bytes(plain), tuple(full), place == len(plain)


def _intact(data: Bytes, start: Places, size: Places) -> npt.NDArray[np.bool_]:
    """Return which frames' CRCs match, many frames that follow on each other in one call.

    Every frame's sent CRC is changed by _RETURN (no one reads it again), so that a sound frame and
    the two bytes behind it, its delimiter and the next one's first code byte, both 0 by now, bring
    the check back to where it started: 0.
    """
    if not start.size:
        return np.ones(0, np.bool_)
    sent, after = start + size, start + size + 6
    np.ndarray((data.size - 3,), "<u4", data.data, strides=(1,))[sent] ^= _RETURN
    data[after - 1] = 0  # where no frame follows, this may still be something else
    follows = (start[1:] == after[:-1]) & (start[1:] // _STRETCH == start[:-1] // _STRETCH)
    first = np.concatenate([[0], np.flatnonzero(~follows) + 1])
    last = np.append(first[1:], start.size) - 1
    view = data.data
    stretches = map(slice, start[first].tolist(), after[last].tolist())
    checks = map(crc32, map(view.__getitem__, stretches))
    good = np.repeat(np.fromiter(checks, np.uint32, first.size) == 0, last - first + 1)
    for frame in np.flatnonzero(~good).tolist():  # the sound ones beside a damaged one
        good[frame] = crc32(view[start[frame] : after[frame]]) == 0
    return good


def _without(data: Bytes, places: Places) -> Bytes:
    """Return the bytes but for those at ``places``."""
    starts, stops = [0, *(places + 1).tolist()], [*places.tolist(), data.size]
    kept = map(data.data.__getitem__, map(slice, starts, stops))
    return np.frombuffer(bytearray().join(kept), np.uint8)
