"""Lines of text that a board prints, turned into frames by a map."""

from collections.abc import Sequence
from dataclasses import dataclass, replace
from pathlib import Path

from ..format import (
    Channel,
    Instant,
    Raw,
    RawForm,
    RawUse,
    SampleType,
    Stream,
)
from ..format.columns.cells import Blank, Cell
from ..format.columns.column_map import ColumnMap, load_map
from ..format.columns.line_cells import LineReader, LineRow
from ..format.columns.named_lines import BadLine
from ..format.limits import MAX_FOREIGN, MAX_NAME
from .framer import Framer
from .translator import Item, Translation

LONGEST = 4096
"""Bytes of the longest line; what is longer is none."""
RAW_VERSION = (1, 1)
"""Format version that brought RAW records."""
NO_READING = -(1 << 31)
"""The raw sample that stands for "no reading" in the channels made here, all of them i32."""
_WRAP = 1 << 32
_NEAR_WRAP = 60_000_000  # µs around the end of a board's 32-bit counter
_SLACK = 2_000_000  # µs by which a board's clock may gain on the host's between two lines
_PACE = 10_000  # µs between lines that came together, until the board's own pace is known


@dataclass(frozen=True, slots=True)
class _Line:
    """One line: as received, and its row, its problem, or neither (titles, blank, cut)."""

    raw: bytes
    row: LineRow | None = None
    problem: BadLine | None = None
    use: RawUse = RawUse.READ


@dataclass(frozen=True, slots=True)
class _Suspect:
    """A line whose time does not follow from the one before: the next tells which is wrong.

    ``told`` is the time as it stands in the line; all in µs.
    """

    line: _Line
    row: LineRow
    told: int
    time: int
    arrival: int


class LineTranslator:
    """See :class:`~.translator.Translator`."""

    unread_of = "lines"
    undecoded = "do the lines fit the map? 'sagline-logger listen' shows what comes."

    def __init__(self, plan: ColumnMap, streams: Sequence[Stream]) -> None:
        name = plan.board or Path(plan.where).stem.encode()[:MAX_NAME].decode(errors="ignore")
        self._plan = plan
        self._framer = Framer(name, "read from lines", streams)
        self._reader = LineReader(plan)
        self._held = b""
        self._begun = self._overlong = False
        self._suspect: _Suspect | None = None
        self._last: tuple[int, int] | None = None
        """Time of the last sample and when it came, both µs."""
        self._pace: float | None = None
        self._turns = self._rows = 0
        self._items: list[Item] = []
        self._run = bytearray()
        self._told: set[str] = set()
        self._news: list[str] = []
        self.unread = 0
        self.tells_time = plan.time.column is not None
        self.silence = max(10.0, 3e-6 * max(stream.period for stream in plan.streams))

    @property
    def position(self) -> int:
        """See :class:`~.translator.Translator`."""
        return self._framer.position

    def news(self) -> list[str]:
        """See :class:`~.translator.Translator`."""
        news, self._news = self._news, []
        return news

    def feed(self, data: bytes, now: Instant) -> list[Item]:
        """Return the lines that ``data`` completes, and the frames made of them."""
        text = self._held + data
        end = max(text.rfind(b"\n"), text.rfind(b"\r")) + 1
        whole, self._held = text[:end], text[end:]
        lines = [self._read(raw) for raw in whole.splitlines(keepends=True)]
        if len(self._held) > LONGEST:
            lines.append(self._too_long(self._held))
            self._overlong, self._held = True, b""
        count = sum(line.row is not None for line in lines)
        arrivals = iter(self._arrivals(count, now.monotonic))
        for line in lines:
            if line.row is not None:
                self._take(line, line.row, next(arrivals), now)
            else:
                self._keep(line, now)
        return self._taken(now)

    def finish(self, now: Instant) -> list[Item]:
        """Return what is left as cut."""
        self._drop_suspect(now)
        if self._held:
            self._keep(_Line(self._held, use=RawUse.CUT), now)
        self._held, self._begun, self._overlong = b"", False, False
        return self._taken(now)

    def _read(self, raw: bytes) -> _Line:
        if not self._begun:  # the link may have been made in the middle of it
            self._begun = True
            self._reader.titles(raw)
            return _Line(raw, use=RawUse.CUT)
        if self._overlong or len(raw) > LONGEST:
            line, self._overlong = self._too_long(raw), False
            return line
        try:
            return _Line(raw, self._reader.read(raw))
        except BadLine as problem:
            return _Line(raw, problem=problem, use=RawUse.NOT_READ)

    def _too_long(self, raw: bytes) -> _Line:
        """Return a line that is too long, or a further part of it."""
        problem = None
        if not self._overlong:
            problem = BadLine("length", f"no line end within {LONGEST} bytes")
        return _Line(raw, problem=problem, use=RawUse.NOT_READ)

    def _arrivals(self, count: int, now: int) -> list[int]:
        """Return when ``count`` rows came that were received together ``now``, in host µs.

        The last came now; those before it at the board's pace, after the one before them.
        """
        if not count:
            return []
        step = float(_PACE)
        if self._last is not None:
            step = (now - self._last[1]) / count
            if self._pace is None:
                self._pace = step
            elif step < 5 * self._pace:
                self._pace += (step - self._pace) / 16
            step = min(step, self._pace)
        return [now - round((count - 1 - at) * step) for at in range(count)]

    def _take(self, line: _Line, row: LineRow, arrival: int, now: Instant) -> None:
        if row.time is None:
            step = self._plan.time.step
            self._rows += 1
            self._sample(line, row, (self._rows - 1) * step if step else arrival, arrival)
            return
        if self._turned_over(row.time):
            self._turns += _WRAP * self._plan.time.unit
        time, suspect = row.time + self._turns, self._suspect
        if _follows(self._last, time, arrival):
            self._drop_suspect(now)
            self._sample(line, row, time, arrival)
        elif suspect is not None and _follows((suspect.time, suspect.arrival), time, arrival):
            self._suspect = None
            if self._last is not None and suspect.time < self._last[0]:
                self._flush_run(now)
                self._framer.start_anew()
                time, self._turns = row.time, 0
                suspect = replace(suspect, time=suspect.told)
            self._sample(suspect.line, suspect.row, suspect.time, suspect.arrival)
            self._sample(line, row, time, arrival)
        else:
            self._drop_suspect(now)
            self._suspect = _Suspect(line, row, row.time, time, arrival)

    def _turned_over(self, told: int) -> bool:
        """Whether the board's own counter of 32 bits came round between the last line and this."""
        if self._last is None or not self._plan.time.unit:
            return False
        before = self._last[0] - self._turns
        span = _WRAP * self._plan.time.unit
        return told < _NEAR_WRAP and span - _NEAR_WRAP < before < span

    def _drop_suspect(self, now: Instant) -> None:
        """The line whose time did not follow was wrong."""
        suspect, self._suspect = self._suspect, None
        if suspect is not None:
            problem = BadLine("time", "its time fits neither the line before nor the one behind")
            self._keep(_Line(suspect.line.raw, problem=problem, use=RawUse.NOT_READ), now)

    def _sample(self, line: _Line, row: LineRow, time: int, arrival: int) -> None:
        """Put a row into the streams whose columns it holds."""
        self._run += line.raw
        self._last = time, arrival
        one = len(self._plan.streams) == 1
        cells: list[list[Cell]] = [[] for _ in self._plan.streams]
        for column, cell in zip(self._plan.columns, row.cells, strict=True):
            cells[column.stream].append(cell)
        for stream, own in enumerate(cells):
            if one or not all(isinstance(cell, Blank) for cell in own):
                raw = [None if isinstance(cell, Blank) else cell for cell in own]
                self._framer.sample(stream, time, raw, arrival)

    def _keep(self, line: _Line, now: Instant) -> None:
        """Keep what makes no sample, in its place."""
        suspect = self._suspect
        if line.use is RawUse.READ:
            if suspect is None:
                self._run += line.raw
            else:
                whole = replace(suspect.line, raw=suspect.line.raw + line.raw)
                self._suspect = replace(suspect, line=whole)
            return
        self._drop_suspect(now)
        self._flush_run(now)
        self._raw(line.raw, line.use, now)
        problem = line.problem
        if problem is None:
            return
        self.unread += 1
        if problem.kind not in self._told:
            self._told.add(problem.kind)
            shown = line.raw[:80].decode(errors="replace").strip()
            shown = "".join(sign if sign.isprintable() else "·" for sign in shown)
            self._news.append(
                f"a line cannot be read ({problem}): {shown!r}; it is kept, and more like it are "
                "counted"
            )

    def _flush_run(self, now: Instant) -> None:
        """Put out the lines read so far, and the frames made of them."""
        if self._run:
            self._raw(bytes(self._run), RawUse.READ, now)
            self._run.clear()
        self._items += self._framer.take()

    def _raw(self, data: bytes, use: RawUse, now: Instant) -> None:
        for at in range(0, len(data), MAX_FOREIGN):
            self._items.append(Raw(now, RawForm.TEXT, use, data[at : at + MAX_FOREIGN]))

    def _taken(self, now: Instant) -> list[Item]:
        self._flush_run(now)
        items, self._items = self._items, []
        return items


def _follows(before: tuple[int, int] | None, time: int, arrival: int) -> bool:
    """Whether a line at ``time`` of the board may come after one at (time, arrival) ``before``."""
    if before is None:
        return True
    gone, waited = time - before[0], max(arrival - before[1], 0)
    return 0 <= gone <= waited + waited // 8 + _SLACK


def live_streams(plan: ColumnMap) -> tuple[Stream, ...]:
    """Return the descriptions of a map's streams for values whose range is not known beforehand.

    Raises:
        SaglineError: a stream does not fit its record.
    """
    clocked = plan.time.column is not None or plan.time.step > 0
    streams = []
    for number, stream in enumerate(plan.streams):
        channels: tuple[Channel, ...] = tuple(
            replace(column.channel, type=SampleType.I32, missing=NO_READING)
            for column in plan.columns
            if column.stream == number
        )
        period = stream.period if clocked else 0  # times of arrival are never regular
        streams.append(plan.described(number, period, channels))
    return tuple(streams)


def lines_by(path: Path) -> Translation:
    """Return how to read lines by the map in a file.

    Raises:
        SaglineError: the map cannot be read, or breaks a rule.
    """
    plan = load_map(path, lines=True)
    streams = live_streams(plan)
    return Translation(
        lambda: LineTranslator(plan, streams),
        (("map", path.read_bytes()),),
        plan.settings,
        plan.note,
        RAW_VERSION,
    )
