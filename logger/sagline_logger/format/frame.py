"""Frames: COBS(body + CRC-32) + 0x00, one at a time and out of a stream of arbitrary slices."""

import zlib
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


_PADDING = Piece(DELIMITER, None, None)


class FrameSplitter:
    """Cuts a byte stream, fed in arbitrary slices, into frames; holds at most MAX_ENCODED bytes.

    However the stream is sliced, the pieces are the same.  After damage it is in step again at the
    next 0x00.  More than MAX_ENCODED bytes without a 0x00 come out in pieces of MAX_ENCODED, so a
    stream that never sends one is kept as well, and held no longer than any other.
    """

    def __init__(self) -> None:
        self._held = bytearray()
        self._overlong = False

    @property
    def idle(self) -> bool:
        """Whether it stands behind a delimiter and holds nothing."""
        return not self._held and not self._overlong

    def feed(self, data: bytes) -> list[Piece]:
        """Return every piece that ``data`` completes."""
        *closed, rest = data.split(DELIMITER)
        pieces: list[Piece] = []
        for part in closed:
            encoded = bytes(self._held) + part if self._held else part
            self._held.clear()
            encoded = self._cut(encoded, pieces)
            pieces.append(self._close(encoded))
        self._held += rest
        if len(self._held) > MAX_ENCODED:
            self._held = bytearray(self._cut(bytes(self._held), pieces))
        return pieces

    def finish(self) -> list[Piece]:
        """Return what is left after the last delimiter and start afresh (link or file ended)."""
        raw = bytes(self._held)
        fault = Fault.TOO_LONG if self._overlong else Fault.UNFINISHED
        self._held.clear()
        self._overlong = False
        return [Piece(raw, None, fault)] if raw else []

    def _cut(self, encoded: bytes, pieces: list[Piece]) -> bytes:
        """Move what is too long for any frame to ``pieces``; return the end, which fits one."""
        while len(encoded) > MAX_ENCODED:
            self._overlong = True
            pieces.append(Piece(encoded[:MAX_ENCODED], None, Fault.TOO_LONG))
            encoded = encoded[MAX_ENCODED:]
        return encoded

    def _close(self, encoded: bytes) -> Piece:
        if not encoded:
            return _PADDING
        raw = encoded + DELIMITER
        if self._overlong:
            self._overlong = False
            return Piece(raw, None, Fault.TOO_LONG)
        try:
            return Piece(raw, decode_frame(encoded), None)
        except FrameError:
            return Piece(raw, None, Fault.DAMAGED)
