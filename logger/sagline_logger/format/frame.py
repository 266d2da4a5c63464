"""Frames: COBS(body + CRC-32) + 0x00, one at a time and out of a stream of arbitrary slices."""

import zlib
from collections.abc import Iterator
from dataclasses import dataclass
from enum import IntEnum

from . import cobs
from .errors import FrameError
from .limits import MAX_BODY, MAX_ENCODED

DELIMITER = b"\0"


def encode_frame(body: bytes) -> bytes:
    """Return the frame that carries ``body``, closing 0x00 included.

    Raises:
        FrameError: ``body`` is empty or longer than ``MAX_BODY``.
    """
    if not 0 < len(body) <= MAX_BODY:
        raise FrameError(f"a body of {len(body)} bytes is outside 1 to {MAX_BODY}")
    return cobs.encode(body + zlib.crc32(body).to_bytes(4, "little")) + DELIMITER


def decode_frame(encoded: bytes) -> bytes:
    """Return the body of one encoded frame, given without its closing 0x00.

    Raises:
        FrameError: the bytes are too long, badly stuffed, too short or fail the CRC.
    """
    if len(encoded) > MAX_ENCODED:
        raise FrameError(f"longer than {MAX_ENCODED} bytes")
    plain = cobs.decode(encoded)
    if len(plain) < 5:
        raise FrameError("too short for a body and a CRC")
    if len(plain) > MAX_BODY + 4:
        raise FrameError(f"a body longer than {MAX_BODY} bytes")
    body, sent = plain[:-4], plain[-4:]
    if zlib.crc32(body) != int.from_bytes(sent, "little"):
        raise FrameError("the CRC does not match")
    return body


class Fault(IntEnum):
    """Why bytes are not a device frame (the reason code of a FOREIGN record)."""

    DAMAGED = 1
    """Bad stuffing, too short, or a wrong CRC."""
    HOST_KIND = 2
    """A sound frame that claims a record kind only the logger may write."""
    TOO_LONG = 3
    """More than MAX_ENCODED bytes without a delimiter."""
    UNFINISHED = 4
    """Bytes after the last delimiter when the capture or the link ended."""


@dataclass(frozen=True, slots=True)
class Piece:
    """One stretch of the byte stream, delimiter included where there was one.

    ``raw`` holds the bytes exactly as received; the pieces of a stream, joined, are the stream.
    ``body`` is the frame's body, or None for bytes that are no frame; ``fault`` then says why.
    A lone delimiter (an empty frame) has ``body`` None and ``fault`` None: it is legal padding.
    """

    raw: bytes
    body: bytes | None
    fault: Fault | None


class FrameSplitter:
    """Cuts a byte stream, fed in arbitrary slices, into frames; memory is bounded by MAX_ENCODED.

    After damage it is in step again at the next 0x00.
    """

    def __init__(self) -> None:
        self._held = bytearray()
        self._overlong = False

    def feed(self, data: bytes) -> Iterator[Piece]:
        """Yield every piece that ``data`` completes."""
        self._held += data
        start = 0
        while (stop := self._held.find(0, start)) >= 0:
            raw = bytes(self._held[start : stop + 1])
            start = stop + 1
            yield from self._close(raw)
        del self._held[:start]
        while len(self._held) > MAX_ENCODED:
            self._overlong = True
            raw = bytes(self._held[:MAX_ENCODED])
            del self._held[:MAX_ENCODED]
            yield Piece(raw, None, Fault.TOO_LONG)

    def finish(self) -> Iterator[Piece]:
        """Yield what is left after the last delimiter and start afresh (link or file ended)."""
        raw = bytes(self._held)
        self._held.clear()
        overlong, self._overlong = self._overlong, False
        if raw:
            yield Piece(raw, None, Fault.TOO_LONG if overlong else Fault.UNFINISHED)

    def _close(self, raw: bytes) -> Iterator[Piece]:
        if self._overlong:
            self._overlong = False
            yield Piece(raw, None, Fault.TOO_LONG)
        elif len(raw) == 1:
            yield Piece(raw, None, None)
        elif len(raw) - 1 > MAX_ENCODED:
            yield Piece(raw, None, Fault.TOO_LONG)
        else:
            try:
                yield Piece(raw, decode_frame(raw[:-1]), None)
            except FrameError:
                yield Piece(raw, None, Fault.DAMAGED)
