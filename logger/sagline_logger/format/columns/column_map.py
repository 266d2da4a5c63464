"""The map: which column of a file, or of a board's lines, is which channel.

Documented in ``docs/import.md``, and for lines in ``docs/any_board.md``.
"""

import re
from collections.abc import Callable, Mapping, Sequence
from dataclasses import dataclass
from decimal import Decimal
from fractions import Fraction
from pathlib import Path
from typing import Any

from ..channels import Channel, SampleType
from ..device_records import Stream
from ..errors import RecordError, SaglineError
from ..limits import MAX_FILE, MAX_NAME, MAX_STREAMS, MAX_TEXT
from ..toml_lines import KeyPath, load_toml
from ..toml_tables import Known, Problems, read_table
from ..vocabulary import vocabulary
from .map_tables import (
    TIME_UNITS,
    ColumnTable,
    FileTable,
    MapTable,
    StreamTable,
    TimeTable,
    micros,
    number,
    texts,
)
from .units import NAMES, Conversion, conversion, spelled

MISSING = ("nan", "na", "n/a", "null", "none")
"""What stands for "no reading" unless the map says otherwise, in any case; so does a blank."""


@dataclass(frozen=True)
class StreamPlan:
    """One stream; ``period`` in µs, 0 when irregular."""

    name: str
    period: int


@dataclass(frozen=True)
class ColumnPlan:
    """One column: where it is, what channel it becomes, and the exact step to raw samples.

    ``column`` is the title, or the number from 1.  ``channel`` has the widest sample type until
    the file has been read.  ``line`` leads from the file's numbers to multiples of the resolution.
    """

    column: str | int
    channel: Channel
    line: Conversion
    stream: int
    missing: tuple[str, ...]


@dataclass(frozen=True)
class TimePlan:
    """Where the time is: a ``column`` in ``unit`` µs (0: ISO 8601), or rows ``step`` µs apart.

    Of lines neither may be there (``column`` None, ``step`` 0): the time is that of arrival.
    """

    column: str | int | None
    unit: int
    step: int = 0
    since_1970: bool = False
    start: str = ""
    """Date and time of the first row by ISO 8601, where the column does not hold it."""


@dataclass(frozen=True)
class ColumnMap:
    """All that a map says.

    ``form`` is how a line holds its values; ``equals`` stands between name and value in pairs.
    ``cells`` is how many values a line of separated ones has, 0 where the map does not say.
    """

    where: str
    board: str
    note: str
    delimiter: str
    decimal: str
    encoding: str
    header: int
    """Line of the titles from 1; 0: there is none."""
    first_row: int
    """Line of the first data."""
    time: TimePlan
    streams: tuple[StreamPlan, ...]
    columns: tuple[ColumnPlan, ...]
    settings: tuple[tuple[str, str], ...]
    form: str = "separated"
    equals: str = "="
    cells: int = 0

    def described(self, number: int, period: int, channels: tuple[Channel, ...]) -> Stream:
        """Return the description of stream ``number``, its ``channels`` every ``period`` µs.

        Raises:
            SaglineError: it does not fit its record.
        """
        name = self.streams[number].name
        try:
            description = Stream(1, 0, number, name, period, channels)
            description.encode()
        except RecordError as problem:
            raise SaglineError(
                f"stream {name!r}: {problem}",
                where=self.where,
                remedy="spread its columns over more streams, or drop the stream",
            ) from None
        return description


def load_map(path: Path, lines: bool = False) -> ColumnMap:
    """Read a map, of a column file or of the ``lines`` that a board prints.

    Raises:
        SaglineError: it cannot be read, or breaks a rule (with the line and what to write).
    """
    first = "sagline-logger listen" if lines else "sagline-analyser import FILE.csv --suggest"
    return _load(path, lambda text: read_map(text, str(path), lines), f"write one with: {first}")


def _load(path: Path, read: Callable[[str], ColumnMap], remedy: str) -> ColumnMap:
    where = str(path)
    try:
        with path.open("rb") as file:
            raw = file.read(MAX_FILE + 1)
    except OSError as problem:
        raise SaglineError(
            f"cannot read the map ({problem.strerror})",
            where=where,
            remedy=remedy,
        ) from None
    if len(raw) > MAX_FILE:
        raise SaglineError(
            f"the map is longer than {MAX_FILE // 1024} KiB",
            where=where,
            remedy="is it the right file?",
        )
    try:
        return read(raw.decode("utf-8-sig"))
    except UnicodeDecodeError:
        raise SaglineError(
            "the map is not UTF-8 text", where=where, remedy="save it as UTF-8"
        ) from None


SignalOf = Callable[[str], tuple[str, Fraction] | str]
"""From a signal's name to its unit and the size of its step, or to what is wrong with the name."""


def load_can_map(path: Path, signal: SignalOf) -> ColumnMap:
    """Read a map of the signals of a CAN bus; unit and resolution are theirs unless it says them.

    Raises:
        SaglineError: it cannot be read, or breaks a rule.
    """
    return _load(
        path,
        lambda text: _Reader(text, str(path), True, signal).map(_toml(text, str(path))),
        "write one by hand: docs/any_board.md",
    )


def read_map(text: str, where: str, lines: bool = False) -> ColumnMap:
    """Return what the text of a map says; ``where`` names it in errors.

    With ``lines`` it is for lines as they come: the time may be left to their arrival.

    Raises:
        SaglineError: it is no TOML or breaks a rule.
    """
    return _Reader(text, where, lines).map(_toml(text, where))


def _toml(text: str, where: str) -> dict[str, Any]:
    try:
        return load_toml(text, Decimal)
    except (ValueError, ArithmeticError, RecursionError) as problem:
        found = re.search(r" \(at line (\d+), column \d+\)$", str(problem))
        raise SaglineError(
            f"not TOML: {str(problem)[: found.start()] if found else problem}",
            where=f"{where}:{found[1]}" if found else where,
            remedy="write texts in double quotes, numbers with a point and without a unit",
        ) from None


_HOMES = {
    "[file]": FileTable,
    "[time]": TimeTable,
    "[[streams]]": StreamTable,
    "[[columns]]": ColumnTable,
}
"""Where a key belongs that stands in the wrong table."""


def _settings(data: Mapping[str, Any], path: KeyPath, fail: Problems) -> Mapping[str, Any]:
    for key, value in data.items():
        long = max(len(key.encode()) - MAX_NAME, len(str(value).encode()) - MAX_TEXT)
        if long > 0 or isinstance(value, dict | list):
            fail(
                (*path, key),
                "is not one value, or too long",
                f"write NAME = VALUE, the name at most {MAX_NAME} bytes",
            )
    return data


class _Reader:
    """What the keys of a map say together, each of which keeps its own rule already."""

    def __init__(self, text: str, where: str, lines: bool, signal: SignalOf | None = None) -> None:
        self.signal = signal
        self.where = where
        self.lines = lines
        self.fail = Problems(text, where, "a map", _HOMES, free=_settings)

    def map(self, data: dict[str, Any]) -> ColumnMap:
        with self.fail.noted():
            found = self._map(read_table(MapTable, data, (), self.fail))
        self.fail.raise_any()
        return found

    def _map(self, top: MapTable) -> ColumnMap:
        file = top.file
        if file.decimal == file.delimiter:
            self.fail(
                ("file", "decimal"),
                "is the delimiter too",
                'write "." or "," and another delimiter',
            )
        if self.lines and "\n".encode(file.encoding)[-2:] not in (b"\n", b"\xbf\n"):
            self.fail(
                ("file", "encoding"),
                "does not end its lines with one byte",
                'write "utf-8" or "latin-1"',
            )
        named = file.form != "separated"  # each line has its titles
        header = 1 if named else file.header
        first = 1 if named else header + 1
        first_row = first if file.first_row is None else file.first_row
        if first_row < first:
            self.fail(
                ("file", "first_row"),
                "does not stand below the titles",
                f"write a number of at least {first}",
            )
        missing = _lower(file.missing, MISSING)
        streams = self.streams(top.streams or (StreamTable(name="table"),))
        return ColumnMap(
            self.where,
            top.board,
            top.note,
            file.delimiter,
            file.decimal,
            file.encoding,
            header,
            first_row,
            self.time(top.time, header),
            streams,
            self.columns(top.columns, streams, missing, header),
            tuple((key, str(value)) for key, value in top.settings.items()),
            file.form,
            file.equals,
            file.cells,
        )

    def streams(self, tables: tuple[StreamTable, ...]) -> tuple[StreamPlan, ...]:
        if len(tables) > MAX_STREAMS:
            self.fail(("streams",), "are too many", f"write at most {MAX_STREAMS}")
        plans: list[StreamPlan] = []
        for at, table in enumerate(tables):
            if table.name in (plan.name for plan in plans):
                self.fail(("streams", at, "name"), "is taken", "give each stream its own name")
            plans.append(StreamPlan(table.name, micros(table.period or 0) or 0))
        return tuple(plans)

    def time(self, time: TimeTable, header: int) -> TimePlan:
        path: KeyPath = ("time",)
        if time.start:
            from .cells import iso_micros

            if iso_micros(time.start) is None:
                self.fail(
                    (*path, "start"),
                    "is no date and time by ISO 8601",
                    'write it as "2026-05-02T08:30:00+02:00"',
                )
        if time.step is not None:
            step = micros(time.step)
            if time.column is not None or not step:
                self.fail(
                    (*path, "step"),
                    "is zero, or stands beside column",
                    "keep one of the two; step is the time between rows in s",
                )
            return TimePlan(None, 1, step, False, time.start)
        if self.lines and time == TimeTable(start=time.start):
            return TimePlan(None, 1, 0, False, time.start)
        if time.column is None:
            self.fail(
                path,
                "names no column",
                'write [time] with column = "…" and unit = "s", or step = 0.01',
            )
        self.has_title(time.column, (*path, "column"), header)
        if time.unit is None:
            self.fail(path, "has no unit", "add unit = one of: s, ms, us, iso8601")
        return TimePlan(time.column, TIME_UNITS[spelled(time.unit)], 0, time.since_1970, time.start)

    def has_title(self, column: str | int, path: KeyPath, header: int) -> None:
        if isinstance(column, str) and not header:
            self.fail(path, "is a title in a file without a header", "write its number")

    def columns(
        self,
        tables: tuple[ColumnTable, ...],
        streams: tuple[StreamPlan, ...],
        missing: tuple[str, ...],
        header: int,
    ) -> tuple[ColumnPlan, ...]:
        if not tables:
            self.fail(("columns",), "are none", "write one [[columns]] table for each column")
        plans: list[ColumnPlan] = []
        keys: set[tuple[int, str]] = set()
        before = len(self.fail.found)
        for at, table in enumerate(tables):
            with self.fail.noted():
                plan = self.one_column(table, ("columns", at), streams, missing, header)
                if (plan.stream, plan.channel.key) in keys:
                    self.fail(
                        ("columns", at, "channel"),
                        f"{plan.channel.key} is mapped twice",
                        "give one of them another index or name",
                    )
                keys.add((plan.stream, plan.channel.key))
                plans.append(plan)
        if len(self.fail.found) > before:
            raise Known
        return tuple(plans)

    def one_column(
        self,
        table: ColumnTable,
        path: KeyPath,
        streams: tuple[StreamPlan, ...],
        missing: tuple[str, ...],
        header: int,
    ) -> ColumnPlan:
        self.has_title(table.column, (*path, "column"), header)
        unit, step_of = table.unit, None
        if self.signal is not None:
            told = self.signal(str(table.column))
            if isinstance(told, str):
                self.fail(
                    (*path, "column"), f"{table.column!r} {told}", "name one that the DBC has"
                )
            unit = told[0] if unit is None else unit
            step_of = told[1]
        name = table.channel
        term = vocabulary().get(name)
        if unit is None:
            unit = term.unit if term else ""
        target = table.target
        if target is None:
            target = term.unit if term else unit
        if term and target != term.unit:
            self.fail(
                (*path, "as"),
                f"differs from the unit of {name}",
                f'write "{term.unit}" or leave it out',
            )
        step = conversion(unit, target)
        if step is None:
            self.fail(
                (*path, "unit"),
                f"{unit!r} does not lead to {target!r}",
                f'write unit = "{target}" with factor and offset, or one of: {", ".join(NAMES)}',
            )
        factor, offset = number(table.factor), number(table.offset)
        if not factor or offset is None:
            self.fail((*path, "factor"), "is zero", "write what one unit of the file is worth")
        line = Conversion(factor, offset).then(step)
        resolution = number(table.resolution)
        if resolution is None and step_of is not None:
            resolution = Fraction(_decimal(step_of * abs(line.factor)))
        if resolution is None:
            self.fail(
                path,
                "has no resolution",
                f"write the smallest step to keep, in {target or 'its unit'}, such as 0.01",
            )
        multiplier, exponent = self.scale(resolution, path)
        names = [stream.name for stream in streams]
        stream = names[0] if table.stream is None else table.stream
        if stream not in names:
            self.fail(
                (*path, "stream"),
                f"{stream!r} is no stream of this map",
                f"known: {', '.join(names)}",
            )
        kind = SampleType.I32
        channel = Channel(name, target, kind, multiplier, 0, exponent, table.index, table.label)
        quantum = Fraction(multiplier) * Fraction(10) ** exponent
        return ColumnPlan(
            table.column,
            channel,
            line.then(Conversion(1 / quantum)),
            names.index(stream),
            _lower(table.missing, missing),
        )

    def scale(self, value: Fraction, path: KeyPath) -> tuple[int, int]:
        """Return the resolution as (multiplier, exponent of ten)."""
        exponent = 0
        while value.denominator > 1 and exponent > -22:
            value, exponent = value * 10, exponent - 1
        while value and value % 10 == 0 and exponent < 22:
            value, exponent = value / 10, exponent + 1
        if value.denominator != 1 or not 0 < value < 2**31:
            self.fail(
                (*path, "resolution"),
                "is not a decimal above zero of at most nine digits",
                "write such as 0.01 or 0.0125",
            )
        return int(value), exponent


def _lower(missing: Sequence[str] | None, usual: tuple[str, ...]) -> tuple[str, ...]:
    said = texts(missing)
    return usual if said is None else tuple(one.strip().lower() for one in said)


def _decimal(step: Fraction) -> Decimal:
    """Return ``step`` where it is a decimal of few digits, else a finer one that is."""
    exponent = 0
    value = step
    while value.denominator > 1 and exponent > -9:
        value, exponent = value * 10, exponent - 1
    if value.denominator == 1 and 0 < value < 2**31:
        return Decimal(int(value)).scaleb(exponent)
    return Decimal(1).scaleb(
        max(Decimal(step.numerator) / step.denominator, Decimal("1e-21")).adjusted() - 1
    )
