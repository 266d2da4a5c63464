"""CAN frames turned into frames of ours: a signal of a DBC becomes a channel with its unit."""

import re
from collections.abc import Callable, Iterator, Mapping
from dataclasses import dataclass, replace
from fractions import Fraction
from math import floor, log10
from pathlib import Path
from typing import TYPE_CHECKING, Any

from ..format import (
    Channel,
    Dropped,
    Instant,
    Link,
    LinkState,
    Raw,
    RawForm,
    RawUse,
    RecordError,
    SaglineError,
    SampleType,
    Stream,
    vocabulary,
)
from ..format.columns.column_map import ColumnPlan, load_can_map
from ..format.columns.units import Conversion, conversion, spelled
from ..format.limits import MAX_CHANNELS, MAX_FILE, MAX_FOREIGN, MAX_NAME, MAX_STREAMS, MAX_UNIT
from .can_bytes import BUS_OFF, ERROR, EXTENDED, HEAD, OVERFLOW, REMOTE, missing
from .framer import Framer
from .lines import NO_READING, RAW_VERSION
from .translator import Item, Translation

if TYPE_CHECKING:  # imported when a DBC is read
    from cantools.database.can import Database, Message, Signal

_ERRORS_EVERY = 1_000_000  # µs between two records of errors on the bus
_ERRORS = {
    0x01: "a frame was not sent in time",
    0x02: "arbitration lost",
    0x04: "the controller has trouble",
    0x08: "frames break the protocol",
    0x10: "the transceiver has trouble",
    0x20: "nobody acknowledges",
    BUS_OFF: "bus-off",
    0x80: "bus errors",
    0x100: "the controller was restarted",
}
"""Classes of an error frame, by its identifier (``linux/can/error.h``; from memory)."""


@dataclass(frozen=True)
class _Wanted:
    """A signal that is wanted: its name, its channel, and its raw number's way to the channel's."""

    signal: str
    channel: Channel
    line: Conversion


@dataclass(frozen=True)
class BusPlan:
    """What a DBC and a map make of a bus: a stream for each message of which a signal is wanted."""

    board: str
    database: "Database"
    streams: tuple[Stream, ...]
    wanted: Mapping[int, tuple[int, tuple[_Wanted, ...]]]
    """By identifier with its flag: the stream's number, and its signals in order."""


class CanTranslator:
    """See :class:`~.translator.Translator`."""

    tells_time = False
    silence = 0.0
    undecoded = "does the DBC, and the map, belong to this bus?"
    unread_of = "CAN frames"

    def __init__(self, plan: BusPlan) -> None:
        self._plan = plan
        self._framer = Framer(plan.board, "read from a CAN bus", plan.streams)
        self._decoders = {
            word: (stream, *_decoder(plan.database, word, signals))
            for word, (stream, signals) in plan.wanted.items()
        }
        self._items: list[Item] = []
        self._run = bytearray()
        self._news: list[str] = []
        self._told: set[int] = set()
        self._errors: dict[int, int] = {}
        self._errors_told = 0
        self._last = 0
        self.unread = 0

    @property
    def position(self) -> int:
        """See :class:`~.translator.Translator`."""
        return self._framer.position

    def news(self) -> list[str]:
        """See :class:`~.translator.Translator`."""
        news, self._news = self._news, []
        return news

    def feed(self, data: bytes, now: Instant) -> list[Item]:
        """Return the frames of ours that ``data``, whole CAN frames, make."""
        at = 0
        while at + HEAD.size <= len(data):
            ago, word, size = HEAD.unpack_from(data, at)
            end = at + HEAD.size + size
            frame, body = data[at:end], data[at + HEAD.size : end]
            at = end
            if len(self._run) + len(frame) > MAX_FOREIGN:
                self._flush(now)
            self._run += frame
            if word & ERROR:
                self._error(word, body, now)
            elif (found := self._decoders.get(word)) is not None:
                # Frames keep the order in which they were read, whatever their stamps say.
                time = self._last = max(now.monotonic + ago, self._last)
                try:
                    stream, decode, ways = found
                    values = decode(body)
                    raw = [None if (v := values.get(n)) is None else way(v) for n, way in ways]
                except Exception as problem:  # whatever a DBC and foreign bytes bring about
                    self._refuse(word, frame, problem, now)
                    continue
                self._framer.sample(stream, time, raw, now.monotonic)
        self._flush(now)
        self._tell_errors(now)
        items, self._items = self._items, []
        return items

    def finish(self, now: Instant) -> list[Item]:
        """Return what is left to say."""
        self._errors_told = -_ERRORS_EVERY
        self._tell_errors(now)
        items, self._items = self._items, []
        return items

    def _refuse(self, word: int, frame: bytes, problem: Exception, now: Instant) -> None:
        del self._run[len(self._run) - len(frame) :]
        self._flush(now)
        self._items.append(Raw(now, RawForm.CAN, RawUse.NOT_READ, frame))
        self.unread += 1
        if word not in self._told and len(self._told) < MAX_STREAMS:
            self._told.add(word)
            text = " ".join(str(problem).split())[:100]
            self._news.append(
                f"a CAN frame cannot be read ({_shown(word)}, {len(frame) - HEAD.size} bytes: "
                f"{text}); it is kept, and more like it are counted"
            )

    def _error(self, word: int, body: bytes, now: Instant) -> None:
        if word & OVERFLOW == OVERFLOW and len(body) == 8 and body[1] & 1:
            self._overflow(int.from_bytes(body[4:], "little"), now)
        for bit in _ERRORS:
            if word & bit:
                self._errors[bit] = self._errors.get(bit, 0) + 1

    def _overflow(self, lost: int, now: Instant) -> None:
        """Say that frames were lost before they were read; 0: how many is not known."""
        self._flush(now)
        text = f"{lost or 'some'} CAN frames came faster than this machine took them"
        self._items.append(Dropped(now, 0, max(lost, 1) * HEAD.size, text, 0))
        self._news.append(f"{text}; they are lost")

    def _tell_errors(self, now: Instant) -> None:
        """Put what went wrong on the bus into one LINK record a second at most."""
        if not self._errors or now.monotonic - self._errors_told < _ERRORS_EVERY:
            return
        self._errors_told = now.monotonic
        text = ", ".join(f"{_ERRORS[bit]} ({count})" for bit, count in self._errors.items())
        self._errors.clear()
        self._items.append(Link(now, LinkState.UP, f"still up, with error frames: {text}"))
        self._news.append(f"errors on the CAN bus: {text}")

    def _flush(self, now: Instant) -> None:
        if self._run:
            self._items.append(Raw(now, RawForm.CAN, RawUse.READ, bytes(self._run)))
            self._run.clear()
        self._items += self._framer.take()


def _decoder(
    database: "Database", word: int, signals: tuple[_Wanted, ...]
) -> tuple[Callable[[bytes], Mapping[str, Any]], list[tuple[str, Callable[[Any], int | None]]]]:
    """Return what takes a message's data apart, and the way of each signal's raw number."""
    message = _message(database, word)

    def decode(data: bytes) -> Mapping[str, Any]:
        found: Mapping[str, Any] = message.decode_simple(data, False, False)
        return found

    return decode, [(one.signal, _way(one.line)) for one in signals]


def _message(database: "Database", word: int) -> "Message":
    for message in database.messages:
        if _word(message) == word:
            return message
    raise KeyError(word)


def _word(message: "Message") -> int:
    return message.frame_id | (EXTENDED if message.is_extended_frame else 0)


def _shown(word: int) -> str:
    kind = " remote" if word & REMOTE else ""
    return f"identifier {word & 0x1FFFFFFF:X}{kind}"


def _way(line: Conversion) -> Callable[[Any], int | None]:
    """Return the function from a raw number to the nearest multiple of the channel's step.

    Exactly, a half to the even one; None for what is no number or does not fit 32 bits.
    """
    factor, offset = line.factor, line.offset
    bottom = factor.denominator * offset.denominator
    top, plus = int(factor * bottom), int(offset * bottom)

    def way(raw: Any) -> int | None:
        if isinstance(raw, int):
            whole, rest = divmod(raw * top + plus, bottom)
            whole += 2 * rest > bottom or (2 * rest == bottom and whole & 1)
        elif isinstance(raw, float) and raw - raw == 0:
            whole = round(Fraction(raw) * factor + offset)
        else:
            return None
        return whole if NO_READING < whole < 1 << 31 else None

    return way


def frames_by(dbc: Path, plan: Path | None) -> Translation:
    """Return how to read CAN frames by a DBC, and by a map of its signals or all of them.

    Raises:
        SaglineError: a file cannot be read, or what it says does not fit.
    """
    database = _database(dbc)
    bus = _by_map(database, dbc, plan) if plan is not None else _all_signals(database, dbc)
    files = [] if plan is None else [("map", plan.read_bytes())]
    if (content := dbc.read_bytes()) and len(content) <= MAX_FILE:
        files.append(("dbc", content))
    return Translation(lambda: CanTranslator(bus), tuple(files), version=RAW_VERSION)


def _database(path: Path) -> "Database":
    try:
        import cantools
    except ModuleNotFoundError as problem:
        raise missing(problem.name or "cantools") from None
    try:
        found = cantools.database.load_file(path, strict=False)
    except OSError as problem:
        raise SaglineError(
            f"cannot read the DBC ({problem.strerror})", where=str(path), remedy="check the path"
        ) from None
    except Exception as problem:  # the package raises many kinds
        text = " ".join(str(problem).split())[:200]
        raise SaglineError(
            f"no DBC that can be read ({text})", where=str(path), remedy="is it the right file?"
        ) from None
    if not isinstance(found, cantools.database.can.Database):
        raise SaglineError("describes no CAN bus", where=str(path), remedy="is it the right file?")
    return found


def _signals(database: "Database") -> Iterator[tuple["Message", "Signal"]]:
    for message in database.messages:
        for signal in message.signals:
            yield message, signal


def _physical(signal: "Signal") -> Conversion:
    """Return the exact way from a signal's raw number to its value: the DBC's decimals as such."""
    return Conversion(Fraction(str(signal.scale)), Fraction(str(signal.offset)))


def _by_map(database: "Database", dbc: Path, plan: Path) -> BusPlan:
    names: dict[str, list[tuple[Message, Signal]]] = {}
    for message, signal in _signals(database):
        for name in (signal.name, f"{message.name}.{signal.name}"):
            names.setdefault(name, []).append((message, signal))

    def look_up(name: str) -> tuple[str, Fraction] | str:
        found = names.get(name, [])
        if len(found) != 1:
            return (
                f"is no signal of {dbc.name}"
                if not found
                else f"is a signal of several messages: write {found[0][0].name}.{name}"
            )
        return spelled(found[0][1].unit or ""), abs(_physical(found[0][1]).factor)

    read = load_can_map(plan, look_up)
    by_message: dict[int, list[_Wanted]] = {}
    titles: dict[int, str] = {}
    for column in read.columns:
        message, signal = names[str(column.column)][0]
        by_message.setdefault(_word(message), []).append(_wanted(signal, column))
        titles[_word(message)] = message.name
    return _plan(database, str(plan), read.board or dbc.stem, by_message, titles)


def _wanted(signal: "Signal", column: ColumnPlan) -> _Wanted:
    return _Wanted(signal.name, column.channel, _physical(signal).then(column.line))


def _all_signals(database: "Database", dbc: Path) -> BusPlan:
    """Take every signal under its own name, or as the standard channel of that name."""
    by_message: dict[int, list[_Wanted]] = {}
    titles: dict[int, str] = {}
    for message, signal in _signals(database):
        unit = spelled(signal.unit or "")
        name, index = signal.name, 0
        found = re.fullmatch(r"(.+)_(\d{1,3})", name)
        if found and found[1] in vocabulary() and int(found[2]) < 256:
            name, index = found[1], int(found[2])
        term = vocabulary().get(name)
        step = conversion(unit, term.unit) if term else Conversion()
        if term is None or step is None:
            term, step, name, index = None, Conversion(), signal.name, 0
        line = _physical(signal).then(step)
        quantum, exponent = _quantum(abs(line.factor))
        shown = term.unit if term else unit
        channel = Channel(
            name.encode()[:MAX_NAME].decode(errors="ignore"),
            shown.encode()[:MAX_UNIT].decode(errors="ignore"),
            SampleType.I32,
            quantum,
            0,
            exponent,
            index,
            "",
            NO_READING,
        )
        line = line.then(Conversion(1 / (Fraction(quantum) * Fraction(10) ** exponent)))
        by_message.setdefault(_word(message), []).append(_Wanted(signal.name, channel, line))
        titles[_word(message)] = message.name
    return _plan(database, str(dbc), dbc.stem, by_message, titles)


def _quantum(step: Fraction) -> tuple[int, int]:
    """Return (multiplier, exponent of ten) of a signal's step, or of a finer decimal one."""
    exponent = 0
    value = step
    while value.denominator > 1 and exponent > -9:
        value, exponent = value * 10, exponent - 1
    if value.denominator == 1 and 0 < value < 2**31:
        return int(value), exponent
    return 1, max(floor(log10(step)) - 1, -22)


def _plan(
    database: "Database",
    where: str,
    board: str,
    by_message: Mapping[int, list[_Wanted]],
    titles: Mapping[int, str],
) -> BusPlan:
    largest = max((len(signals) for signals in by_message.values()), default=0)
    if len(by_message) > MAX_STREAMS or largest > MAX_CHANNELS or not by_message:
        raise SaglineError(
            f"signals of {len(by_message)} messages, up to {largest} in one, where 1 to "
            f"{MAX_STREAMS} messages with up to {MAX_CHANNELS} each can be taken",
            where=where,
            remedy="name the signals that are wanted with --map MAP.toml",
        )
    streams, wanted = [], {}
    for number, (word, signals) in enumerate(by_message.items()):
        channels = tuple(
            replace(one.channel, type=SampleType.I32, missing=NO_READING) for one in signals
        )
        name = titles[word].encode()[:MAX_NAME].decode(errors="ignore")
        stream = Stream(1, 0, number, name, 0, channels)
        try:
            stream.encode()
        except RecordError as problem:
            raise SaglineError(
                f"message {name}: {problem}",
                where=where,
                remedy="name the signals that are wanted with --map MAP.toml",
            ) from None
        streams.append(stream)
        wanted[word] = number, tuple(signals)
    name = board.encode()[:MAX_NAME].decode(errors="ignore")
    return BusPlan(name, database, tuple(streams), wanted)
