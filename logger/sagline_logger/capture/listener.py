"""What the device has said so far, kept at almost no cost per frame."""

from collections.abc import Mapping

from ..format import SAMPLES_HEADER, VERSION, Board, Event, RecordError, Samples, Stream
from ..format.limits import MAX_STREAMS

_SPAN = 1 << 32
_KINDS: dict[int, type[Board] | type[Stream] | type[Event]] = {
    Board.KIND: Board,
    Stream.KIND: Stream,
    Event.KIND: Event,
}
_KEPT_DESCRIPTIONS = 4 * MAX_STREAMS


class Listener:
    """Counts losses and keeps the latest SAMPLES of each stream, packed until somebody asks.

    Only the capturing thread calls :meth:`hear`; any thread may read the rest.
    """

    def __init__(self) -> None:
        self.board: Board | None = None
        self.boot: int | None = None
        """Boot number of the frames heard last."""
        self.lost = 0
        """Samples missing between frames of one boot, by their sequence numbers."""
        self._readable = True  # the board speaks a version that we know
        self._clocked = b""
        self._latest: dict[int, bytes] = {}
        self._expected: dict[int, int] = {}
        self._streams: dict[tuple[int, int, int], Stream] = {}
        self._described: dict[int, bytes] = {}

    def hear(self, body: bytes) -> bool:
        """Note one sound device frame.

        Returns:
            False, with nothing noted, when it comes from another boot than the frames before: the
            device restarted.  :meth:`new_boot` makes the next call accept it.
        """
        if body[0] != Samples.KIND:
            return self._hear_other(body)
        if not self._readable:
            return True
        if len(body) < SAMPLES_HEADER.size or body[1] >= MAX_STREAMS:
            return True
        _, stream, boot, sequence, _, _, count = SAMPLES_HEADER.unpack_from(body)
        if boot != self.boot:
            if self.boot is not None:
                return False
            self.boot = boot
        missed = (sequence - self._expected.get(stream, sequence)) % _SPAN
        if 0 < missed < _SPAN >> 1:
            self.lost += missed
        self._expected[stream] = sequence + count
        self._latest[stream] = self._clocked = body
        return True

    def new_boot(self) -> None:
        """Take whatever comes next as the start of a boot."""
        self.boot = None
        self._expected.clear()

    @property
    def described(self) -> bool:
        """Whether a stream has been described."""
        return bool(self._streams)

    def clock(self) -> tuple[int, int] | None:
        """Return (boot, clock in µs modulo 2^32) of the last frame that told the time."""
        body = self._clocked
        if not body:
            return None
        if body[0] == Samples.KIND:
            _, _, boot, _, clock, _, _ = SAMPLES_HEADER.unpack_from(body)
            return boot, clock
        record = Board.decode(body) if body[0] == Board.KIND else Event.decode(body)
        return record.boot, record.clock

    def values(self) -> dict[str, float]:
        """Return the latest value of every described channel by its key, NaN when missing.

        Of the channels that bear a standard name only those that are the standard channel: what
        watches limits takes a value for what its name says.
        """
        values: dict[str, float] = {}
        for body in self._latest.copy().values():
            record = Samples.decode(body)
            stream = self._streams.get((record.stream, record.boot, record.revision))
            if stream is None or not record.fits(stream):
                continue
            layout = stream.layout
            raw = layout.unpack_from(record.data, (record.count - 1) * layout.size)
            for channel, number in zip(stream.channels, raw, strict=True):
                if not channel.nearly:
                    values[channel.key] = channel.value(number)
        return values

    def nearly(self) -> tuple[str, ...]:
        """Return a line for each channel that bears a standard name and is not the standard one."""
        streams = list(self._streams.copy().values())
        lines = [channel.nearly for stream in streams for channel in stream.channels]
        return tuple(dict.fromkeys(filter(None, lines)))

    def units(self) -> Mapping[str, str]:
        """Return the unit of every described channel by its key."""
        streams = list(self._streams.copy().values())
        return {channel.key: channel.unit for stream in streams for channel in stream.channels}

    def _hear_other(self, body: bytes) -> bool:
        kind = _KINDS.get(body[0])
        if kind is None or not (self._readable or kind is Board):
            return True
        if kind is Stream and self._described.get(body[1]) == body:
            return True  # said again for late joiners: nothing new
        try:
            record = kind.decode(body)
        except RecordError:
            return True  # kept in the file, and told by verify
        if isinstance(record, Board):
            self._readable = record.version[0] == VERSION[0]
            if not self._readable:
                return True
        if record.boot != self.boot:
            if self.boot is not None:
                return False
            self.boot = record.boot
        if isinstance(record, Stream):
            self._described[record.stream] = body
            self._streams[record.stream, record.boot, record.revision] = record
            while len(self._streams) > _KEPT_DESCRIPTIONS:
                self._streams.pop(next(iter(self._streams)))
        else:
            self._clocked = body
            if isinstance(record, Board):
                self.board = record
        return True
