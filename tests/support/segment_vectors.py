"""Small logs of several starts and captures, with what a reader must count and say.

The figures are written down here by hand from the rules of ``protocol_docs/frame_format.md`` §5.7,
§5.8, §6.5 and §9.1; no reader of ours has a part in them.
"""

from dataclasses import dataclass, field, replace
from typing import Any

from sagline_logger.format import (
    SIGNATURE,
    Board,
    Capture,
    Channel,
    Dropped,
    End,
    Event,
    EventKind,
    Fault,
    Foreign,
    Instant,
    Mark,
    Record,
    Samples,
    SampleType,
    Stream,
    Time,
    decode_frame,
    encode_frame,
)

_CALLS: dict[str, tuple[list[tuple[Any, ...]] | None, bool]] = {}
NONE: dict[str, int] = {
    "received": 0, "lost": 0, "events lost": 0, "repeated": 0, "went back": 0, "undescribed": 0,
    "misfit": 0, "unheard": 0, "restarts under one number": 0, "contradictions": 0,
    "damaged places": 0, "damaged bytes": 0, "captures": 1, "frames": 0, "unknown version": 0,
    "foreign": 0, "dropped frames": 0, "missing frames": 0, "missing bytes": 0,
}  # fmt: skip
"""The figures of §9.1; what a case does not name is this."""

_PERIOD = 10_000
_OF = 5
"""Samples in a record."""
STREAM = Stream(1, 0, 0, "fast", _PERIOD, (Channel("n", "1", SampleType.U16),))
BESIDE = Stream(1, 0, 1, "slow", 100_000_000, (Channel("w", "1", SampleType.U8),))
"""A second stream of a board that has two."""
DATED = 1_780_000_000_000_000
"""µs: wall clock of a host whose monotonic clock reads 0."""


@dataclass
class _Log:
    """A log as a logger writes it whose link takes no time, and what it holds in truth."""

    data: bytearray = field(default_factory=bytearray)
    segments: list[dict[str, int]] = field(default_factory=list)
    values: list[int] = field(default_factory=list)
    times: list[int] = field(default_factory=list)
    frames: int = 0
    host: int = 0
    wall: int = DATED
    placed: int = 0
    """What to add to the host's clock for the time from the start of the first capture."""
    capture: int = -1
    timed: bool = True
    """Whether a TIME stands before each frame."""
    card: bool = False
    """Whether the board writes the log by itself, with a TIME at most each half second."""
    calls: list[tuple[Any, ...]] | None = field(default_factory=list)
    """What an emitter is asked to do for the same bytes; None where none would send them."""
    _timed_at: int | None = None
    _foreign: int = 0
    _own: int = 0
    _position: int = 0
    _stream: Stream = STREAM
    _beside: bool = False

    def at(self) -> Instant:
        return Instant(self.host, self.host + self.wall)

    def begin(self, host: int, placed: int | None = None, *, log: bool = True) -> None:
        """Begin a capture; ``placed`` µs after the first one's start."""
        self.host, self.placed = host, (0 if placed is None else placed) - host
        self.capture += 1
        self._timed_at = None
        if self.card:
            if self.capture:  # it ends what the power cut in two
                self.data += b"\0"
            self.call("append" if self.capture else "log", host)
        self._own = self._position = self._foreign = 0
        self.data += SIGNATURE if log else b""
        self.data += encode_frame(Capture(self.at(), "t", "s", "").encode())

    def end(self) -> None:
        self.data += encode_frame(End(self.at(), self._own, self._foreign, "stopped").encode())

    def send(self, record: Record | bytes) -> bytes:
        """Write a device frame, and a TIME before it."""
        frame = encode_frame(record if isinstance(record, bytes) else record.encode())
        if isinstance(record, Event):
            self.call("event", record.sequence, record.clock, record.text)
        elif isinstance(record, bytes):
            self.calls = None
        due = self._timed_at is None or self.host - self._timed_at >= 500_000
        if self.timed and (due or not self.card):
            self._timed_at = self.host
            self.data += encode_frame(Time(self.at(), self._position).encode())
        self.again(frame)
        return frame

    def zeros(self, count: int) -> None:
        """The device sends zeros between its frames."""
        self.data += bytes(count)
        self._position += count

    def foreign(self, *parts: bytes) -> None:
        """Bytes arrive that are no frame; the parts of a long piece follow each other."""
        for part in parts:
            self.data += encode_frame(Foreign(self.at(), Fault.TOO_LONG, part).encode())
            self._position += len(part)
            self._foreign += len(part)

    def vanish(self, since: int) -> int:
        """Cut out what was written since a place of the file; return how many bytes of the device
        that is, where no TIME stood in it."""
        size = len(self.data) - since
        del self.data[since:]
        return size

    def spoil_times(self, since: int) -> tuple[int, int]:
        """Turn one bit in each TIME from a place of the file on; return how many, of how many
        bytes."""
        tail = bytes(self.data[since:])
        self.vanish(since)
        count = size = 0
        for frame in (part + b"\0" for part in tail.split(b"\0")[:-1]):
            if decode_frame(frame[:-1])[0] == Time.KIND:
                count, size = count + 1, size + len(frame)
                frame = frame[:1] + bytes((frame[1] ^ 64,)) + frame[2:]
            self.data += frame
        return count, size

    def drop(self, since: int, frames: int, *, told: bool) -> None:
        """Put DROPPED where that was written, of some frames and the TIME in front of each."""
        lost = bytes(self.data[since:])
        self.vanish(since)
        self.frames -= frames
        device = sum(map(len, _device_frames(lost)))
        self.data += encode_frame(
            Dropped(self.at(), frames, len(lost), "disk full", device if told else None).encode()
        )

    def call(self, *words: Any) -> None:
        if self.calls is not None:
            self.calls.append(words)

    def once_more(self, frame: bytes) -> None:
        """The link brings the same frame twice."""
        self.calls = None
        self.again(frame)

    def again(self, frame: bytes) -> None:
        """Write the same device frame once more."""
        self.data += frame
        self._position += len(frame)
        self._own += 1
        self.frames += 1

    def start(self, boot: int, clock: int, *, told: bool = True, beside: bool = False) -> None:
        """The device starts; ``told`` says whether its descriptor comes at once, ``beside`` whether
        it has a second stream."""
        self._stream = replace(STREAM, boot=boot)
        self._beside = beside
        self.segments.append({"capture": self.capture, "boot": boot})
        self.call("start", boot, clock, told, beside)
        if told:
            self._describe(clock)

    def change(
        self, clock: int, revision: int, channels: tuple[Channel, ...], *, told: bool = True
    ) -> None:
        """Describe the stream anew; ``told`` says whether that is heard."""
        self._stream = replace(self._stream, revision=revision, channels=channels)
        self.call("changed", clock, revision, [channel.name for channel in channels], told)
        if told:
            self._describe(clock)

    def describe(self, clock: int) -> None:
        self.call("describe", clock)
        self._describe(clock)

    def _describe(self, clock: int) -> None:
        stream = self._stream
        self.send(Board(stream.boot, clock, stream.revision, 1 + self._beside, "Kestrel", "3"))
        self.send(stream)
        if self._beside:
            self.send(replace(BESIDE, boot=stream.boot, revision=stream.revision))

    def beside(self, number: int, clock: int) -> None:
        """One sample of the second stream."""
        self.call("beside", clock, number)
        self.send(Samples(self._stream.boot, 1, 0, number, clock % 2**32, 1, bytes((number,))))

    def samples(
        self,
        first: int,
        clock: int,
        records: int,
        value: int,
        *,
        known: bool = True,
        heard: bool | None = None,
    ) -> bytes:
        """SAMPLES of five from number ``first`` on, taken since the clock of the host; return the
        last frame.  ``known`` says whether they can be read of the log, ``heard`` whether they are
        in it, if that is not the same."""
        frame = b""
        self.call(
            "samples", first, clock % 2**32, records * _OF, value, known if heard is None else heard
        )
        for record in range(records):
            done = record * _OF
            values = range(value + done, value + done + _OF)
            if known:
                self.values += values
                self.times += [self.host + self.placed + n * _PERIOD for n in range(_OF)]
            self.host += (_OF - 1) * _PERIOD
            stream = self._stream
            rows = [(n,) + (7,) * (len(stream.channels) - 1) for n in values]
            frame = self.send(
                Samples(
                    stream.boot,
                    0,
                    stream.revision,
                    first + done,
                    (clock + done * _PERIOD) % 2**32,
                    _OF,
                    b"".join(stream.layout.pack(*row) for row in rows),
                )
            )
            self.host += _PERIOD
        return frame

    def silence(self, seconds: float) -> None:
        self.host += round(seconds * 1e6)

    def no_emitter(self) -> None:
        """What stands here no emitter would send."""
        self.calls = None

    def case(self, name: str, whole: bool, **counts: int) -> dict[str, Any]:
        _CALLS[name] = (self.calls, self.card)
        told = {key.replace("_", " "): value for key, value in counts.items()}
        assert set(told) <= set(NONE)
        return {
            "name": name,
            "counts": NONE | {"frames": self.frames} | told,
            "nothing lost": whole,
            "segments": self.segments,
            "values": self.values,
            "times": self.times,
            "log": self.data.hex(),
        }


def _device_frames(data: bytes) -> list[bytes]:
    frames = [part + b"\0" for part in data.split(b"\0")[:-1]]
    return [frame for frame in frames if decode_frame(frame[:-1])[0] < 0x80]


def _one_start() -> _Log:
    log = _Log()
    log.begin(7_000_000)
    log.start(1, 500_000)
    log.samples(0, 500_000, 6, 100)
    return log


def _restarts() -> list[dict[str, Any]]:
    heard = _one_start()
    heard.silence(2)
    heard.start(1, 3_000)
    heard.samples(0, 3_000, 6, 1000)
    heard.end()
    late = _one_start()
    late.silence(2)
    late.start(1, 0, told=False)
    late.samples(10, 100_000, 2, 1000)
    late.describe(200_000)
    late.samples(20, 200_000, 2, 1010)
    late.end()
    unsampled = _Log()
    unsampled.begin(7_000_000)
    unsampled.start(1, 2_200_000)
    unsampled.silence(17)
    unsampled.start(1, 130_000)
    unsampled.samples(0, 130_000, 6, 100)
    unsampled.end()
    other = _Log()
    other.begin(0)
    for n, boot in enumerate((5, 6, 5)):
        other.start(boot, 90_000_000 * n)
        other.samples(0, 90_000_000 * n, 3, 100 * n)
        other.silence(1)
    other.end()
    return [
        heard.case(
            "a restart under one boot number", False, received=60, restarts_under_one_number=1
        ),
        late.case(
            "a restart under one boot number, heard from its tenth sample, described late",
            False,
            received=50,
            restarts_under_one_number=1,
            unheard=10,
        ),
        unsampled.case(
            "a restart under one boot number before any sample: the clock of BOARD falls",
            False,
            received=30,
            restarts_under_one_number=1,
        ),
        other.case("boots 5, 6, 5 are three starts", True, received=45),
    ]


def _numbers() -> list[dict[str, Any]]:
    twice = _one_start()
    frame = twice.samples(30, 800_000, 1, 130)
    twice.once_more(frame)
    twice.once_more(twice.send(Event(1, 0, 850_000, EventKind.NOTE, text="here")))
    twice.samples(35, 850_000, 2, 135)
    twice.end()
    back = _one_start()
    back.no_emitter()
    back.samples(10, 800_000, 2, 130)
    back.end()
    more = _one_start()
    more.no_emitter()
    noted = Event(1, 0, 800_000, EventKind.NOTE, text="here")
    more.send(replace(noted, later=b"\1"))
    more.send(replace(noted, later=b"\2"))
    more.samples(30, 800_000, 2, 130)
    more.end()
    early = _Log()
    early.begin(0)
    early.no_emitter()
    early.silence(0.2)
    early.start(1, 50_000)
    early.host, early.timed = 50_000, False  # buffered while the clock wrapped
    early.samples(50, 2**32 - 100_000, 1, 100)
    early.host, early.timed = 1_100_000, True
    early.segments.append({"capture": 0, "boot": 1})
    early.samples(0, 950_000, 2, 200, known=False)
    early.end()
    lost = _one_start()
    lost.silence(0.5)
    lost.send(Event(1, 0, 1_200_000, EventKind.NOTE, text="before"))
    lost.send(Event(1, 4, 1_250_000, EventKind.NOTE, text="after"))
    lost.samples(80, 1_300_000, 2, 180)
    lost.end()
    silent = _one_start()
    silent.silence(2_200)
    silent.samples(220_030, 500_000 + 300_000 + 2_200_000_000, 2, 500)
    silent.end()
    hours = _one_start()
    hours.silence(3 * 3600)
    for hour in (1, 2, 3):  # a board reads its clock now and then (§5.7)
        hours.call("idle", hour * 3600 * 1_000_000)
    hours.samples(1_080_030, 800_000 + 3 * 3600 * 1_000_000, 2, 500)
    hours.end()
    ahead = _Log()
    ahead.begin(0)
    ahead.start(1, 2**32 - 100_000)
    ahead.samples(40, 2**32 - 100_000, 6, 100)
    ahead.end()
    return [
        twice.case("a record twice, and an event: the same bytes", True, received=45, repeated=2),
        back.case("the numbers go back and the clock runs on", False, received=40, went_back=1),
        more.case(
            "an event twice that differs behind its fields: not the same bytes",
            False,
            received=40,
            went_back=1,
        ),
        early.case(
            "a restart a second above samples from before the clock wrapped",
            False,
            received=5,
            undescribed=10,
            restarts_under_one_number=1,
        ),
        lost.case("samples and events lost", False, received=40, lost=50, events_lost=3),
        silent.case("36 minutes and 40 seconds of silence", False, received=40, lost=220_000),
        hours.case(
            "three hours of silence: whole turns of the clock, told by the host's",
            False,
            received=40,
            lost=1_080_000,
        ),
        ahead.case(
            "a late listener: nothing is lost before its first record; the clock wraps",
            True,
            received=30,
        ),
    ]


def _joined() -> list[dict[str, Any]]:
    def log(
        host: int,
        placed: int,
        wall: int = DATED,
        *,
        dated: int | None = None,
        end: bool = True,
        mark: bool = True,
        boot: int = 1,
    ) -> _Log:
        first = _Log(wall=wall)
        first.begin(7_000_000)
        first.start(1, 500_000)
        first.samples(0, 500_000, 6, 100)
        if end:
            first.end()
        told = placed if dated is None else dated
        first.wall += 7_000_000 + told - host if wall == DATED else 0
        first.begin(host, placed, log=mark)
        first.start(boot, 600_000)
        first.samples(0, 600_000, 4, 1000)
        first.end()
        return first

    # By its date the second capture began 0.5 s behind the first one's END, with samples that the
    # board had kept for a second: by rule 1 they would lie before it: rule 2.
    kept = _one_start()
    kept.end()
    kept.wall += 7_000_000 + 800_000 - 67_000_000
    kept.begin(67_000_000, 300_000 + 1_000_000 + 1_000_000)
    kept.host, kept.timed = 66_000_000, False
    kept.start(1, 600_000)
    kept.samples(0, 600_000, 2, 1000)
    kept.host, kept.timed = 67_100_000, True
    kept.samples(110, 1_700_000, 2, 1010)
    kept.end()
    both = {"received": 50, "captures": 2}
    cut = log(67_000_000, 60_000_000, end=False)
    card = _Log(wall=0, card=True)
    start = 0
    for n in range(3):
        card.begin(0, start)
        card.start(n + 1, 0)
        card.samples(0, 0, 3, 100 * n)
        start = card.host - _PERIOD + card.placed + 1_000_000
    nameless = _one_start()
    nameless.end()
    nameless.capture += 1
    nameless._own = nameless._position = 0
    nameless.silence(1)
    nameless.start(1, 9_000)
    nameless.samples(0, 9_000, 2, 1000)
    return [
        log(67_000_000, 60_000_000).case(
            "joined: same boot, same host, a minute later", True, **both
        ),
        log(1_000_000, 60_000_000).case(
            "joined: the host's clock began anew, its date tells", True, **both
        ),
        log(1_000_000, 300_000 + 1_000_000, 0).case(
            "joined: the host's clock began anew and knows no date: one second behind", True, **both
        ),
        kept.case(
            "joined: by its date the second one's first samples would lie in the first",
            False,
            lost=100,
            **both,
        ),
        log(1_000_000, 300_000 + 1_000_000, dated=-60_000_000).case(
            "joined: the earlier one behind the later: one second behind", True, **both
        ),
        log(1_000_000, 300_000 + 1_000_000, dated=200_000).case(
            "joined: overlapping by their dates: one second behind", True, **both
        ),
        log(7_200_000, 300_000 + 1_000_000, dated=200_000).case(
            "joined: overlapping on one host's clock: one second behind", True, **both
        ),
        log(67_000_000, 60_000_000, mark=False, boot=2).case(
            "joined: LOG lost, CAPTURE tells", True, **both
        ),
        cut.case("joined: the first was cut off at the end of a frame", True, **both),
        card.case(
            "a board that appends to its card at each start and knows no date",
            True,
            received=45,
            captures=3,
        ),
        nameless.case(
            "frames behind END: a capture whose LOG and CAPTURE are lost",
            True,
            received=40,
            captures=2,
        ),
    ]


def _descriptions() -> list[dict[str, Any]]:
    wide = (*STREAM.channels, Channel("m", "1", SampleType.U16))
    renamed = (Channel("n", "1", SampleType.U16), Channel("p", "1", SampleType.U8))
    again = _one_start()
    again.no_emitter()
    again._stream = replace(STREAM, channels=wide)
    again.describe(800_000)
    again.samples(30, 800_000, 2, 130)
    again.end()
    round_ = _one_start()
    for revision, channels in ((1, wide), (0, renamed)):
        clock = 800_000 if revision else 900_000
        round_.change(clock, revision, channels)
        round_.samples(30 if revision else 40, clock, 2, 130 if revision else 140)
    round_.end()
    used = _one_start()
    for revision, channels in ((1, wide), (0, STREAM.channels)):
        first = 40 - 10 * revision
        used.change(500_000 + first * _PERIOD, revision, channels)
        used.samples(first, 500_000 + first * _PERIOD, 2, 100 + first)
    used.end()
    spare = _one_start()
    spare.no_emitter()
    body = bytearray(STREAM.encode())
    body[-14] = 0xFE  # flags but bit 0
    body[-4:] = b"\7\7\7\7"  # a missing code that is not in force
    spare.send(bytes(body) + b"of a later version")
    spare.samples(30, 800_000, 2, 130)
    spare.end()
    late = _Log()
    late.begin(0)
    late.start(1, 0, told=False)
    late.samples(0, 0, 4, 0)
    late.describe(200_000)
    late.samples(20, 200_000, 1, 20)
    late.end()
    never = _one_start()
    never.silence(0.1)
    never.change(900_000, 9, STREAM.channels, told=False)
    never.samples(40, 900_000, 2, 0, known=False, heard=True)
    never.end()
    misfit = _one_start()
    misfit.no_emitter()
    misfit.silence(0.1)
    misfit._stream = replace(STREAM, channels=wide)
    misfit.samples(40, 900_000, 2, 0, known=False)
    misfit._stream = STREAM
    misfit.samples(50, 1_000_000, 1, 150)
    misfit.end()
    return [
        again.case(
            "one revision described in two ways: each holds for what follows it",
            False,
            received=40,
            contradictions=1,
        ),
        round_.case("a revision number come round", True, received=50),
        used.case("a revision used again after another, described as before", True, received=50),
        spare.case(
            "a description again, with other bits and bytes that are ignored", True, received=40
        ),
        late.case("the description comes behind the first samples", True, received=25),
        never.case(
            "a revision that is never described", False, received=30, lost=10, undescribed=10
        ),
        misfit.case(
            "samples that do not fit their description", False, received=35, lost=10, misfit=10
        ),
    ]


def _versions() -> list[dict[str, Any]]:
    board = _one_start()
    board.silence(1)
    board.send(b"\x01\x02\x00another layout")
    board.samples(30, 1_800_000, 2, 0, known=False)
    board.start(2, 0)
    board.samples(0, 0, 2, 1000)
    board.end()
    log = _one_start()
    log.end()
    # LOG itself, then a TIME and a SAMPLES twice, of which nothing is known, so no time either.
    log.no_emitter()
    log.data += encode_frame(b"\x80Sagline\x02\x00")
    log._stream = replace(STREAM, boot=3)
    log.samples(0, 0, 2, 0, known=False)
    log.capture += 1
    log.begin(20_000_000, 1_300_000)
    log.start(4, 0)
    log.samples(0, 0, 2, 1000)
    log.end()
    return [
        board.case(
            "a device of another major version, then one of this",
            False,
            received=40,
            unknown_version=3,
        ),
        log.case(
            "a log of another major version in the middle",
            False,
            received=40,
            captures=3,
            unknown_version=5,
        ),
    ]


def _damage() -> list[dict[str, Any]]:
    tail = _one_start()
    tail.data += bytes(4096)
    hole = _one_start()
    before = len(hole.data)
    hole.samples(30, 800_000, 12, 0, known=False)
    size = len(hole.data) - before
    hole.data[before:] = bytes(size)
    hole.frames -= 12
    hole.samples(90, 1_400_000, 2, 190)
    hole.end()
    start = _one_start()
    start.end()
    del start.data[:5]
    unread = _Log(capture=0)
    unread.data += encode_frame(b"\x81" + bytes(16) + b"\xff\xff")
    unread.begin(7_000_000, 1_000_000, log=False)
    unread.start(1, 500_000)
    unread.samples(0, 500_000, 6, 100)
    unread.end()
    front = _one_start()
    front.end()
    front.data[:0] = b"\xff" * 9000 + b"\0"
    cut = _one_start()
    last = encode_frame(Samples(1, 0, 0, 30, 800_000, 1, b"\1\2").encode())
    cut.data += last[:-1]
    missing = _one_start()
    before = len(missing.data)
    missing.samples(30, 800_000, 2, 0, known=False)
    missing.vanish(before)
    missing.frames -= 2
    missing.end()
    gone = _one_start()
    before = len(gone.data)
    gone.timed = False
    gone.samples(30, 800_000, 2, 0, known=False)
    bytes_gone = gone.vanish(before)
    gone.frames -= 2
    gone.timed = True
    next_one = gone.samples(40, 900_000, 1, 140)
    at_least = bytes_gone - len(next_one) + 1
    gone.end()
    own = _one_start()
    before = len(own.data)
    own.send(b"\x41the maker's own, of no number")
    own.vanish(before)
    own.frames -= 1
    own_next = own.samples(30, 800_000, 1, 130)
    own.end()
    own_size = len(encode_frame(b"\x41the maker's own, of no number"))
    padded = _one_start()
    padded.zeros(511)  # and the one that closes the frame before them
    padded.samples(30, 800_000, 1, 130)
    padded.end()
    sector = _one_start()
    sector.zeros(512)
    sector.samples(30, 800_000, 1, 130)
    sector.end()
    behind = _one_start()
    torn = behind.samples(30, 800_000, 1, 0, known=False)
    del behind.data[-9:]
    behind.frames -= 1
    behind.data += bytes(600)
    behind.samples(35, 850_000, 1, 135)
    refused = _one_start()
    body = Event(1, 0, 800_000, EventKind.NOTE, text="x").encode()[:-1] + b"\xff"
    frame = refused.send(body)
    refused.end()
    return [
        unread.case(
            "a refused CAPTURE in front is the first capture",
            False,
            received=30,
            damaged_places=1,
            damaged_bytes=25,
            captures=2,
        ),
        tail.case("a tail of zeros", False, received=30, damaged_places=1, damaged_bytes=4096),
        hole.case(
            "zeros where a write was lost",
            False,
            received=40,
            lost=60,
            damaged_places=1,
            damaged_bytes=size,
            missing_frames=12,
        ),
        start.case(
            "cut at the front, within LOG",
            False,
            received=30,
            damaged_places=1,
            damaged_bytes=len(SIGNATURE) - 5,
        ),
        front.case(
            "rubbish in front, longer than any frame",
            False,
            received=30,
            damaged_places=1,
            damaged_bytes=9001,
        ),
        cut.case(
            "cut before the last closing zero",
            False,
            received=30,
            damaged_places=1,
            damaged_bytes=len(last) - 1,
        ),
        missing.case(
            "frames cut out at their borders: END tells", False, received=30, missing_frames=2
        ),
        gone.case(
            "frames cut out at their borders: END and TIME tell",
            False,
            received=35,
            lost=10,
            missing_frames=2,
            missing_bytes=at_least,
        ),
        own.case(
            "a maker's own frame cut out: END and TIME tell",
            False,
            received=35,
            missing_frames=1,
            missing_bytes=own_size - len(own_next) + 1,
        ),
        padded.case("511 zeros that the device sent", True, received=35),
        sector.case(
            "512 zeros that the device sent: as a disk leaves them",
            False,
            received=35,
            damaged_places=1,
            damaged_bytes=512,
        ),
        behind.case(
            "a frame torn by zeros where a write was lost: two places",
            False,
            received=35,
            lost=5,
            damaged_places=2,
            damaged_bytes=len(torn) - 9 + 600,
        ),
        refused.case(
            "a record that breaks the rules of its kind",
            False,
            received=30,
            damaged_places=1,
            damaged_bytes=len(frame),
        ),
    ]


def _silence() -> list[dict[str, Any]]:
    """Longer than half a turn of the clock, 35.8 minutes."""
    pause = 2_200_000_000
    one = _Log()
    one.begin(0)
    one.start(1, 0, beside=True)
    one.samples(0, 0, 2, 0)
    for n in range(22):
        one.host = 100_000_000 * (n + 1)
        one.beside(n, one.host)
    one.host = pause + 100_000
    one.samples(220_010, pause + 100_000, 2, 10)
    one.end()
    card = _Log(wall=0, card=True)
    start = 0
    for boot in (1, 2):
        card.begin(0, start)
        card.start(boot, 0)
        clock = 0
        for n in range(3):
            card.samples(n * 220_010, clock, 2, 100 * boot + 10 * n)
            card.silence(2_200)
            clock += 100_000 + pause
        card.host -= pause  # the power failed with the last sample
        start = card.host - _PERIOD + card.placed + 1_000_000
    bare = _Log(timed=False, capture=0)
    bare.start(1, 5_000_000)
    for n in range(4):
        clock = (5_000_000 + n * 1_800_000_000) % 2**32
        bare.host = n * 1_800_000_000
        if n:
            bare.describe(clock)
        if n in (0, 3):
            bare.samples(180_000 * n, clock, 1, 10 * n)
    return [
        one.case(
            "one stream silent for 36 minutes and 40 seconds while another speaks",
            False,
            received=42,
            lost=220_000,
        ),
        card.case(
            "a card board, of no date, whole minutes silent and started again",
            False,
            received=60,
            lost=4 * 220_000,
            captures=2,
        ),
        bare.case(
            "frames alone: the description carries the clock through 90 minutes",
            False,
            received=10,
            lost=539_995,
        ),
    ]


def _dropped() -> list[dict[str, Any]]:
    def log(*, told: bool, gone: bool = False) -> tuple[_Log, int]:
        log = _one_start()
        before = len(log.data)
        log.samples(30, 800_000, 4, 0, known=False)
        log.drop(before, 4, told=told)
        missing = 0
        if gone:
            log.samples(50, 1_000_000, 1, 150)
            log.timed, before = False, len(log.data)
            log.samples(55, 1_050_000, 3, 0, known=False)
            missing = log.vanish(before)
            log.frames -= 3
            log.timed = True
        else:
            log.silence(0.2)
        last = log.samples(70, 1_200_000, 2, 170)
        log.end()
        return log, missing - len(last) + 1

    exact, _ = log(told=True)
    early, _ = log(told=False)
    more, missing = log(told=True, gone=True)
    hidden, _ = log(told=False, gone=True)
    tail = _one_start()
    tail.data += encode_frame(Time(tail.at(), tail._position + 100).encode())
    tail.zeros(1)
    twice = _one_start()
    for ahead in (300, 0):  # the link brought nothing between them
        twice.data += encode_frame(Time(twice.at(), twice._position + ahead).encode())
    twice.samples(30, 800_000, 1, 130)
    twice.end()
    unknown = _one_start()
    unknown.data += encode_frame(
        Dropped(unknown.at(), 0, 0, "the adapter says no more", 0).encode()
    )
    unknown.samples(30, 800_000, 1, 130)
    unknown.end()
    long = _one_start()
    long.timed = False
    before = len(long.data)
    long.foreign(b"\xff" * 2048, b"\xff" * 2048, b"\xff" * 17)
    pieces = bytes(long.data[before:])
    long.vanish(before)
    # The second read of the link began within the long piece, so the TIME stands before all of it.
    long.data += encode_frame(Time(long.at(), long._position - 1_000).encode()) + pieces
    long.timed = True
    long.samples(30, 800_000, 1, 130)
    long.end()
    return [
        exact.case(
            "DROPPED tells how many of the device's bytes are lacking",
            False,
            received=40,
            lost=40,
            dropped_frames=4,
        ),
        early.case(
            "DROPPED of an early log does not tell the device's bytes",
            False,
            received=40,
            lost=40,
            dropped_frames=4,
        ),
        more.case(
            "DROPPED tells some bytes, and others are missing",
            False,
            received=45,
            lost=35,
            dropped_frames=4,
            missing_frames=3,
            missing_bytes=missing,
        ),
        hidden.case(
            "DROPPED of an early log may hide other missing bytes",
            False,
            received=45,
            lost=35,
            dropped_frames=4,
            missing_frames=3,
        ),
        unknown.case("DROPPED of nothing that could be counted", False, received=35),
        tail.case(
            "the bytes before a last lone zero are missing", False, received=30, missing_bytes=100
        ),
        twice.case("two TIME records in a row: the later one tells", True, received=35),
        long.case("a TIME within a long piece of foreign bytes", True, received=35, foreign=4113),
    ]


def _kinds() -> list[dict[str, Any]]:
    log = _one_start()
    log.no_emitter()
    for kind in (0x00, 0x05, 0x3F, 0x40, 0x7F):
        log.send(bytes((kind,)) + b"of a later version, or the maker's own")
    log.data += encode_frame(b"\x8a" + bytes(16)) + encode_frame(b"\xff")
    log.samples(30, 800_000, 1, 130)
    log.end()
    own = _one_start()
    own.send(b"\x41the maker's own")
    own.timed = False
    own.silence(0.3)
    own.samples(30, 1_100_000, 2, 130)
    own.end()
    twice = _Log()
    twice.begin(7_000_000)
    twice.start(1, 500_000)
    last = twice.samples(0, 500_000, 6, 100)
    twice.no_emitter()
    twice.data += encode_frame(Time(twice.at(), twice._position).encode())
    twice.again(last)
    twice.timed = False
    twice.silence(0.3)
    twice.samples(30, 1_100_000, 2, 130)
    twice.end()
    dropped = _one_start()
    dropped.no_emitter()
    dropped.data += encode_frame(Time(dropped.at(), dropped._position).encode())
    dropped.data += encode_frame(Dropped(dropped.at(), 0, 40, "disk full", 0).encode())
    dropped.timed = False
    dropped.silence(0.3)
    dropped.samples(30, 1_100_000, 2, 130)
    dropped.end()
    return [
        log.case("kinds that no table names, 00 among them, are frames", True, received=35),
        own.case("a maker's frame behind a TIME: what follows came later", True, received=40),
        twice.case(
            "a record comes again behind a TIME: what follows came later",
            True,
            received=40,
            repeated=1,
        ),
        dropped.case(
            "a record is missing behind a TIME: what follows came later", False, received=40
        ),
    ]


def _untimed() -> list[dict[str, Any]]:
    """Segments and captures that no TIME places."""

    def again(log: _Log, placed: int, boot: int) -> None:
        log.placed = placed - log.host
        log.start(boot, 3_000_000)
        log.samples(0, 3_000_000, 4, 1000 * boot)

    bare = _Log(timed=False)
    for n in range(3):
        bare.data += SIGNATURE
        bare.capture = n
        again(bare, n * 1_190_000, 1)
    behind = _Log(wall=0)
    behind.begin(7_000_000)
    again(behind, 0, 1)
    behind.timed = False
    behind.begin(3_000_000, 1_190_000)
    again(behind, 1_190_000, 1)
    dated = _Log()
    dated.begin(7_000_000)
    again(dated, 0, 1)
    dated.timed = False
    dated.begin(67_000_000, 60_000_000)
    again(dated, 60_000_000, 1)
    after = _one_start()
    after.data += encode_frame(Time(after.at(), after._position).encode())  # and no frame
    after.end()
    after.capture, after.timed = 1, False
    again(after, 300_000 + 1_000_000, 1)
    mixed = _Log(timed=False)
    mixed.begin(7_000_000)
    again(mixed, 0, 1)
    again(mixed, 190_000, 2)
    mixed.host, mixed.placed = 27_000_000, -7_000_000
    mixed.data += encode_frame(Mark(mixed.at(), 1, "here").encode())
    again(mixed, 20_000_000, 3)
    # One wrong byte costs the frame that it is in, and a TIME no more than that (§9.2).
    wrong = _Log()
    wrong.begin(7_000_000)
    again(wrong, 0, 1)
    wrong.begin(3_607_000_000, 3_600_000_000)
    at = len(wrong.data)
    again(wrong, 3_600_000_000, 1)
    wrong.end()
    places, size = wrong.spoil_times(at)
    quiet = _one_start()
    quiet.silence(240)
    at = len(quiet.data)
    quiet.samples(24_030, 240_800_000, 2, 200)
    _, spoilt = quiet.spoil_times(at)
    quiet.end()
    two = {"received": 40, "captures": 2}
    return [
        bare.case(
            "three captures of LOG and frames alone: one second behind",
            True,
            received=60,
            captures=3,
        ),
        behind.case("a capture without TIME: one second behind", True, **two),
        dated.case("a capture without TIME, whose date tells", True, **two),
        after.case(
            "frames behind END and a TIME in front of it: nothing tells when",
            True,
            received=50,
            captures=2,
        ),
        wrong.case(
            "joined: every TIME of the second damaged, its own clock and date tell",
            False,
            damaged_places=places,
            damaged_bytes=size,
            **two,
        ),
        quiet.case(
            "240 s of silence, and each TIME behind it damaged",
            False,
            received=40,
            lost=24_000,
            damaged_places=2,
            damaged_bytes=spoilt,
        ),
        mixed.case("starts that no TIME places lie as early as they can", True, received=60),
    ]


def segments() -> list[dict[str, Any]]:
    """Return the cases; times are µs from the start of the first capture."""
    return [
        *_restarts(),
        *_numbers(),
        *_joined(),
        *_descriptions(),
        *_versions(),
        *_damage(),
        *_silence(),
        *_dropped(),
        *_kinds(),
        *_untimed(),
    ]


def emitter_calls() -> dict[str, tuple[list[tuple[Any, ...]], bool]]:
    """Return, by the name of each vector that an emitter can make, the calls for its device frames,
    and whether the whole log is the emitter's."""
    segments()
    return {name: (calls, card) for name, (calls, card) in _CALLS.items() if calls is not None}
