"""Samples unpacked by a second thread while the first still reads the log.

numpy works on large arrays without Python's lock, so on two cores the columns of a ride without a
restart are all but finished when its last frame is read.
"""

from collections.abc import Callable
from concurrent.futures import Executor, Future, ThreadPoolExecutor
from dataclasses import dataclass, field
from pathlib import Path
from typing import Any

from sagline_logger.format import Stream

from .columns import Band, Table, column_names, unpack
from .frames import read_blocks
from .streams import StreamPart
from .tables import Chunk, Key, tabulate

_TAIL = 1 << 14
"""Bytes at a file's end that are searched for the numbers of the last samples."""
_SMALL = 1 << 20
"""Bytes up to which a log is not worth a second thread."""


@dataclass
class _Filling:
    stream: Stream
    table: Table
    bands: list[Band]
    total: int
    rows: int = 0
    jobs: list[Future[int]] = field(default_factory=list)


class _AtOnce(Executor):
    """Does every job as it is given."""

    def submit(self, job: Callable[..., Any], /, *given: Any, **named: Any) -> Future[Any]:
        done: Future[Any] = Future()
        done.set_result(job(*given, **named))
        return done


def worker_for(path: Path) -> Executor:
    """Return who unpacks the samples of a log: a second thread, or for a small log the first."""
    large = path.is_file() and path.stat().st_size > _SMALL
    return ThreadPoolExecutor(1) if large else _AtOnce()


class Ahead:
    """Fills the columns of every stream that looks like one part from its first samples on.

    The numbers of a stream's first and last samples tell how long its columns become.  Where that
    proves wrong (a restart, a number that went back), its columns are made afterwards from the
    packed samples, as they are where nothing was known: a file inside an archive, say.
    """

    def __init__(self, path: Path, worker: Executor) -> None:
        """``worker`` has one thread, so that no two pieces are unpacked at once."""
        self._worker = worker
        self._room = path.stat().st_size  # bytes of samples that the file can still hold
        with path.open("rb") as file:
            file.seek(max(self._room - _TAIL, 0))
            last = tabulate(read_blocks(file)).samples
        self._ends = {key[1:]: int(c.sequence[-1]) + int(c.count[-1]) for key, c in last.items()}
        self._fillings: dict[Key, _Filling] = {}

    def take(self, key: Key, chunk: Chunk, stream: Stream | None) -> None:
        """Unpack the next samples of ``key``, which ``stream`` describes as far as is known."""
        if (end := self._ends.pop(key[1:], None)) is not None:
            total = (end - int(chunk.sequence[0])) % (1 << 32)
            size = total * key.row
            if stream and stream.layout.size == key.row and size <= self._room:
                self._room -= size
                names = column_names(stream, {})
                table = Table.empty(dict(zip(names, stream.channels, strict=True)), total)
                bands = table.bands(stream, names)
                self._fillings[key] = _Filling(stream, table, bands, total)
        if (filling := self._fillings.get(key)) is None:
            return
        for piece in chunk.packed:
            start = filling.rows
            filling.rows += piece.size
            if filling.rows > filling.total:
                del self._fillings[key]
                return
            filling.jobs.append(self._worker.submit(unpack, piece, filling.bands, start))

    def finish(self, parts: list[StreamPart]) -> Table | None:
        """Return the columns of a stream's parts, None where they are still to be made."""
        fillings = [self._fillings.pop(part.key, None) if part.key else None for part in parts]
        first, *others = fillings
        if others or first is None or first.stream != parts[0].stream:
            return None
        if first.rows != parts[0].chunk.count.sum():  # some records came twice, or do not fit
            return None
        for job in first.jobs:
            job.result()
        return first.table.cut(first.rows)
