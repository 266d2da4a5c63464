"""From samples to the frames that a board would have sent, for input that is no frames.

Descriptors, numbers and clocks: ``protocol_docs/frame_format.md`` §5 and §6.6.
"""

from collections.abc import Sequence
from dataclasses import replace

from ..format import Board, Event, EventKind, Piece, Samples, Stream, encode_frame
from ..format.limits import MAX_BODY

DESCRIBE_EVERY = 5_000_000
"""µs between two descriptors (frame_format.md §5.1)."""
_WRAP = 1 << 32
_MOST_BOOTS = 1 << 16


class Framer:
    """Makes the frames of one board; ``streams`` describe it as of boot 1."""

    def __init__(self, name: str, firmware: str, streams: Sequence[Stream]) -> None:
        self.position = 0
        """Bytes of all frames so far."""
        self.boot = 1
        self._name = name
        self._firmware = firmware
        self._plans = streams
        self._streams: list[Stream] = []
        self._missing = [[channel.missing or 0 for channel in s.channels] for s in streams]
        self._described: int | None = None
        self._pieces: list[Piece] = []
        self._events = 0
        self._begin()

    def _begin(self) -> None:
        self._streams = [replace(stream, boot=self.boot) for stream in self._plans]
        self._sequence = [0] * len(self._plans)
        self._events = 0
        self._last: list[int | None] = [None] * len(self._plans)
        self._held: list[list[bytes]] = [[] for _ in self._plans]
        self._first = [0] * len(self._plans)
        self._described = None

    def start_anew(self) -> None:
        """Take what follows for another start of the device."""
        self._flush()
        self.boot = (self.boot + 1) % _MOST_BOOTS
        self._begin()

    def sample(self, stream: int, time: int, raw: Sequence[int | None], arrival: int) -> None:
        """Take a sample of ``stream`` at ``time`` µs of the device, which came at ``arrival`` µs of
        the host; None stands for "no reading"."""
        self._describe(time, arrival)
        period, last, held = self._streams[stream].period, self._last[stream], self._held[stream]
        layout = self._streams[stream].layout
        if held and (
            not period
            or time != (last or 0) + period
            or len(held) == 255
            or (len(held) + 1) * layout.size > MAX_BODY - 14
        ):
            self._send(stream)
        if period and last is not None:
            # Where samples are missing their numbers are, so that the gap shows.
            self._sequence[stream] += min(max(round((time - last) / period) - 1, 0), (1 << 31) - 1)
        if not held:
            self._first[stream] = time
        pairs = zip(raw, self._missing[stream], strict=True)
        held.append(layout.pack(*(code if value is None else value for value, code in pairs)))
        self._last[stream] = time

    def note(self, text: str, time: int, arrival: int, number: int = 0) -> None:
        """Put an event at ``time``: a note, or with a ``number`` a fault."""
        self._describe(time, arrival)
        self._flush()
        kind = EventKind.FAULT if number else EventKind.NOTE
        self._out(Event(self.boot, self._events, time % _WRAP, kind, number, 0, text).encode())
        self._events += 1

    def take(self) -> list[Piece]:
        """Return the frames of all samples so far that were not yet taken."""
        self._flush()
        pieces, self._pieces = self._pieces, []
        return pieces

    def _describe(self, time: int, arrival: int) -> None:
        if self._described is not None and arrival - self._described < DESCRIBE_EVERY:
            return
        self._described = arrival
        self._flush()
        count = len(self._streams)
        self._out(Board(self.boot, time % _WRAP, 0, count, self._name, self._firmware).encode())
        for stream in self._streams:
            self._out(stream.encode())

    def _flush(self) -> None:
        for stream, held in enumerate(self._held):
            if held:
                self._send(stream)

    def _send(self, stream: int) -> None:
        held = self._held[stream]
        record = Samples(
            self.boot,
            stream,
            0,
            self._sequence[stream] % _WRAP,
            self._first[stream] % _WRAP,
            len(held),
            b"".join(held),
        )
        self._sequence[stream] += len(held)
        held.clear()
        self._out(record.encode())

    def _out(self, body: bytes) -> None:
        frame = encode_frame(body)
        self.position += len(frame)
        self._pieces.append(Piece(frame, body, None))
