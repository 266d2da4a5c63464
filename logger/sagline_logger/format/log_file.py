"""Log files: a run of frames, read and written symmetrically."""

from collections.abc import Iterator
from dataclasses import dataclass
from pathlib import Path
from typing import IO

from .device_records import VERSION
from .errors import RecordError, SaglineError
from .frame import Fault, FrameSplitter, encode_frame
from .host_records import LogStart
from .records import Record, decode_record

SUFFIX = ".sagline"
SIGNATURE = encode_frame(LogStart().encode())
"""First bytes of a log of this version."""

_CHUNK = 1 << 16


@dataclass(frozen=True, slots=True)
class Entry:
    """One frame of a log: where it starts, how many bytes it takes, and what it says.

    ``record`` is None where the bytes are damaged, and ``problem`` then says how.
    """

    offset: int
    size: int
    record: Record | None
    problem: str = ""


def read_log(file: IO[bytes]) -> Iterator[Entry]:
    """Yield every entry of a log, damaged stretches included, in bounded memory."""
    splitter = FrameSplitter()
    offset = 0

    def entries(data: bytes) -> Iterator[Entry]:
        nonlocal offset
        for piece in splitter.feed(data) if data else splitter.finish():
            size = len(piece.raw)
            if piece.body is not None:
                try:
                    yield Entry(offset, size, decode_record(piece.body))
                except RecordError as problem:
                    yield Entry(offset, size, None, str(problem))
            elif piece.fault is not None:
                yield Entry(offset, size, None, _DAMAGE[piece.fault])
            offset += size

    while data := file.read(_CHUNK):
        yield from entries(data)
    yield from entries(b"")


_DAMAGE = {
    Fault.DAMAGED: "damaged frame",
    Fault.TOO_LONG: "no delimiter within the longest frame",
    Fault.UNFINISHED: "the file ends inside a frame",
}


def check_is_log(start: bytes, where: str) -> None:
    """Check that ``start``, the first bytes of a file (4 KiB are plenty), belong to a log.

    A log cut at the front is still a log: any sound frame will do.

    Raises:
        SaglineError: the bytes are none, hold no frame, or need a later version of the format.
    """
    if not start:
        raise SaglineError("the file is empty", where=where, remedy="nothing was captured")
    splitter = FrameSplitter()
    pieces = [*splitter.feed(start), *splitter.finish()]
    bodies = [piece.body for piece in pieces if piece.body is not None]
    if not bodies:
        raise SaglineError("not a Sagline log", where=where, remedy="choose a .sagline file")
    if bodies[0][0] == LogStart.KIND:
        major, minor = LogStart.decode(bodies[0]).version
        if major != VERSION[0]:
            raise SaglineError(
                f"written in format version {major}.{minor}, this program reads {VERSION[0]}.x",
                where=where,
                remedy="install a later Sagline",
            )


def open_log(path: Path) -> IO[bytes]:
    """Open a log for reading, after checking that it is one.

    Raises:
        SaglineError: the file cannot be read or is not a log.
    """
    try:
        file = path.open("rb")
    except OSError as problem:
        raise SaglineError(
            f"cannot open the log ({problem.strerror})", where=str(path), remedy="check the path"
        ) from None
    try:
        check_is_log(file.read(2 * _CHUNK), str(path))
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
