"""The tables of a map as they stand in its file, each key's rule beside its field.

What a key may hold is checked here; what only several of them together make wrong, by
``column_map``.
"""

import re
from collections.abc import Callable, Sequence
from dataclasses import MISSING, dataclass, field
from decimal import Decimal
from fractions import Fraction
from typing import Any

from ..limits import MAX_LABEL, MAX_NAME, MAX_TEXT, MAX_UNIT
from ..toml_tables import Rule, table_key
from .units import spelled

TIME_UNITS = {"s": 1_000_000, "ms": 1000, "us": 1, "µs": 1, "iso8601": 0}
"""Unit of a time column to µs in it; 0: a date and time by ISO 8601."""

FORMS = ("separated", "pairs", "json")
"""How a line holds its values: in order, as NAME=VALUE, or as a JSON object."""

_RATIO = re.compile(r"(-?[0-9]{1,20})/([1-9][0-9]{0,19})")


def number(value: Any) -> Fraction | None:
    """Return a number of a map, written as a decimal or as a ratio in quotes; None for no such."""
    if isinstance(value, str):
        found = _RATIO.fullmatch(value.replace(" ", ""))
        return Fraction(int(found[1]), int(found[2])) if found else None
    if isinstance(value, bool) or not isinstance(value, int | Decimal):
        return None
    if isinstance(value, Decimal) and not (value.is_finite() and abs(value.adjusted()) < 40):
        return None
    return Fraction(value)


def micros(value: Any) -> int | None:
    """Return a time in s of a map as µs, at least one of them or none; None for no such time."""
    time = number(value)
    if time is None or not (time == 0 or 1 <= time * 1_000_000 < 2**32):
        return None
    return round(time * 1_000_000)


def texts(value: Any) -> tuple[str, ...] | None:
    """Return a text or a list of texts as several; None for anything else."""
    several = [value] if isinstance(value, str) else value
    if isinstance(several, list) and all(isinstance(one, str) for one in several):
        return tuple(several)
    return None


def _tested(what: str, example: str, holds: str, test: Callable[[Any], bool], **more: Any) -> Any:
    return table_key(what, example, holds=holds, test=test, **more)


def _text(what: str, example: str, limit: int, default: str | None = None) -> Any:
    def fits(value: Any) -> bool:
        return isinstance(value, str) and len(value.encode(errors="replace")) <= limit

    return _tested(what, example, f"a text of at most {limit} bytes", fits, default=default)


def _sign(what: str, example: str, default: str, right: Callable[[str], bool]) -> Any:
    def one(value: Any) -> bool:
        return isinstance(value, str) and len(value) == 1 and right(value)

    return _tested(what, example, "one character of those", one, default=default)


def _whole(what: str, example: str, high: int, default: int | None = 0, low: int = 0) -> Any:
    return table_key(
        what, example, whole=True, low=low, low_allowed=True, high=high, default=default
    )


def _number(what: str, example: str, **more: Any) -> Any:
    holds = 'an ordinary number, or a ratio such as "5/18"'
    return _tested(what, example, holds, lambda value: number(value) is not None, **more)


def _seconds(what: str, example: str) -> Any:
    holds = "a time from 0.000001 to 4294 s"
    return _tested(what, example, holds, lambda value: micros(value) is not None)


def _a_column(value: Any) -> bool:
    whole = isinstance(value, int) and not isinstance(value, bool) and value >= 1
    return whole or (isinstance(value, str) and bool(value))


def _column(default: Any = None) -> Any:
    what, holds = "which column it is", "a title in double quotes, or a number from 1"
    return _tested(what, '"Voltage"', holds, _a_column, default=default)


def _missing() -> Any:
    what, holds = 'what stands for "no reading"', "a text or a list of texts"
    return _tested(what, '["-", "NaN"]', holds, lambda value: texts(value) is not None)


def _encodes(value: Any) -> bool:
    try:
        "".encode(value)
    except (LookupError, ValueError, TypeError):
        return False
    return len(value) <= 32


def _time_unit(value: Any) -> bool:
    return isinstance(value, str) and spelled(value) in TIME_UNITS


@dataclass(frozen=True, slots=True, kw_only=True)
class FileTable:
    """How the file, or a line, is written."""

    form: str = table_key(
        "how a line holds its values", '"pairs"', default="separated", choices=FORMS
    )
    delimiter: str = _sign(
        'what stands between values: "," ";" or "\\t"', '";"', ",", lambda c: c not in '"\r\n'
    )
    equals: str = _sign(
        'what stands between name and value: "=" or ":"',
        '":"',
        "=",
        lambda c: not (c.isalnum() or c.isspace()),
    )
    decimal: str = _sign('the decimal sign: "." or ","', '","', ".", lambda c: c in ".,")
    encoding: str = _tested(
        "how the text is encoded", '"latin-1"', "a text encoding", _encodes, default="utf-8-sig"
    )
    header: int = _whole("line of the titles from 1; 0 where there are none", "1", 10_000, 1)
    first_row: int | None = _whole("line of the first data", "2", 1_000_000, None)
    cells: int = _whole("how many values a line has", "5", 10_000)
    missing: Sequence[str] | None = _missing()


@dataclass(frozen=True, slots=True, kw_only=True)
class TimeTable:
    """Where the time is."""

    column: str | int | None = _column()
    unit: str | None = _tested(
        "in what the time is", '"s"', "one of: s, ms, us, iso8601", _time_unit
    )
    step: float | str | None = _seconds("time between rows in s, where no column tells it", "0.01")
    since_1970: bool = _tested(
        "whether it counts from 1970",
        "true",
        "true or false",
        lambda value: isinstance(value, bool),
        default=False,
    )
    start: str = _text("date and time of the first row", '"2026-05-02T08:30:00+02:00"', 64, "")


@dataclass(frozen=True, slots=True, kw_only=True)
class StreamTable:
    """One stream of the log."""

    name: str = table_key("its name", '"fast"', default=MISSING, limit=MAX_NAME)
    period: float | str | None = _seconds(
        "time between its samples in s, where it is regular", "0.01"
    )


@dataclass(frozen=True, slots=True, kw_only=True)
class ColumnTable:
    """One column, and the channel that it becomes."""

    column: str | int = _column(MISSING)
    channel: str = table_key(
        "a standard name (protocol_docs/vocabulary.md) or your own",
        '"pack_voltage"',
        default=MISSING,
        limit=MAX_NAME,
    )
    index: int = _whole("which motor, cell or sensor, from 1", "1", 255)
    label: str = _text("what people call it", '"left motor"', MAX_LABEL, "")
    unit: str | None = _text("the unit in the file", '"km/h"', MAX_UNIT)
    target: str | None = table_key(
        "the unit of the channel",
        '"m/s"',
        key="as",
        holds=f"a text of at most {MAX_UNIT} bytes",
        test=lambda value: isinstance(value, str) and len(value.encode()) <= MAX_UNIT,
    )
    factor: float | str = _number("what one unit of the file is worth", "0.001", default=1)
    offset: float | str = _number("what is added to it", "0", default=0)
    resolution: float | str | None = _number("the smallest step to keep", "0.01")
    stream: str | None = _text("the stream it goes into", '"fast"', MAX_NAME)
    missing: Sequence[str] | None = _missing()


@dataclass(frozen=True, slots=True, kw_only=True)
class MapTable:
    """A whole map."""

    board: str = _text("the board's name", '"Kestrel"', MAX_NAME, "")
    note: str = _text("a note that goes into the log", '"first ride"', MAX_TEXT, "")
    file: FileTable = field(
        default_factory=FileTable,
        metadata={"rule": Rule("how the file is written", item=FileTable)},
    )
    time: TimeTable = field(
        default_factory=TimeTable, metadata={"rule": Rule("where the time is", item=TimeTable)}
    )
    streams: tuple[StreamTable, ...] = table_key(
        "the streams", default=(), item=StreamTable, many=True
    )
    columns: tuple[ColumnTable, ...] = table_key(
        "the columns", default=(), item=ColumnTable, many=True
    )
    settings: Any = field(
        default_factory=dict, metadata={"rule": Rule("settings in use", item=dict)}
    )
