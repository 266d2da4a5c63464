"""The map: which column of a file, or of a board's lines, is which channel.

Documented in ``docs/import.md``, and for lines in ``docs/any_board.md``.
"""

import re
from collections.abc import Callable, Mapping
from dataclasses import dataclass
from decimal import Decimal
from fractions import Fraction
from pathlib import Path
from typing import Any, NoReturn

from ..channels import Channel, SampleType
from ..device_records import Stream
from ..errors import RecordError, SaglineError
from ..limits import MAX_FILE, MAX_LABEL, MAX_NAME, MAX_TEXT, MAX_UNIT
from ..toml_lines import KeyPath, key_lines, line_of, load_toml
from ..vocabulary import vocabulary
from .units import NAMES, Line, conversion, spelled

TIME_UNITS = {"s": 1_000_000, "ms": 1000, "us": 1, "µs": 1, "iso8601": 0}
"""Unit of a time column to µs in it; 0: a date and time by ISO 8601."""

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
    line: Line
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


FORMS = ("separated", "pairs", "json")
"""How a line holds its values: in order, as NAME=VALUE, or as a JSON object."""


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


class _Reader:
    def __init__(self, text: str, where: str, lines: bool, signal: SignalOf | None = None) -> None:
        self.signal = signal
        self.text = text
        self.where = where
        self.lines = lines

    def fail(self, path: KeyPath, what: str, remedy: str) -> NoReturn:
        line = line_of(key_lines(self.text), path)
        name = ".".join(str(key) for key in path if isinstance(key, str))
        raise SaglineError(f"{name} {what}".strip(), where=f"{self.where}:{line}", remedy=remedy)

    def table(self, data: Any, path: KeyPath, known: str) -> dict[str, Any]:
        if not isinstance(data, dict):
            self.fail(path, "is not a table", f"write [{path[-1]}] and the keys below it")
        for key in data:
            if key not in known.split():
                self.fail((*path, key), "is not a key of a map", f"known here: {known}")
        return data

    def texts(
        self, table: Mapping[str, Any], key: str, path: KeyPath, limit: int, default: str
    ) -> str:
        value = table.get(key, default)
        if not isinstance(value, str) or len(value.encode(errors="replace")) > limit:
            self.fail(
                (*path, key),
                "is not a text, or too long",
                f"write it in double quotes, at most {limit} bytes",
            )
        return value

    def whole(
        self, table: Mapping[str, Any], key: str, path: KeyPath, low: int, high: int, default: int
    ) -> int:
        value = table.get(key, default)
        if isinstance(value, bool) or not isinstance(value, int) or not low <= value <= high:
            self.fail((*path, key), f"is not a whole number from {low} to {high}", "change it")
        return value

    def number(self, table: Mapping[str, Any], key: str, path: KeyPath, default: str) -> Fraction:
        value = table.get(key, Decimal(default))
        if isinstance(value, str):
            value = self.ratio(value)
        if isinstance(value, bool) or not isinstance(value, int | Decimal | Fraction):
            self.fail((*path, key), "is not a number", 'write 0.001, or a ratio as "5/18"')
        if isinstance(value, Decimal) and not (value.is_finite() and abs(value.adjusted()) < 40):
            self.fail((*path, key), "is out of range", "write an ordinary number")
        return Fraction(value)

    @staticmethod
    def ratio(text: str) -> Fraction | None:
        found = re.fullmatch(r"(-?[0-9]{1,20})/([1-9][0-9]{0,19})", text.replace(" ", ""))
        return Fraction(int(found[1]), int(found[2])) if found else None

    def micros(self, table: Mapping[str, Any], key: str, path: KeyPath) -> int:
        time = self.number(table, key, path, "0") * 1_000_000
        if key in table and not (time == 0 or 1 <= time < 2**32):
            self.fail((*path, key), "is not from 0.000001 to 4294 s", "write seconds")
        return round(time)

    def column(self, table: Mapping[str, Any], path: KeyPath) -> str | int:
        value = table.get("column")
        if isinstance(value, bool) or not isinstance(value, str | int) or value in ("", 0):
            self.fail(
                (*path, "column"),
                "names no column",
                "write its title in double quotes, or its number from 1",
            )
        if isinstance(value, int) and value < 1:
            self.fail((*path, "column"), "is below 1", "columns are numbered from 1")
        return value

    def map(self, data: dict[str, Any]) -> ColumnMap:
        top = self.table(data, (), "board note file time streams columns settings")
        file = self.table(
            top.get("file", {}),
            ("file",),
            "form delimiter equals decimal encoding header first_row cells missing",
        )
        form = self.texts(file, "form", ("file",), 16, "separated")
        if form not in FORMS:
            self.fail(("file", "form"), "is no form of lines", f"write one of: {', '.join(FORMS)}")
        equals = self.texts(file, "equals", ("file",), 1, "=")
        if len(equals) != 1 or equals.isalnum() or equals.isspace():
            self.fail(("file", "equals"), "is not one character", 'write "=" or ":"')
        delimiter = self.texts(file, "delimiter", ("file",), 1, ",")
        if len(delimiter) != 1 or delimiter in '"\r\n':
            self.fail(("file", "delimiter"), "is not one character", 'write "," ";" or "\\t"')
        decimal = self.texts(file, "decimal", ("file",), 1, ".")
        if decimal not in (".", ",") or decimal == delimiter:
            self.fail(
                ("file", "decimal"),
                "is not a point or a comma, or is the delimiter too",
                'write "." or "," and another delimiter',
            )
        encoding = self.texts(file, "encoding", ("file",), 32, "utf-8-sig")
        try:
            "".encode(encoding)
        except (LookupError, ValueError):
            self.fail(
                ("file", "encoding"), "is no text encoding", 'write "utf-8", "latin-1" or "utf-16"'
            )
        if self.lines and "\n".encode(encoding)[-2:] not in (b"\n", b"\xbf\n"):
            self.fail(
                ("file", "encoding"),
                "does not end its lines with one byte",
                'write "utf-8" or "latin-1"',
            )
        named = form != "separated"
        cells = self.whole(file, "cells", ("file",), 0, 10_000, 0)
        header = 1 if named else self.whole(file, "header", ("file",), 0, 10_000, 1)
        first = 1 if named else header + 1
        first_row = self.whole(file, "first_row", ("file",), first, 1_000_000, first)
        missing = self.missing(file, ("file",), MISSING)
        streams = self.streams(top)
        settings = self.settings(top)
        return ColumnMap(
            self.where,
            self.texts(top, "board", (), MAX_NAME, ""),
            self.texts(top, "note", (), MAX_TEXT, ""),
            delimiter,
            decimal,
            encoding,
            header,
            first_row,
            self.time(top, header),
            streams,
            self.columns(top, streams, missing, header),
            settings,
            form,
            equals,
            cells,
        )

    def settings(self, top: Mapping[str, Any]) -> tuple[tuple[str, str], ...]:
        settings = top.get("settings", {})
        if not isinstance(settings, dict):
            self.fail(("settings",), "is not a table", "write [settings] and NAME = VALUE below it")
        for key, value in settings.items():
            long = max(len(key.encode()) - MAX_NAME, len(str(value).encode()) - MAX_TEXT)
            if long > 0 or isinstance(value, dict | list):
                self.fail(
                    ("settings", key),
                    "is not one value, or too long",
                    f"write NAME = VALUE, the name at most {MAX_NAME} bytes",
                )
        return tuple((key, str(value)) for key, value in settings.items())

    def missing(
        self, table: Mapping[str, Any], path: KeyPath, default: tuple[str, ...]
    ) -> tuple[str, ...]:
        value = table.get("missing", list(default))
        value = [value] if isinstance(value, str) else value
        if not (isinstance(value, list) and all(isinstance(one, str) for one in value)):
            self.fail(
                (*path, "missing"),
                "is not a text or a list of texts",
                'write missing = ["-", "NaN"]',
            )
        return tuple(one.strip().lower() for one in value)

    def streams(self, top: Mapping[str, Any]) -> tuple[StreamPlan, ...]:
        entries = top.get("streams", [{"name": "table"}])
        if not (isinstance(entries, list) and 1 <= len(entries) <= 16):
            self.fail(("streams",), "are not 1 to 16", "write one [[streams]] table for each")
        plans: list[StreamPlan] = []
        for at, entry in enumerate(entries):
            path: KeyPath = ("streams", at)
            entry = self.table(entry, path, "name period")
            name = self.texts(entry, "name", path, MAX_NAME, "")
            if not name or name in (plan.name for plan in plans):
                self.fail((*path, "name"), "is missing or taken", "give each stream its own name")
            plans.append(StreamPlan(name, self.micros(entry, "period", path)))
        return tuple(plans)

    def time(self, top: Mapping[str, Any], header: int) -> TimePlan:
        path: KeyPath = ("time",)
        time = self.table(top.get("time", {}), path, "column unit step since_1970 start")
        start = self.texts(time, "start", path, 64, "")
        if start:
            from .cells import iso_micros

            if iso_micros(start) is None:
                self.fail(
                    (*path, "start"),
                    "is no date and time by ISO 8601",
                    'write it as "2026-05-02T08:30:00+02:00"',
                )
        if "step" in time:
            step = self.micros(time, "step", path)
            if "column" in time or not step:
                self.fail(
                    (*path, "step"),
                    "is zero, or stands beside column",
                    "keep one of the two; step is the time between rows in s",
                )
            return TimePlan(None, 1, step, False, start)
        if self.lines and not time.keys() - {"start"}:
            return TimePlan(None, 1, 0, False, start)
        if "column" not in time:
            self.fail(
                path,
                "names no column",
                'write [time] with column = "…" and unit = "s", or step = 0.01',
            )
        column = self.column(time, path)
        if isinstance(column, str) and not header:
            self.fail(
                (*path, "column"), "is a title in a file without a header", "write its number"
            )
        unit = time.get("unit")
        if not isinstance(unit, str) or spelled(unit) not in TIME_UNITS:
            self.fail((*path, "unit"), "is not a unit of time", "write one of: s, ms, us, iso8601")
        since = time.get("since_1970", False)
        if not isinstance(since, bool):
            self.fail((*path, "since_1970"), "is not true or false", "write true or false")
        return TimePlan(column, TIME_UNITS[spelled(unit)], 0, since, start)

    def columns(
        self,
        top: Mapping[str, Any],
        streams: tuple[StreamPlan, ...],
        missing: tuple[str, ...],
        header: int,
    ) -> tuple[ColumnPlan, ...]:
        entries = top.get("columns")
        if not isinstance(entries, list) or not entries:
            self.fail(("columns",), "are none", "write one [[columns]] table for each column")
        plans = [
            self.one_column(entry, ("columns", at), streams, missing, header)
            for at, entry in enumerate(entries)
        ]
        keys: set[tuple[int, str]] = set()
        for at, plan in enumerate(plans):
            if (plan.stream, plan.channel.key) in keys:
                self.fail(
                    ("columns", at, "channel"),
                    f"{plan.channel.key} is mapped twice",
                    "give one of them another index or name",
                )
            keys.add((plan.stream, plan.channel.key))
        return tuple(plans)

    def one_column(
        self,
        entry: Any,
        path: KeyPath,
        streams: tuple[StreamPlan, ...],
        missing: tuple[str, ...],
        header: int,
    ) -> ColumnPlan:
        entry = self.table(
            entry,
            path,
            "column channel index label unit as factor offset resolution stream missing",
        )
        column = self.column(entry, path)
        if isinstance(column, str) and not header:
            self.fail(
                (*path, "column"), "is a title in a file without a header", "write its number"
            )
        step_of: Fraction | None = None
        if self.signal is not None:
            told = self.signal(str(column))
            if isinstance(told, str):
                self.fail((*path, "column"), f"{column!r} {told}", "name one that the DBC has")
            entry = {"unit": told[0], **entry}
            step_of = told[1]
        name = self.texts(entry, "channel", path, MAX_NAME, "")
        if not name:
            self.fail(
                (*path, "channel"),
                "is missing",
                "write a standard name (protocol_docs/vocabulary.md) or your own",
            )
        term = vocabulary().get(name)
        unit = self.texts(entry, "unit", path, MAX_UNIT, term.unit if term else "")
        target = self.texts(entry, "as", path, MAX_UNIT, term.unit if term else unit)
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
        factor = self.number(entry, "factor", path, "1")
        if not factor:
            self.fail((*path, "factor"), "is zero", "write what one unit of the file is worth")
        line = Line(factor, self.number(entry, "offset", path, "0")).then(step)
        if "resolution" not in entry and step_of is not None:
            entry = {**entry, "resolution": _decimal(step_of * abs(line.factor))}
        if "resolution" not in entry:
            self.fail(
                path,
                "has no resolution",
                f"write the smallest step to keep, in {target or 'its unit'}, such as 0.01",
            )
        multiplier, exponent = self.scale(entry, path)
        names = [stream.name for stream in streams]
        stream = self.texts(entry, "stream", path, MAX_NAME, names[0])
        if stream not in names:
            self.fail(
                (*path, "stream"),
                f"{stream!r} is no stream of this map",
                f"known: {', '.join(names)}",
            )
        channel = Channel(
            name,
            target,
            SampleType.I32,
            multiplier,
            0,
            exponent,
            self.whole(entry, "index", path, 0, 255, 0),
            self.texts(entry, "label", path, MAX_LABEL, ""),
        )
        quantum = Fraction(multiplier) * Fraction(10) ** exponent
        return ColumnPlan(
            column,
            channel,
            line.then(Line(1 / quantum)),
            names.index(stream),
            self.missing(entry, path, missing),
        )

    def scale(self, entry: Mapping[str, Any], path: KeyPath) -> tuple[int, int]:
        """Return the resolution as (multiplier, exponent of ten)."""
        value = self.number(entry, "resolution", path, "1")
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
