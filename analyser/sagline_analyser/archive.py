"""A compressed copy of a log, held against the original before it is called done."""

import os
from dataclasses import dataclass
from pathlib import Path

from sagline_logger.format import (
    ARCHIVE_SUFFIX,
    SaglineError,
    broken_off,
    open_log,
    output,
    packed_pieces,
)
from sagline_logger.format.progress import tell

LEVEL = 6
"""Of deflate: on a simulated hour level 9 takes 1.6 times as long for 0.2 % fewer bytes."""
_CHUNK = 1 << 20


@dataclass(frozen=True)
class Archived:
    """What :func:`archive` wrote: sizes in bytes."""

    path: Path
    original: int
    packed: int

    @property
    def ratio(self) -> float:
        """Bytes of log to one byte of archive."""
        return self.original / self.packed


def archive(log: Path, out: Path | None = None) -> Archived:
    """Write ``log`` as gzip to ``out`` (default: beside it), read it back and compare.

    The original is left as it is and nothing is ever overwritten; a copy that does not read back
    the same is removed.  gzip, because every system opens it and it reads four times as fast as
    xz, which packs a simulated log 1.6 times as tightly but needs nine times as long for it.

    Raises:
        SaglineError: the log cannot be read or is no plain log, the copy cannot be written or is
            already there, or it does not read back the same.
    """
    out = out or log.with_name(log.name + ARCHIVE_SUFFIX)
    with open_log(log) as file:
        try:
            file.fileno()
        except OSError:
            raise SaglineError(
                "is not a plain log, but already compressed",
                where=str(log),
                remedy="every command reads it as it is",
            ) from None
        with output(out) as target:
            size = log.stat().st_size
            for piece in packed_pieces(file, LEVEL):
                target.write(piece)
                tell(f"packing {log.name}", file.tell(), size)
            target.flush()
            os.fsync(target.fileno())
            _compare(log, Path(target.name))
    return Archived(out, log.stat().st_size, out.stat().st_size)


def _compare(log: Path, out: Path) -> None:
    """Check that the archive, read as every command reads it, is the log."""
    size = log.stat().st_size
    with log.open("rb") as original, open_log(out) as copy:
        while True:
            one, other = original.read(_CHUNK), copy.read(_CHUNK)
            tell(f"reading {out.name} back", original.tell(), size)
            if one != other or broken_off(copy):
                raise SaglineError(
                    "the archive does not read back the same and was removed",
                    where=str(out),
                    remedy="is the log still being written? then try again when it is done",
                )
            if not one:
                return
