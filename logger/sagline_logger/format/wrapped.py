"""A log inside something else: a compressed archive, or the page that ``share`` writes.

Both are read as if they were the log itself, in bounded memory whatever the file claims
(protocol_docs/wrapped_logs.md).
"""

import base64
import binascii
import io
import zlib
from collections.abc import Iterator
from pathlib import Path
from typing import IO

from .errors import SaglineError

ARCHIVE_SUFFIX = ".gz"
BLOCK_START = b'<script type="text/plain" id="sagline-log">'
"""What stands before the embedded log of a page; its text is base64 of gzip."""
MAX_PAGE = 1 << 25
"""Longest page in bytes that is searched for a log; ``share`` writes at most 5 MB."""
FREE = 1 << 22
"""Bytes that any wrapping may unfold to; a short log of a board at rest shrinks a lot."""
MOST = 100
"""Beyond :data:`FREE`, at most this many bytes of log from each byte of file read so far.

Measured logs shrink less than fivefold; deflate reaches 1,032-fold on zeros alone, which is what
a file made to fill a reader's memory would use.
"""

_GZIP = b"\x1f\x8b"
_MEMBER = 31
"""zlib's word for gzip with the largest window."""
_PIECE = 1 << 13
"""Packed bytes inflated at once: what damage takes a second look at."""
_PAGE = b"<!doctype html"


def unwrap(file: IO[bytes], path: Path) -> IO[bytes]:
    """Return the log that the file just opened holds: itself, or what is wrapped in it.

    The result reads forward and seeks to its start; it has no file descriptor when it is unfolded
    on the way.

    Raises:
        SaglineError: a page without a log in it, or one with damaged base64.
        OSError: the file cannot be read.
    """
    start = file.read(64)
    file.seek(0)
    if start.startswith(_GZIP):
        return io.BufferedReader(_Unfolding(file, str(path)), 1 << 16)
    if start.lstrip(b"\xef\xbb\xbf \t\r\n").lower().startswith(_PAGE):
        with file:
            packed = _embedded(file, str(path))
        return io.BufferedReader(_Unfolding(io.BytesIO(packed), str(path)), 1 << 16)
    return file


def wrap_in_page(packed: bytes) -> str:
    """Return the element that carries a gzip-compressed log inside a page."""
    return BLOCK_START.decode() + base64.b64encode(packed).decode() + "</script>\n"


def _embedded(file: IO[bytes], where: str) -> bytes:
    page = file.read(MAX_PAGE + 1)
    at = page.find(BLOCK_START)
    if at < 0:
        raise SaglineError(
            "this page holds no log",
            where=where,
            remedy="only a page written by sagline-analyser share does; give the log itself",
        )
    at += len(BLOCK_START)
    end = page.find(b"<", at)
    if len(page) > MAX_PAGE:
        raise SaglineError(
            f"the log inside this page does not end within {MAX_PAGE >> 20} MiB",
            where=where,
            remedy="ask the sender for the file again",
        )
    text = page[at:end]
    if end < 0:  # the page is cut, and with it the archive: what unfolds is the log
        text = page[at:]
        text = text[: len(text) // 4 * 4]
    try:
        packed = base64.b64decode(text, validate=True)
    except (binascii.Error, ValueError):
        packed = b""
    if not packed.startswith(_GZIP):
        raise SaglineError(
            "the log inside this page is damaged (not base64 of gzip)",
            where=where,
            remedy="ask the sender for the file again",
        )
    return packed


class _Unfolding(io.RawIOBase):
    """The log inside gzip, inflated as it is read; stops a file made to fill the memory.

    Where the archive is cut or damaged the log ends, and ``broken`` says so.
    """

    def __init__(self, packed: IO[bytes], where: str) -> None:
        super().__init__()
        self._packed = packed
        self._where = where
        self._begin()

    def _begin(self) -> None:
        self.broken = ""
        self._given = 0
        self._left = b""  # packed bytes that were read and not yet inflated
        self._inflate = zlib.decompressobj(_MEMBER)
        self._ended = self._careful = False

    def readable(self) -> bool:
        return True

    def seekable(self) -> bool:
        return True

    def seek(self, offset: int, whence: int = io.SEEK_SET) -> int:
        """Go back to the start, or tell the place."""
        if (offset, whence) == (0, io.SEEK_CUR):
            return self._given
        if (offset, whence) != (0, io.SEEK_SET):
            raise io.UnsupportedOperation("an archived log seeks to its start only")
        self._packed.seek(0)
        self._begin()
        return 0

    def readinto(self, buffer: "memoryview[int] | bytearray") -> int:  # type: ignore[override]
        """Inflate some bytes.

        Raises:
            SaglineError: nothing can be unfolded, or it unfolds out of all proportion.
        """
        data = b""
        while not data and not self._ended:
            data = self._unfold(len(buffer))
        self._given += len(data)
        if self.broken and not self._given:
            raise SaglineError(
                self.broken, where=self._where, remedy="use the original, or another copy"
            )
        if self._given > FREE + MOST * self._packed.tell():
            raise SaglineError(
                f"unfolds more than {MOST} times, out of all proportion for a log",
                where=self._where,
                remedy="if you trust it, unpack it with gzip -d and read that",
            )
        buffer[: len(data)] = data
        return len(data)

    def _unfold(self, most: int) -> bytes:
        """Return the next bytes, at most ``most``; none, perhaps, where a member ends."""
        if self._inflate.eof and not self._next_member():
            self._ended = True
            return b""
        packed = self._left or self._packed.read(_PIECE)
        held = b""
        if self._careful:
            packed, held = packed[:1], packed[1:]
        before = self._inflate.copy()
        try:
            data = self._inflate.decompress(packed, most)
        except zlib.error:
            if self._careful:
                self._break("is damaged")
            else:  # what stands before the damage is good: byte by byte
                self._inflate, self._left, self._careful = before, packed, True
            return b""
        self._left = (self._inflate.unconsumed_tail or self._inflate.unused_data) + held
        if not (packed or data or self._inflate.eof):
            self._break("ends early")
        return data

    def _next_member(self) -> bool:
        """Begin the archive's next member; zeros between are legal, anything else is no part of
        the archive."""
        left = self._left.lstrip(b"\0")
        while len(left) < len(_GZIP) and (more := self._packed.read(_PIECE)):
            left = (left + more).lstrip(b"\0")
        self._left = left
        self._inflate = zlib.decompressobj(_MEMBER)
        return left.startswith(_GZIP)

    def _break(self, how: str) -> None:
        self.broken = f"the compressed log {how}; what follows there is not read"
        self._ended = True

    def close(self) -> None:
        """Close the file beneath as well."""
        if not self.closed:
            self._packed.close()
        super().close()


def broken_off(file: IO[bytes]) -> str:
    """Return why a log inside something else ended before its end; "" where it did not.

    True once the file has been read to where it ends.
    """
    raw = getattr(file, "raw", None)
    return raw.broken if isinstance(raw, _Unfolding) else ""


def packed_pieces(file: IO[bytes], level: int = 9, chunk: int = 1 << 18) -> Iterator[bytes]:
    """Yield ``file`` as gzip, without the name and date that gzip usually tells."""
    squeeze = zlib.compressobj(level, zlib.DEFLATED, 31)
    while data := file.read(chunk):
        yield squeeze.compress(data)
    yield squeeze.flush()
