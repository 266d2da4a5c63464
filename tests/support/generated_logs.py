"""Logs of random boots, restarts, joins, silences, repeats, losses, revisions and damage, of
several streams, delivered late and also without any TIME, whose truth the generator keeps: what a
reader must count (protocol_docs/frame_format.md §9.1), every sample that is whole in the file, and
when it was taken.

The generator knows what it did; it reads nothing back, and shares no code with a reader.
"""

from collections.abc import Sequence
from dataclasses import dataclass, field
from typing import TypeVar

from hypothesis import strategies as st

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
    HostRecord,
    Instant,
    Link,
    LinkState,
    Mark,
    Samples,
    SampleType,
    Stream,
    Time,
    encode_frame,
)

T = TypeVar("T")
DATED = 1_780_000_000_000_000
"""µs: the wall clock where a first capture of a dated log began."""
SECTOR = 512
NEVER_DESCRIBED = 250
"""A revision of which no STREAM is sent."""
_N = Channel("n", "1", SampleType.U32)
LAYOUTS = (
    (_N,),
    (_N, Channel("m", "1", SampleType.U8)),
    (_N, Channel("p", "1", SampleType.U16, missing=7)),
)
"""Of the samples of any stream; the first channel counts the samples of the whole log."""
NAMES = ("fast", "slow", "odd")
PERIODS = (10_000, 250_000, 0)
NUMBERS = ((0, 1, 2), (2, 0, 1), (15, 7, 0))
"""What numbers the streams of one start may have."""
LATE = (0, 0, 30_000)
"""µs by which a log's deliveries may be late."""
UNKNOWN_KINDS = (0x00, 0x05, 0x3F, 0x40, 0x7F, 0x8A, 0xFF)
CALM = (
    ("samples",) * 12
    + ("event",) * 3
    + (
        "again",
        "describe",
        "next revision",
        "old revision",
        "foreign",
        "device zeros",
        "unknown kind",
        "mark",
        "link",
    )
)
TROUBLE = (
    "silence",
    "contradiction",
    "noise",
    "zeros",
    "gap",
    "gap ends",
    "went back",
    "other version",
    "refused",
)
"""What happens during a start: what costs nothing, and what may."""
COUNTS = (
    "received",
    "lost",
    "events lost",
    "repeated",
    "went back",
    "undescribed",
    "misfit",
    "unheard",
    "restarts under one number",
    "contradictions",
    "damaged places",
    "damaged bytes",
    "captures",
    "frames",
    "unknown version",
    "foreign",
    "dropped frames",
    "missing frames",
)


@dataclass
class Truth:
    """A log and what is true of it; ``gone`` is how many bytes of the device it lacks that TIME
    records might tell of and no DROPPED does."""

    log: bytearray = field(default_factory=bytearray)
    counts: dict[str, int] = field(default_factory=lambda: dict.fromkeys(COUNTS, 0))
    values: dict[str, list[int]] = field(default_factory=dict)
    times: dict[str, list[float]] = field(default_factory=dict)
    """µs from the first capture's start."""
    segments: list[tuple[int, int]] = field(default_factory=list)
    """(capture from 0, boot)"""
    gone: int = 0
    dropped: bool = False
    """Whether there is a DROPPED record."""
    late: int = 0
    """µs by which its deliveries are late at most."""

    @property
    def whole(self) -> bool:
        """Whether "nothing lost" is true, as far as a file can tell."""
        harmless = {"received", "repeated", "damaged bytes", "captures", "frames", "foreign"}
        counted = any(n for name, n in self.counts.items() if name not in harmless)
        return not (counted or self.dropped or self.gone)


@dataclass
class _Counter:
    """The samples of one stream, or the events, of one start."""

    sequence: int = 0
    heard: bool = False
    pending: int = 0
    """Numbers since the last record in the file that are not in it."""
    clock: int = 0


class _Maker:
    """Writes one log and keeps its truth."""

    def __init__(self, draw: st.DrawFn) -> None:
        self.draw = draw
        self.truth = Truth()
        self.host = 0
        self.wall = self.placed = 0  # to add to the host's clock
        self.latest = 0  # µs from the first capture's start: of the last record or sample
        self.number = 0
        self.zeros = 0
        self.last_time: int | None = None
        self.ended = True
        self.boot = 0
        self.capture = -1
        self.dated = False
        self.late = self.truth.late = self.one_of(LATE)
        self.calm = self.integer(0, 2) == 0  # nothing is lost in this log
        self.position = self.own = self.foreign = self.held = self.dropped = 0

    # Drawing

    def one_of(self, things: Sequence[T]) -> T:
        return things[self.draw(st.integers(0, len(things) - 1))]

    def integer(self, least: int, most: int) -> int:
        return self.draw(st.integers(least, most))

    # The file

    def put(self, data: bytes) -> None:
        if data.strip(b"\0"):
            self.end_zeros()
        else:
            self.zeros += len(data)
        self.truth.log += data

    def end_zeros(self) -> None:
        if self.zeros >= SECTOR:
            self.damage(self.zeros)
        self.zeros = 0

    def damage(self, size: int) -> None:
        self.count("damaged places", 1)
        self.count("damaged bytes", size)

    def count(self, what: str, by: int) -> None:
        self.truth.counts[what] += by

    def at(self) -> Instant:
        return Instant(self.host, self.host + self.wall)

    def note(self, record: HostRecord) -> None:
        assert not self.bare
        self.put(encode_frame(record.encode()))
        self.noted = self.host + self.placed
        self.latest = max(self.latest, self.noted)

    def told(self) -> bytes:
        """Return a TIME record's frame for bytes that arrive now."""
        arrived = self.host + (self.integer(0, self.late) if self.late else 0)
        self.arrived = max(arrived, self.arrived)  # a link keeps the order
        at = Instant(self.arrived, self.arrived + self.wall)
        return encode_frame(Time(at, self.position).encode())

    # Captures

    def begin_capture(self) -> None:
        self.capture += 1
        self.count("captures", 1)
        start, before, dated = "log", self.wall, self.dated
        if self.capture:
            kinds = ["log", "capture"]
            kinds += ["after end"] if self.ended else []
            kinds += ["time back"] if not self.ended and (self.last_time or 0) > self.late else []
            start = self.one_of(kinds)
        # Without TIME records, and of those without any host record at all.
        mute = start != "time back" and self.integer(0, 4) == 0
        self.bare = mute and (
            start == "after end" or (start == "log" and self.one_of((True, False)))
        )
        self.mute = mute
        self.dated = not self.bare and self.one_of((True, False))
        pause = self.integer(2_000_000, 1_000_000_000)
        came = self.latest + (pause if dated and self.dated else 1_000_000)
        if start == "time back":
            assert self.last_time is not None
            host = self.integer(0, self.last_time - 1 - self.late)
        elif dated and self.dated and self.one_of((True, False)):
            host = self.host + pause + self.latest - (self.host + self.placed)  # it ran on
        else:
            host = self.integer(0, 10**10)
        if not self.capture:
            came = 0
        if dated and self.dated and 0 < abs(DATED + came - host - before) <= 2_000_000:
            host += 10_000_000  # so close, clocks are not told apart
        self.host, self.placed = host, came - host
        self.wall = DATED + self.placed if self.dated else 0
        self.tells = start in ("after end", "time back")  # which begin with a TIME
        self.position = self.own = self.foreign = self.held = self.dropped = 0
        self.last_time, self.ended, self.arrived = None, False, self.host
        self.noted, self.until = came, came
        if self.bare:
            self.put(SIGNATURE if start == "log" else b"")
        elif start in ("log", "capture"):
            right = self.wall
            late = self.dated and not mute and self.integer(0, 3) == 0
            if late:  # the host learns the date after the capture's start
                self.wall = self.integer(0, 10**12)
            self.put(SIGNATURE if start == "log" else b"")
            self.note(Capture(self.at(), "t", "s", ""))
            self.wall = right
        self.first = True
        self.open_gap: list[int] | None = None

    def end_capture(self) -> None:
        self.close_gap()
        if not self.bare and self.integer(0, 3):
            self.note(End(self.at(), self.own, self.foreign, "stopped"))
            self.count("missing frames", self.own - self.held - self.dropped)
            self.ended = True
        elif not self.calm and self.integer(0, 2) == 0:  # the power failed within a frame
            frame = self.a_frame()
            torn = frame[: self.integer(1, len(frame) - 2)] + b"\0"
            self.put(torn)
            self.zeros = 0
            self.damage(len(torn))

    def a_frame(self) -> bytes:
        return encode_frame(Samples(self.boot, 0, 0, 0, 0, 1, b"\1\2\3\4").encode())

    # Frames of the device

    def device(self, frame: bytes, fate: str = "sent") -> bool:
        """Receive a frame, with a TIME before it; return whether it is whole in the file."""
        self.own += 1
        told = b"" if self.mute else self.told()
        self.position += len(frame)
        if self.open_gap is not None:
            frames, size, device = self.open_gap
            self.open_gap = [frames + 1, size + len(told) + len(frame), device + len(frame)]
            return False
        if not (self.mute or (fate == "vanished" and self.one_of((True, False)))):
            self.put(told)
            self.latest = max(self.latest, self.arrived + self.placed)
            self.last_time = self.arrived
        if fate == "sent":
            self.put(frame)
            self.held += 1
            self.count("frames", 1)
            return True
        self.truth.gone += 0 if self.mute else len(frame)
        if fate == "flipped":
            at = self.integer(0, len(frame) - 2)
            changed = frame[at] ^ (1 << self.integer(0, 7)) or 255
            self.put(frame[:at] + bytes((changed,)) + frame[at + 1 :])
            self.damage(len(frame))
        elif fate == "zeroed":
            self.put(bytes(len(frame)))
        return False

    def start_gap(self) -> None:
        if self.open_gap is None and not self.bare:
            self.open_gap = [0, 0, 0]

    def close_gap(self) -> None:
        gap, self.open_gap = self.open_gap, None
        if gap is not None and gap[0]:
            frames, size, device = gap
            told = self.one_of((True, False))
            self.note(Dropped(self.at(), frames, size, "full", device if told else None))
            self.dropped += frames
            self.truth.dropped = True
            self.count("dropped frames", frames)

    # Starts

    def begin_start(self) -> None:
        again = None
        if not self.first:
            heard = [n for n, c in enumerate(self.counters[:3]) if c.heard]
            if heard and not self.calm and self.one_of((True, False)):
                again = self.one_of(heard)
            self.close_gap()
            if again is not None and self.front:  # or that BOARD would be of the new start (§5.7)
                self.event("sent")
            self.host += self.integer(1, 5_000_000)
        if again is None:
            self.boot = (self.boot + self.integer(1, 3)) % 2**16
            self.clock_from = self.one_of((0, 2**32 - 200_000, 2**31, 1_000_000)) - self.host
        else:
            self.count("restarts under one number", 1)
            before = self.counters[again].clock
            clock = self.highest + 100_000_000
            if self.highest - before < 1_000_000_000 and self.one_of((True, False)):
                clock = before - self.integer(2_000_000, 5_000_000)
            self.clock_from = clock - self.host
        self.later = not self.first
        self.first = False
        self.truth.segments.append((self.capture, self.boot))
        # Under one boot number a start is seen where its own streams' numbers are behind.
        self.numbers = self.one_of(NUMBERS) if again is None else self.numbers
        self.offset: int | None = None
        self.counters = [_Counter() for _ in range(4)]  # the last one counts events
        self.highest = -(2**62)
        self.revision = self.one_of((0, 0, 0, 5, 239))
        self.layouts = [self.integer(0, 2) for _ in range(3)]
        self.said: dict[tuple[int, int], int] = {}
        self.spoken: dict[int, int] = {}
        self.sent: list[bytes] = []
        self.described = self.front = False
        if self.tells or self.integer(0, 3):
            self.describe()
        self.tells = False
        if again is not None:  # a start under one number is seen where its numbers are behind
            self.samples(again, "sent")

    def clock(self) -> int:
        return self.clock_from + self.host

    def heard_clock(self, clock: int) -> int:
        """A record with a clock is in the file; return what makes of the clock a time, µs."""
        if self.offset is None:
            self.offset = self.placed - self.clock_from
            if self.mute:
                self.offset = max(self.noted, self.until) - clock
        return self.offset

    def reach(self, clock: int) -> None:
        """A record or sample of that clock is in the file."""
        self.until = max(self.until, self.heard_clock(clock) + clock)
        self.latest = max(self.latest, self.until)

    def describe(self) -> None:
        self.close_gap()
        board = Board(self.boot, self.clock() % 2**32, self.revision, 3, "Kestrel", "3")
        self.device(encode_frame(board.encode()))
        self.reach(self.clock())
        self.front = True
        for number in range(3):
            self.say(number)
        self.described = True

    def say(self, number: int) -> None:
        self.close_gap()
        own, layout = (number, self.revision), self.layouts[number]
        before = self.said.get(own)
        if before is not None and before != layout and self.spoken[number] == self.revision:
            self.count("contradictions", 1)
        self.said[own], self.spoken[number] = layout, self.revision
        stream = Stream(
            self.boot,
            self.revision,
            self.numbers[number],
            NAMES[number],
            PERIODS[number],
            LAYOUTS[layout],
        )
        self.device(encode_frame(stream.encode()))

    def samples(self, number: int, fate: str, content: str = "right") -> None:
        """Take some samples of a stream, and send them or not."""
        counter = self.counters[number]
        period = PERIODS[number]
        # Several samples in one record of an irregular stream are one thing that does not fit.
        count = self.integer(1, 5) if period else 1 + (content == "misfit")
        numbers = range(self.number, self.number + count)
        self.number += count
        layout = LAYOUTS[self.layouts[number]]
        rest = b"\7" if len(layout) > 1 and layout[1].type == SampleType.U8 else b"\7\0"
        rest = rest if len(layout) > 1 else b""
        data = b"".join(n.to_bytes(4, "little") + rest for n in numbers)
        if content == "misfit" and period:
            data += b"!"
        went_back = content == "went back"
        if went_back:
            counter.sequence -= self.integer(1, counter.sequence)
        revision = NEVER_DESCRIBED if content == "undescribed" else self.revision
        record = Samples(
            self.boot,
            self.numbers[number],
            revision,
            counter.sequence,
            self.clock() % 2**32,
            count,
            data,
        )
        clock = self.clock()
        self.host += (count - 1) * period
        frame = encode_frame(record.encode())
        whole = fate != "lost" and self.device(frame, fate)
        if whole:
            self.heard(counter, count, clock, "lost")
            taken = [self.heard_clock(clock) + clock + i * period for i in range(count)]
            self.count("went back", went_back)
            what = content if content in ("misfit", "undescribed") else "received"
            self.count(what, count)
            if what == "received":
                self.truth.values.setdefault(NAMES[number], []).extend(numbers)
                self.truth.times.setdefault(NAMES[number], []).extend(taken)
                self.reach(clock + (count - 1) * period)  # the rest does not tell when it ended
            self.sent = [] if went_back else [*self.sent[-4:], frame]
        else:
            counter.pending += count
        counter.sequence += count
        self.host += max(period, 1_000)

    def heard(self, counter: _Counter, count: int, clock: int, loss: str) -> None:
        """A record that counts up is in the file."""
        self.front = False
        if counter.heard:
            self.count(loss, counter.pending)
        elif self.later and loss == "lost":
            self.count("unheard", counter.sequence)
        self.reach(clock)
        counter.heard, counter.pending, counter.clock = True, 0, clock
        self.highest = max(self.highest, clock)

    def event(self, fate: str) -> None:
        counter = self.counters[3]
        record = Event(
            self.boot, counter.sequence, self.clock() % 2**32, EventKind.NOTE, 0, 0, "here"
        )
        frame = encode_frame(record.encode())
        if fate != "lost" and self.device(frame, fate):
            self.heard(counter, 1, self.clock(), "events lost")
            self.sent = [*self.sent[-4:], frame]
        else:
            counter.pending += 1
        counter.sequence += 1
        self.host += 1_000

    # What else may happen

    def happen(self) -> None:
        what = self.one_of(CALM if self.calm else CALM + TROUBLE)
        if what in ("samples", "event"):
            fates = ("lost", "lost", "flipped", "vanished", "zeroed")
            fate = self.one_of(("sent",) * 8 + (() if self.calm else fates))
            if what == "event":
                self.event(fate)
                return
            content = self.one_of(("right",) * 8 + (() if self.calm else ("misfit", "undescribed")))
            self.samples(self.integer(0, 2), fate, content)
        elif what == "silence":
            long = (30_000, 300_000_000, 2_200_000_000, 10_000_000_000)
            pause = self.one_of((30_000, 100_000_000) if self.mute else long)
            self.host += pause
            for counter, period in zip(self.counters, PERIODS, strict=False):
                missed = pause // period if period else 0
                counter.sequence += missed
                counter.pending += missed
        elif what == "again" and self.sent:
            if self.device(self.one_of(self.sent)):
                self.count("repeated", 1)
        elif what == "describe":
            self.describe()
        elif what in ("next revision", "old revision", "contradiction") and self.described:
            self.close_gap()
            self.layouts = [self.integer(0, 2) for _ in range(3)]
            if what == "contradiction":
                self.say(self.integer(0, 2))
                for number, layout in enumerate(self.layouts):  # the others as they were said
                    self.layouts[number] = self.said.get((number, self.revision), layout)
            else:
                step = 1 if what == "next revision" else -1
                self.revision = (self.revision + step) % 240
                self.describe()
        elif what in ("foreign", "mark", "link") and self.bare:
            pass  # which only the logger would write
        elif what == "foreign":
            self.close_gap()
            data = b"boot ok\r\n" * self.integer(1, 9)
            self.note(Foreign(self.at(), Fault.DAMAGED, data))
            self.position += len(data)
            self.foreign += len(data)
            self.count("foreign", len(data))
        elif what == "noise":
            self.close_gap()
            data = b"\xff" * self.one_of((1, 9, 4113, 4114, 9_000)) + b"\0"
            self.put(data)
            self.zeros = 0
            self.damage(len(data))
        elif what in ("zeros", "device zeros"):
            self.close_gap()
            size = self.one_of((1, 200) if self.calm else (1, 200, 511, 512, 4096))
            self.put(bytes(size))
            if what == "device zeros":
                self.position += size
        elif what == "gap":
            self.start_gap()
        elif what == "gap ends":
            self.close_gap()
        elif what == "went back":
            fit = [
                n
                for n, c in enumerate(self.counters[:3])
                if c.heard and c.sequence and not c.pending
            ]
            soon = self.clock() - self.highest < 900_000
            if fit and soon and self.open_gap is None:
                self.samples(self.one_of(fit), "sent", "went back")
        elif what == "other version":
            self.close_gap()
            self.device(encode_frame(b"\x01\x02\x00another layout"))
            self.count("unknown version", 1)
            for _ in range(self.integer(0, 2)):
                number = self.integer(0, 2)
                counter = self.counters[number]
                self.device(self.a_frame())
                self.count("unknown version", 1)
                counter.sequence, counter.pending = counter.sequence + 1, counter.pending + 1
            self.describe()
        elif what == "refused":
            body = Stream(self.boot, 0, 0, "", 1, LAYOUTS[0]).encode()[:-1]
            frame = encode_frame(body)
            if self.device(frame):
                self.damage(len(frame))
        elif what == "unknown kind":
            kind = self.one_of(UNKNOWN_KINDS)
            frame = encode_frame(bytes((kind,)) + b"own")
            if kind < 0x80:
                self.device(frame)
            else:
                self.close_gap()
                self.put(frame)
        elif what == "mark":
            self.close_gap()
            self.note(Mark(self.at(), self.integer(1, 3), "here"))
        elif what == "link":
            self.close_gap()
            self.note(Link(self.at(), self.one_of(tuple(LinkState)), "why"))

    def end_start(self) -> None:
        """What is lost at the end of a start nobody can know, so each ends on a whole record."""
        self.close_gap()
        if not self.described:
            self.describe()
        for number, counter in enumerate(self.counters):
            if counter.pending and counter.heard and number < 3:
                self.samples(number, "sent")
            elif counter.pending and counter.heard:
                self.event("sent")
        if not any(counter.heard for counter in self.counters):
            self.samples(0, "sent")


@st.composite
def logs(draw: st.DrawFn) -> Truth:
    """Draw a log."""
    maker = _Maker(draw)
    for _ in range(maker.integer(1, 3)):
        maker.begin_capture()
        for _ in range(maker.integer(1, 3)):
            maker.begin_start()
            for _ in range(maker.integer(0, 12)):
                maker.happen()
            maker.end_start()
        maker.end_capture()
    maker.end_zeros()
    if not maker.calm and maker.integer(0, 9) == 0:  # cut at the front
        cut = maker.integer(1, len(SIGNATURE) - 2)
        del maker.truth.log[:cut]
        maker.damage(len(SIGNATURE) - cut)
    return maker.truth
