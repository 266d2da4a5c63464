"""Rows to the frames of a log, as a device and a logger would have written them.

Each record of samples stands behind the host instant of its last sample, so a reader that lays the
device's clock on the host's finds no delay and gets the file's own times back.
"""

from collections.abc import Iterator, Sequence

from sagline_logger.format import (
    SIGNATURE,
    Board,
    Capture,
    End,
    HostRecord,
    Instant,
    Samples,
    Setting,
    Stream,
    Time,
    encode_frame,
)
from sagline_logger.format.columns.cells import BLANK, Cell
from sagline_logger.format.limits import MAX_BODY

DESCRIBE_EVERY = 5_000_000
"""µs between two descriptors (protocol_docs/frame_format.md §5.1)."""
HOLD = 500_000
"""µs of samples gathered into one record at most."""
TELL_EVERY = 250_000
"""µs between two TIME records at most."""
_WRAP = 1 << 32


class LogOut:
    """Turns rows into frames; the caller writes what the methods return."""

    def __init__(self, board: str, streams: Sequence[Stream], wall: int) -> None:
        self._board = board
        self._streams = streams
        self._wall = wall
        self._packers = [_Packer(stream) for stream in streams]
        self._position = 0
        self._frames = 0
        self._instant = 0
        self._told = -TELL_EVERY
        self._described = -DESCRIBE_EVERY
        self._parts: list[bytes] = []

    def start(self, source: str, note: str, settings: Sequence[tuple[str, str]]) -> bytes:
        """Return what stands before the first row."""
        self._parts.append(SIGNATURE)
        self._host(Capture(self._at(), "sagline-analyser import", source, note))
        for name, value in settings:
            self._host(Setting(self._at(), name, value))
        return self._taken()

    def row(self, time: int, samples: Sequence[Sequence[Cell]]) -> bytes:
        """Take the row at ``time`` µs, a sample for each stream; one of blanks only is none."""
        if any(
            packer.first is not None and time - packer.first >= HOLD for packer in self._packers
        ):
            self._flush()
        if time - self._described >= DESCRIBE_EVERY:
            self._flush()
            self._described = time
            self._instant = time
            self._device(Board(1, time % _WRAP, 0, len(self._streams), self._board).encode())
            for stream in self._streams:
                self._device(stream.encode())
        for packer, cells in zip(self._packers, samples, strict=True):
            for record, last in packer.add(time, cells):
                self._send(record, last)
        return self._taken()

    def end(self) -> bytes:
        """Return what stands behind the last row."""
        self._flush()
        self._host(End(self._at(), self._frames, 0, "the file was read to its end"))
        return self._taken()

    def _flush(self) -> None:
        records = [packer.take() for packer in self._packers if packer.first is not None]
        for record, last in sorted(records, key=lambda pair: pair[1]):
            self._send(record, last)

    def _send(self, record: Samples, last: int) -> None:
        self._instant = max(self._instant, last)
        self._device(record.encode())

    def _device(self, body: bytes) -> None:
        if self._instant - self._told >= TELL_EVERY:
            self._told = self._instant
            self._host(Time(self._at(), self._position))
        frame = encode_frame(body)
        self._position += len(frame)
        self._frames += 1
        self._parts.append(frame)

    def _host(self, record: HostRecord) -> None:
        self._parts.append(encode_frame(record.encode()))

    def _at(self) -> Instant:
        return Instant(self._instant, self._wall + self._instant)

    def _taken(self) -> bytes:
        data = b"".join(self._parts)
        self._parts.clear()
        return data


class _Packer:
    """Gathers the samples of one stream into records; ``first`` is the time of the first held."""

    def __init__(self, stream: Stream) -> None:
        self._stream = stream
        most = (MAX_BODY - 14) // stream.layout.size
        self._most = min(most, 255) if stream.period else 1
        self._missing = [channel.missing for channel in stream.channels]
        self._rows: list[bytes] = []
        self._sequence = 0
        self._last: int | None = None
        self.first: int | None = None

    def add(self, time: int, cells: Sequence[Cell]) -> Iterator[tuple[Samples, int]]:
        """Take a sample; yield (record, time of its last sample) for each that it completes."""
        if all(cell is BLANK for cell in cells):
            return
        period, last = self._stream.period, self._last
        if self.first is not None and last is not None and time != last + period:
            yield self.take()
        if period and last is not None:
            # Where rows are missing their numbers are, so that the gap shows.
            self._sequence += min(max(round((time - last) / period) - 1, 0), (1 << 31) - 1)
        raw = [
            missing if cell is None or cell is BLANK else cell
            for cell, missing in zip(cells, self._missing, strict=True)
        ]
        self._rows.append(self._stream.layout.pack(*raw))
        self._last = time
        if self.first is None:
            self.first = time
        if len(self._rows) >= self._most:
            yield self.take()
        return

    def take(self) -> tuple[Samples, int]:
        """Return the record of what is held, and the time of its last sample."""
        assert self.first is not None and self._last is not None
        count, stream = len(self._rows), self._stream
        record = Samples(
            stream.boot,
            stream.stream,
            stream.revision,
            self._sequence % _WRAP,
            self.first % _WRAP,
            count,
            b"".join(self._rows),
        )
        self._rows.clear()
        self._sequence += count
        self.first = None
        return record, self._last
