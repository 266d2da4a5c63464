"""The window as a new log, written record by record from what may be given away.

Nothing is copied but raw samples of allowed channels: clocks, boot and sequence numbers begin
afresh, and every text is ours or was asked for (``keep.py``).  Page, picture and table are made
from this log alone, read back like any other, so they can hold no more than it does.
"""

from collections.abc import Callable, Iterator
from dataclasses import dataclass, replace

import numpy as np
import numpy.typing as npt

from sagline_logger.format import (
    SIGNATURE,
    Board,
    Capture,
    Channel,
    End,
    Event,
    EventKind,
    FilePart,
    Instant,
    Link,
    LinkState,
    Mark,
    Samples,
    SampleType,
    Setting,
    Stream,
    Time,
    encode_frame,
)
from sagline_logger.format.limits import MAX_BODY, MAX_FILE_PART

from ..load.ride import Ride, StreamColumns
from ..load.scaling import DTYPE
from .board_text import plain_board, plain_settings
from .keep import LABELS, UNITS, Account, is_place, is_standard, tells_place

PROGRAM = "sagline-analyser share"
MOMENT = "the moment shared"
_START = 1_000_000
"""Host µs at the start of the window; any number would do."""
_LONG = 50_000
"""Most µs of samples in a record, about as boards send them."""
_APART = 10
"""µs by which a sample may stand off its record's even spacing before a new record begins."""


Clock = Callable[[int], Instant]
"""Gives both host clocks at a host time in µs."""


@dataclass(frozen=True)
class Window:
    """The stretch to share, in s from the start of the capture; ``at`` lies inside."""

    start: float
    at: float
    end: float


@dataclass(frozen=True)
class _Item:
    """A record and when it was complete: sorted by the board's start, then by time (µs)."""

    segment: int
    time: int
    record: Samples | Event | Mark | Link


def window_log(ride: Ride, window: Window, account: Account, board: str | None) -> bytes:
    """Return the log of ``window``; ``board`` is the text of the board file in force.

    What is kept and left out is noted in ``account``.
    """
    wall = -_START  # tells no date: the wall clock reads 0 at the start
    if account.ask("date", "date and time", ride.started_wall) and ride.started_wall is not None:
        wall += round((ride.started_wall + window.start) * 1e6)

    def at(time: int) -> Instant:
        return Instant(max(time, 0), max(time, 0) + wall)  # a clock may lead its capture

    streams = _streams(ride, account)
    items = [
        item
        for number, source, described in streams
        for item in _samples(source, described, number, window)
    ]
    items += _events(ride, window, account)
    items += _marks(ride, window, account, at)
    items += _links(ride, window, account, at)
    items.sort(key=lambda item: (item.segment, item.time))
    end = max([_micros(window.end, window), *(item.time for item in items)])
    return b"".join(
        [
            SIGNATURE,
            *_opening(ride, account, board, at(_START)),
            *_body(items, [d for _, _, d in streams], ride, account, at),
            encode_frame(End(at(end), 0, 0, "end of the shared window").encode()),
        ]
    )


def _micros(time: float, window: Window) -> int:
    return round((time - window.start) * 1e6) + _START


def _opening(ride: Ride, account: Account, board: str | None, start: Instant) -> Iterator[bytes]:
    source = account.text("source", "port or device address", ride.source)
    note = account.text("notes", "note of the capture", ride.note)
    kept = f"Kept on request: {', '.join(sorted(account.keep))}." if account.keep else ""
    capture = Capture(start, PROGRAM, source, " ".join(filter(None, (kept, note)))[:1024])
    yield encode_frame(capture.encode())
    plain = plain_settings(ride.settings)
    for name, value in ride.settings.items():
        if name in plain:
            account.kept["settings with standard names"] += 1
            yield encode_frame(Setting(start, name, plain[name]).encode())
        elif account.ask("settings", "settings of other names or in words"):
            yield encode_frame(Setting(start, name, value).encode())
    if board is not None:
        if account.ask("board-file", "names and remarks in the board file"):
            text: str | None = board
        else:
            text = plain_board(board)
            if text:
                account.kept["numbers of the board file, for its limits"] += 1
        data = (text or "").encode()
        for offset in range(0, len(data), MAX_FILE_PART):
            part = data[offset : offset + MAX_FILE_PART]
            yield encode_frame(FilePart(start, "board", len(data), offset, part).encode())


def _streams(ride: Ride, account: Account) -> list[tuple[int, StreamColumns, Stream]]:
    """Return (number, columns, description) of every stream that keeps a channel."""
    found: list[tuple[int, StreamColumns, Stream]] = []
    others = 0
    for source in ride.streams.values():
        channels: dict[str, Channel] = {}
        for key, channel in source.channels.items():
            label = channel.label
            if label.lower() not in LABELS:
                label = account.text("labels", "labels of channels", label)
            if is_standard(key, channel) and (
                not is_place(channel) or account.ask("position", "the vehicle's course")
            ):
                account.kept["standard channels"] += 1
                channels[key] = replace(channel, label=label)
                continue
            if is_standard(key, channel):
                continue  # of the course, and not asked for
            others += 1
            place = tells_place(channel)
            choice, words = (
                ("position", "channels that may tell a place")
                if place
                else ("other-channels", "channels that are not standard ones")
            )
            if account.ask(choice, words):
                unit = channel.unit if channel.unit in UNITS or "labels" in account.keep else ""
                named = "labels" in account.keep
                channels[key] = replace(
                    channel,
                    name=channel.name if named else f"channel_{others}",
                    label=label,
                    unit=unit,
                    index=channel.index if named else 0,
                )
        if channels:
            number = len(found)
            name = account.text("labels", "names of streams", source.name)
            described = Stream(
                1,
                0,
                number,
                name or f"stream {number + 1}",
                round(source.period * 1e6),
                tuple(channels.values()),
            )
            part = replace(source, channels=channels)
            found.append((number, part, described))
    return found


def _samples(
    source: StreamColumns, described: Stream, number: int, window: Window
) -> Iterator[_Item]:
    span = slice(*np.searchsorted(source.time, (window.start, window.end + 1e-9)).tolist())
    times = np.rint((source.time[span] - window.start) * 1e6).astype(np.int64) + _START
    if not times.size:
        return
    layout = np.dtype([(str(n), DTYPE[c.type]) for n, c in enumerate(described.channels)])
    rows = np.empty(times.size, layout)
    for n, (key, channel) in enumerate(source.channels.items()):
        column = source.raw[key][span].astype(DTYPE[channel.type])
        if channel.type is SampleType.F32:
            column[np.isnan(column)] = np.nan  # the bits of a NaN can hold anything
        rows[str(n)] = column
    packed = rows.tobytes()
    size, period = layout.itemsize, described.period
    most = min(max(1, _LONG // period), 255, (MAX_BODY - 14) // size) if period else 1
    segment = source.segment[span]
    sequences = _sequences(source.gap[span], segment, times, period)
    first, stamps = 0, times.tolist()
    for n in range(1, len(stamps) + 1):
        if (
            n < len(stamps)
            and n - first < most
            and not (
                segment[n] != segment[n - 1]
                or sequences[n] - sequences[first] != n - first
                or abs(stamps[n] - stamps[first] - (n - first) * period) > _APART
            )
        ):
            continue
        record = Samples(
            0,
            number,
            0,
            int(sequences[first]) % 2**32,
            stamps[first] % 2**32,
            n - first,
            packed[first * size : n * size],
        )
        sent = stamps[first] + (n - 1 - first) * period
        yield _Item(int(segment[first]), sent, record)
        first = n


def _sequences(
    gap: npt.NDArray[np.bool_],
    segment: npt.NDArray[np.int32],
    times: npt.NDArray[np.int64],
    period: int,
) -> npt.NDArray[np.int64]:
    """Return sample numbers from 0 at each start of the board that skip what was lost."""
    steps = np.ones(times.size, np.int64)
    lost = np.flatnonzero(gap[1:]) + 1
    periods = np.rint(np.diff(times)[lost - 1] / period) if period else np.full(lost.size, 2)
    steps[lost] = np.maximum(periods.astype(np.int64), 2)
    numbers = np.cumsum(steps)
    starts = np.flatnonzero(np.diff(segment, prepend=segment[0] - 1))
    lengths = np.diff(np.append(starts, times.size))
    return numbers - np.repeat(numbers[starts], lengths)


def _segment(ride: Ride, time: float) -> int:
    return max(0, sum(time >= segment.start for segment in ride.segments) - 1)


def _events(ride: Ride, window: Window, account: Account) -> Iterator[_Item]:
    for event in ride.events:
        if not window.start <= event.time <= window.end:
            continue
        if event.kind in (EventKind.FAULT, EventKind.FAULT_CLEARED):
            account.kept["faults and their clearing, by number"] += 1
            text = account.text("fault-text", "fault texts", event.text)
        elif event.kind != EventKind.NOTE or not account.ask("notes", "notes of the board"):
            continue
        else:
            text = event.text
        time = _micros(event.time, window)
        record = Event(0, 0, time % 2**32, event.kind, event.number, event.index, text)
        yield _Item(_segment(ride, event.time), time, record)


def _marks(ride: Ride, window: Window, account: Account, at: Clock) -> Iterator[_Item]:
    moment = _micros(window.at, window)
    yield _Item(_segment(ride, window.at), moment, Mark(at(moment), 1, MOMENT))
    number = 1
    for mark in ride.marks:
        if window.start <= mark.time <= window.end:
            number += 1
            account.kept["moments of marks"] += 1
            text = account.text("notes", "texts of marks", mark.text)
            time = _micros(mark.time, window)
            yield _Item(_segment(ride, mark.time), time, Mark(at(time), number, text))


def _links(ride: Ride, window: Window, account: Account, at: Clock) -> Iterator[_Item]:
    for gap in ride.link_gaps:
        for state, when in ((LinkState.DOWN, gap.start), (LinkState.UP, gap.end)):
            if when is None or not window.start <= when <= window.end:
                continue
            evidence = ""
            if state is LinkState.DOWN:
                account.kept["moments of a lost link"] += 1
                evidence = account.text("source", "how a lost link was noticed", gap.evidence)
            time = _micros(when, window)
            yield _Item(_segment(ride, when), time, Link(at(time), state, evidence[:1024]))


def _body(
    items: list[_Item], streams: list[Stream], ride: Ride, account: Account, at: Clock
) -> Iterator[bytes]:
    """Yield the frames, each timed: a start of the board is described before its first record."""
    name = account.text("board-name", "the board's name", ride.board_name) or "shared board"
    firmware = account.text("firmware", "the board's program", ride.firmware)
    boot, segment, event, position = 0, -1, 0, 0
    for item in items:
        record = item.record
        if not isinstance(record, Samples | Event):
            yield encode_frame(record.encode())
            continue
        timed = encode_frame(Time(at(item.time), position).encode())
        if item.segment != segment:
            segment, event, boot = item.segment, 0, boot + 1
            board = Board(boot, item.time % 2**32, 0, len(streams), name, firmware)
            described: list[Board | Stream] = [
                board,
                *(replace(stream, boot=boot) for stream in streams),
            ]
            frames = [encode_frame(part.encode()) for part in described]
            yield timed
            yield from frames
            position += sum(map(len, frames))
            timed = encode_frame(Time(at(item.time), position).encode())
        if isinstance(record, Event):
            record = replace(record, boot=boot, sequence=event)
            event += 1
        else:
            record = replace(record, boot=boot)
        frame = encode_frame(record.encode())
        position += len(frame)
        yield timed
        yield frame
