"""What the device has said so far, kept at almost no cost per frame.

It counts by the rules of ``protocol_docs/frame_format.md`` §5.7, through the format package.
"""

from collections.abc import Mapping

from ..format import (
    EVENTS,
    SAMPLES_HEADER,
    Board,
    Channel,
    HostRecord,
    Numbers,
    Record,
    RecordError,
    Samples,
    Stream,
    Unknown,
    Verdict,
    VersionGate,
    decode_record,
)
from ..format.limits import MAX_STREAMS

_KEPT_DESCRIPTIONS = 4 * MAX_STREAMS
_KEPT_REFUSALS = 8


class Listener:
    """Counts losses and keeps the latest SAMPLES of each stream, packed until somebody asks.

    Only the capturing thread calls :meth:`hear`; any thread may read the rest.
    """

    def __init__(self) -> None:
        self.board: Board | None = None
        self.boot: int | None = None
        """Boot number of the frames heard last."""
        self.host: int | None = None
        """When the frames that are heard next came, host µs; for what is silent for long."""
        self.lost = 0
        """Samples missing between frames of one start, by their sequence numbers."""
        self.repeated = 0
        """Records that came twice."""
        self.went_back = 0
        """Records whose number went back while the clock ran on."""
        self.refused: tuple[str, ...] = ()
        """What broke the format's rules so far: record and field, the first few."""
        self._gate = VersionGate()
        self._numbers = Numbers()
        self._clocked: bytes | tuple[int, int] | None = None  # samples are read when asked for
        self._latest: dict[int, bytes] = {}
        self.described = False
        """Whether a stream has been described."""
        self._streams: dict[tuple[int, int, int], Stream] = {}  # by (stream, boot, revision)
        self._described: dict[int, bytes] = {}
        # Those described since the last BOARD, while no sample and no event came after it.
        self._front: dict[int, bytes] | None = None

    def hear(self, body: bytes) -> bool:
        """Note one sound device frame.

        Returns:
            False, with nothing noted, when it is of another start than the frames before: another
            boot number, or numbers and clock that begin anew (frame_format.md §5.7).
            :meth:`new_boot` makes the next call accept it.
        """
        if body[0] != Samples.KIND:
            return self._hear_other(body)
        if not self._gate.device:
            return True
        if len(body) < SAMPLES_HEADER.size or body[1] >= MAX_STREAMS or not body[13]:
            self._decode(body)
            return True
        _, stream, boot, sequence, clock, _, count = SAMPLES_HEADER.unpack_from(body)
        if boot != self.boot:
            if self.boot is not None:
                return False
            self.boot = boot
        numbers = self._numbers
        numbers.host = self.host
        verdict = numbers.follow(stream, sequence, count, clock, body)
        if verdict is not Verdict.NEXT and not self._goes_on(verdict):
            return verdict is Verdict.REPEATED
        self.lost += numbers.lost
        self._latest[stream] = self._clocked = body
        self._front = None
        return True

    def _goes_on(self, verdict: Verdict) -> bool:
        """Count what is not the next record; return whether it is to be used all the same."""
        self.repeated += verdict is Verdict.REPEATED
        self.went_back += verdict is Verdict.WENT_BACK
        return verdict is Verdict.WENT_BACK

    def new_boot(self) -> None:
        """Take whatever comes next as the start of a boot: nothing carries over but what was said
        since the last BOARD, if that stands right in front of it (frame_format.md §5.7)."""
        self.boot = None
        self._numbers = Numbers()
        self._latest.clear()
        self._described = dict(self._front or {})
        streams = map(Stream.decode, self._described.values())
        self._streams = {(one.stream, one.boot, one.revision): one for one in streams}

    def clock(self) -> tuple[int, int] | None:
        """Return (boot, clock in µs modulo 2^32) of the last frame that told the time."""
        told = self._clocked
        if not isinstance(told, bytes):
            return told
        _, _, boot, _, clock, _, _ = SAMPLES_HEADER.unpack_from(told)
        return boot, clock

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

    def channels(self) -> Mapping[str, Channel]:
        """Return every described channel by its key."""
        streams = list(self._streams.copy().values())
        return {channel.key: channel for stream in streams for channel in stream.channels}

    def _decode(self, body: bytes) -> Record | None:
        """Return the record, None where it breaks the format's rules: that is noted."""
        try:
            return decode_record(body)
        except RecordError as problem:  # the bytes are kept in the file, and told by verify
            line = str(problem)
            if line not in self.refused and len(self.refused) < _KEPT_REFUSALS:
                self.refused += (line,)
            return None

    def _hear_other(self, body: bytes) -> bool:
        if not self._gate.admits(body):
            return True
        if body[0] == Stream.KIND and self._described.get(body[1]) == body:
            if self._front is not None:
                self._front[body[1]] = body
            return True  # said again for late joiners: nothing new
        record = self._decode(body)
        if record is None or isinstance(record, Samples | HostRecord | Unknown):
            return True
        if isinstance(record, Board) and not self._gate.device:
            return True
        if record.boot != self.boot:
            if self.boot is not None:
                return False
            self.boot = record.boot
        if isinstance(record, Stream):
            self.described = True
            self._described[record.stream] = body
            if self._front is not None:
                self._front[record.stream] = body
            self._streams[record.stream, record.boot, record.revision] = record
            while len(self._streams) > _KEPT_DESCRIPTIONS:
                self._streams.pop(next(iter(self._streams)))
            return True
        if isinstance(record, Board):
            self._numbers.host = self.host
            if self._numbers.begins_anew(record.clock):
                self._front = None  # said by the start before
                return False
            self._numbers.board(record.clock)
            self.board = record
            self._front = {}
        else:
            self._numbers.host = self.host
            verdict = self._numbers.follow(EVENTS, record.sequence, 1, record.clock, body)
            if verdict is not Verdict.NEXT and not self._goes_on(verdict):
                return verdict is Verdict.REPEATED
            self._front = None
        self._clocked = record.boot, record.clock
        return True
