"""Log files: a run of frames, read and written symmetrically."""

import os
from collections.abc import Iterable, Iterator
from dataclasses import dataclass
from itertools import chain, islice
from pathlib import Path
from typing import IO

from .byte_kinds import ByteKind, tell_bytes
from .device_records import VERSION
from .device_stream import VersionGate
from .errors import RecordError, SaglineError
from .frame import Fault, FrameSplitter, Piece, encode_frame
from .host_records import LogStart
from .progress import counted
from .records import Record, Unknown, decode_record, is_host_kind
from .wrapped import broken_off, unwrap

SUFFIX = ".sagline"
SIGNATURE = encode_frame(LogStart().encode())
"""First bytes of a log of this version."""

_CHUNK = 1 << 16
_START = 1 << 10  # a sound log shows its first frame here
_SEARCH = 1 << 24
"""Bytes searched for a first sound frame: a whole erase block of an SD card may be lost."""


@dataclass(frozen=True, slots=True)
class Entry:
    """One frame of a log: where it starts, how many bytes it takes, and what it says.

    ``record`` is None where the bytes are damaged, and ``problem`` then says how; with ``refused``
    they are a sound frame whose fields break the rules of its kind.
    """

    offset: int
    size: int
    record: Record | None
    problem: str = ""
    refused: bool = False
    strange: bool = False
    """Whether it belongs to another major version, so that it was not looked into."""
    device: bool = False
    """Of a refused frame: whether its kind is one that devices send."""
    goes_on: bool = False
    """Of damage: whether it belongs to the damaged place of the entry before."""
    zeros: bool = False
    """Of damage: whether it is nothing but zeros."""


def read_log(file: IO[bytes]) -> Iterator[Entry]:
    """Yield every entry of a log, damaged stretches included, in bounded memory."""
    splitter = FrameSplitter()
    offset = 0
    gate = VersionGate()
    zeros = 0  # that stand in a row
    long = False  # the damage before goes on

    def entries(data: bytes) -> Iterator[Entry]:
        nonlocal offset, zeros, long
        for piece in splitter.feed(data) if data else splitter.finish():
            size = len(piece.raw)
            if piece.body is None and piece.fault is None:
                zeros += 1
                offset += 1
                continue
            if zeros >= ZEROS:
                yield Entry(offset - zeros, zeros, None, _ZEROS, zeros=True)
            if piece.body is not None:
                yield _entry(offset, size, piece.body, gate)
                long = False
            else:
                assert piece.fault is not None
                yield Entry(offset, size, None, _DAMAGE[piece.fault], goes_on=long)
                long = piece.fault is Fault.TOO_LONG and piece.raw[-1] != 0
            zeros = 0
            offset += size

    while data := file.read(_CHUNK):
        if splitter.idle and data.count(0) == len(data):  # a lost part of a disk: millions of them
            zeros += len(data)
            offset += len(data)
        else:
            yield from entries(data)
    yield from entries(b"")
    if zeros >= ZEROS:
        yield Entry(offset - zeros, zeros, None, _ZEROS, zeros=True)
    if problem := broken_off(file):
        yield Entry(offset, 0, None, problem)


def _entry(offset: int, size: int, body: bytes, gate: VersionGate) -> Entry:
    if not gate.admits(body):
        return Entry(offset, size, Unknown(body), strange=True)
    try:
        return Entry(offset, size, decode_record(body))
    except RecordError as problem:
        return Entry(offset, size, None, str(problem), refused=True, device=not is_host_kind(body))


ZEROS = 512
"""Zeros in a row that are damage: a disk's sector, as it is left where a write was lost."""
_ZEROS = "nothing but zeros, as a disk leaves where a write was lost"
_DAMAGE = {
    Fault.DAMAGED: "damaged frame",
    Fault.TOO_LONG: "no delimiter within the longest frame",
    Fault.UNFINISHED: "the file ends inside a frame",
}


def check_is_log(start: bytes, where: str) -> None:
    """Check that ``start``, the first bytes of a file, belong to a log.

    A log cut or damaged at the front is still a log: any sound frame will do.

    Raises:
        SaglineError: the bytes are none, hold no frame, or need a later version of the format.
    """
    if not start:
        raise SaglineError("the file is empty", where=where, remedy="nothing was captured")
    _check_first_frame([start], where)


def _check_first_frame(chunks: Iterable[bytes], where: str) -> None:
    splitter = FrameSplitter()
    start = b""

    def pieces() -> Iterator[Piece]:
        nonlocal start
        for chunk in chunks:
            start = start or chunk
            yield from splitter.feed(chunk)

    body = next((piece.body for piece in pieces() if piece.body is not None), None)
    if body is None:
        told = tell_bytes(start)
        text = told.kind is ByteKind.TEXT
        raise SaglineError(
            "not a Sagline log" + (f" but {told.words}" if text else ""),
            where=where,
            remedy="choose a .sagline file"
            + (", or bring columns in with `sagline-analyser import`" if text else ""),
        )
    try:
        record = decode_record(body)
    except RecordError:
        return  # sound, so a log; what is wrong with the record is told where it is read
    if isinstance(record, LogStart) and record.version[0] != VERSION[0]:
        major, minor = record.version
        raise SaglineError(
            f"written in format version {major}.{minor}, this program reads {VERSION[0]}.x",
            where=where,
            remedy="install a later Sagline",
        )


def plain_size(file: IO[bytes]) -> int | None:
    """Return the bytes of a plain log's file, None for one inside another file."""
    try:
        return os.fstat(file.fileno()).st_size
    except OSError:
        return None


def read_shown(file: IO[bytes], what: str) -> Iterable[Entry]:
    """Return the entries of a log from where ``file`` stands; the command says meanwhile that it
    does ``what``, and how far it is."""
    return counted(read_log(file), what, plain_size(file) or 0, lambda entry: entry.size)


def open_log(path: Path) -> IO[bytes]:
    """Open a log for reading, after checking that it is one.

    A compressed archive and a page that ``share`` wrote are read like the log inside them; such a
    file seeks to its start only and has no file descriptor.  Where it is cut or damaged the log
    ends, and :func:`broken_off` says so.

    Raises:
        SaglineError: the file cannot be read or is not a log; of a wrapped log, reading raises it
            too where nothing of it can be unfolded.
    """
    try:
        if path.exists() and not (path.is_file() or path.is_dir()):
            raise SaglineError(
                "is a device or a pipe, not a file", where=str(path), remedy="name a .sagline file"
            )
        file: IO[bytes] = path.open("rb")
    except OSError as problem:
        raise SaglineError(
            f"cannot open the log ({problem.strerror})", where=str(path), remedy="check the path"
        ) from None
    try:
        file = unwrap(file, path)
        start = file.read(_START)
        if not start:
            check_is_log(start, str(path))
        following = iter(lambda: file.read(_CHUNK), b"")
        _check_first_frame(chain([start], islice(following, _SEARCH // _CHUNK)), str(path))
        file.seek(0)
    except OSError as problem:
        file.close()
        raise SaglineError(
            f"cannot read the log ({problem.strerror})", where=str(path), remedy="check the path"
        ) from None
    except SaglineError:
        file.close()
        raise
    return file
