"""A log as a source: what the device sent, delivered again at the pace of its TIME records."""

import time
from collections.abc import Iterator
from pathlib import Path
from typing import IO

from ..format import Foreign, FrameSplitter, RecordError, Time, decode_record, is_host_kind
from ..format.arguments import positive_number
from ..format.log_file import open_log
from .source import Advice, Option
from .source_kind import SourceKind
from .translator import FRAMES

_CHUNK = 1 << 16


class ReplaySource:
    """Replays a log ``speed`` times as fast as it was captured.

    Device frames and foreign bytes come out exactly as they went in; the logger's own records
    only set the pace.  A stretch without the device becomes silence.
    """

    silence = 3.0
    advice = Advice("did the board send anything?", "wrong speed then, or another protocol?")

    def __init__(self, path: Path, speed: float = 1.0) -> None:
        self._path = path
        self._speed = speed
        self._file: IO[bytes] | None = None
        self._slices: Iterator[tuple[float, bytes]] = iter(())
        self._next: tuple[float, bytes] | None = None
        self._began = 0.0

    @property
    def description(self) -> str:
        """The file."""
        return f"replay of {self._path.name}"

    def open(self) -> None:
        """Open the log.

        Raises:
            SaglineError: it cannot be read or is not a log.
        """
        self._file = open_log(self._path)
        self._slices = _slices(self._file)
        self._next = next(self._slices, None)
        self._began = time.monotonic()

    def read(self, timeout: float) -> bytes:
        """Return the bytes that are due; see :class:`Source`."""
        if self._next is None:
            raise EOFError
        due = self._began + self._next[0] / self._speed
        wait = due - time.monotonic()
        if wait > 0:
            time.sleep(min(wait, timeout))
            if wait > timeout:
                return b""
        data = self._next[1]
        self._next = next(self._slices, None)
        return data

    def close(self) -> None:
        """Close the log."""
        if self._file is not None:
            self._file.close()
            self._file = None


def _slices(log: IO[bytes]) -> Iterator[tuple[float, bytes]]:
    """Yield (seconds since the first TIME record, device bytes received from then on)."""
    splitter = FrameSplitter()
    start: int | None = None
    seconds = 0.0
    held = bytearray()
    while chunk := log.read(_CHUNK):
        for piece in splitter.feed(chunk):
            if piece.body is None:
                continue  # damage of the file itself: the device never sent it like that
            if not is_host_kind(piece.body):
                held += piece.raw
                continue
            try:
                record = decode_record(piece.body)
            except RecordError:
                continue
            if isinstance(record, Foreign):
                held += record.data
            elif isinstance(record, Time):
                if held:
                    yield seconds, bytes(held)
                    held.clear()
                start = record.at.monotonic if start is None else start
                seconds = (record.at.monotonic - start) / 1e6
        if len(held) >= _CHUNK:  # a log without TIME records stays within memory
            yield seconds, bytes(held)
            held.clear()
    if held:
        yield seconds, bytes(held)


KIND = SourceKind(
    Option("--replay", "LOG", "a log, at its own pace", Path),
    lambda given: ReplaySource(given["replay"], given["speed"]),
    (Option("--speed", "X", "X times as fast", positive_number, 1),),
    lambda given: FRAMES,
    live=False,
)
