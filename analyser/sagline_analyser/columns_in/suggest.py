"""A map to start from, guessed from the titles and the cells of a column file."""

import itertools
import json
import re
from collections.abc import Sequence
from dataclasses import dataclass, field
from decimal import Decimal
from pathlib import Path

from sagline_logger.format import SaglineError, vocabulary
from sagline_logger.format.columns.cells import BadCell, iso_micros, number
from sagline_logger.format.columns.column_map import MISSING, TIME_UNITS
from sagline_logger.format.columns.units import conversion, spelled

from ..progress import Progress
from .rows import open_columns, raw_lines, split_rows
from .time_guess import guess_time

ROWS = 1000
"""Rows from which the shape of the file is guessed; the digits are read from all of them."""
DELIMITERS = ",;\t|"


@dataclass
class _Column:
    """A column: its title, that without the unit as a name, and what all of its cells are like."""

    title: str
    name: str
    unit: str
    cells: list[str] = field(default_factory=list)
    """Of the first rows."""
    numeric: bool = True
    readings: int = 0
    finest: int = 0
    """Least exponent of ten of any reading, not above 0."""

    def read(self, cell: str, decimal: str) -> None:
        if not self.numeric or not cell or cell.lower() in MISSING:
            return
        try:
            exponent = number(cell, decimal).as_tuple().exponent
        except BadCell:
            self.numeric = False
            return
        self.readings += 1
        self.finest = min(self.finest, max(exponent, -9) if isinstance(exponent, int) else 0)


def suggest(path: Path) -> str:
    """Return the text of a map for ``path``; a guess, to be read before it is used.

    Raises:
        SaglineError: the file cannot be read, or has no two rows of several columns.
    """
    where, encoding = str(path), "utf-8-sig"
    with open_columns(path, encoding) as file:
        lines = list(itertools.islice(raw_lines(file, where, encoding), ROWS + 1))
    delimiter, rows = max(
        ((one, [cells for _, cells in split_rows(iter(lines), one, where)]) for one in DELIMITERS),
        key=lambda pair: _agreement(pair[1]),
    )
    if len(rows) < 2 or len(rows[0]) < 2:
        raise SaglineError(
            "no table of two columns and two rows", where=where,
            remedy="write the map by hand: docs/import.md",
        )  # fmt: skip
    has_header = not any(_is_number(cell, ".") for cell in rows[0])
    titles = rows[0] if has_header else [""] * len(rows[0])
    body = [row for row in rows[has_header:] if len(row) == len(titles)]
    comma = delimiter != "," and any(
        re.fullmatch(r"-?\d+,\d+", cell.strip()) for row in body for cell in row
    )
    decimal = "," if comma else "."
    columns = [_column(title) for title in titles]
    with open_columns(path, encoding) as file:
        progress = Progress(f"looking at {path.name}", path.stat().st_size)
        rows_of_all = split_rows(raw_lines(file, where, encoding), delimiter, where)
        for count, (_, row) in enumerate(rows_of_all):
            if len(row) == len(columns) and (count or not has_header):
                for column, cell in zip(columns, row, strict=True):
                    if count < ROWS:
                        column.cells.append(cell.strip())
                    column.read(cell.strip(), decimal)
            if not count & 1023:
                progress.at(file.buffer.raw.tell())  # type: ignore[attr-defined]  # a real file
        progress.clear()
    return _text(path, delimiter, decimal, has_header, columns)


def _agreement(rows: Sequence[Sequence[str]]) -> int:
    """Return how many rows have the commonest count of cells, for a count above one."""
    counts = [len(row) for row in rows if len(row) > 1]
    return max((counts.count(one) for one in set(counts)), default=0)


def _is_number(text: str, decimal: str) -> bool:
    try:
        number(text.strip(), decimal)
    except BadCell:
        return False
    return True


def _column(title: str) -> _Column:
    found = re.fullmatch(r"(.*?)\s*[\[(]\s*([^\])]*)\s*[\])]\s*", title.strip())
    plain, unit = (found[1], spelled(found[2])) if found else (title.strip(), "")
    words = re.findall(r"[a-z0-9]+", re.sub(r"([a-z])([A-Z])", r"\1 \2", plain).lower())
    return _Column(title.strip(), "_".join(words), unit)


_TIME_NAMES = ("time", "t", "timestamp", "date", "datetime", "elapsed", "uptime", "clock", "millis",
               "micros", "seconds", "milliseconds", "microseconds", "ms", "us")  # fmt: skip
_TIME_WORDS = {
    "s": "s", "sec": "s", "seconds": "s", "ms": "ms", "millis": "ms", "milliseconds": "ms",
    "us": "us", "micros": "us", "microseconds": "us",
}  # fmt: skip
"""Last word of a title that says the unit."""


def _is_time(column: _Column) -> bool:
    stem, _, last = column.name.rpartition("_")
    return column.name in _TIME_NAMES or (stem in _TIME_NAMES and last in _TIME_WORDS)


def _time(time: _Column, named: bool, decimal: str) -> tuple[str, list[str]]:
    """Return the unit of the column of times, and the lines of the map that say it."""
    assumed = [] if named else ["# assumed: the first column is the time, as no title says so"]
    numeric = [cell for cell in time.cells if _is_number(cell, decimal)]
    if time.cells and not numeric and all(iso_micros(c) is not None for c in time.cells):
        return "iso8601", [*assumed, 'unit = "iso8601"']
    last = time.name.rpartition("_")[2]
    stated = {"µs": "us"}.get(time.unit, time.unit if time.unit in TIME_UNITS else "")
    stated = stated or _TIME_WORDS.get(last, "")
    guess = guess_time([number(cell, decimal) for cell in numeric], time.readings)
    unit = stated or guess.unit
    if not stated:
        assumed.append(f"# assumed: {guess.why}")
    lines = [*assumed, f"unit = {_quoted(unit)}"]
    if guess.since_1970 and unit == guess.unit:
        lines.append("since_1970 = true")
    return unit, lines


def _text(
    path: Path, delimiter: str, decimal: str, has_header: bool, columns: list[_Column]
) -> str:  # fmt: skip
    at = next((i for i, c in enumerate(columns) if _is_time(c)), 0)
    time = columns[at]
    unit, said = _time(time, _is_time(time), decimal)
    lines = [
        f"# A guess from {_quoted(path.name)}: read it before you use it.",
        "# What each key means: docs/import.md",
        f"board = {_quoted(path.stem)}",
        "", "[file]", f"delimiter = {_quoted(delimiter)}", f"decimal = {_quoted(decimal)}",
        f"header = {int(has_header)}",
        "", "[time]", f"column = {_place(time, at)}", *said,
    ]  # fmt: skip
    period = _period(time, unit, decimal)
    if period:
        lines += ["", "[[streams]]", 'name = "table"', f"period = {period:f}"]
    taken: set[str] = set()
    for place, column in enumerate(columns):
        if place != at:
            lines += ["", *_entry(column, place, taken)]
    return "\n".join(lines) + "\n"


def _period(time: _Column, unit: str, decimal: str) -> Decimal:
    """Return the time between rows in s; 0 where it varies, and for ISO 8601."""
    micros = TIME_UNITS.get(unit, 0)
    if not micros or not all(_is_number(cell, decimal) for cell in time.cells):
        return Decimal(0)
    times = [number(cell, decimal) * micros for cell in time.cells]
    steps = {later - earlier for earlier, later in itertools.pairwise(times)}
    step = min(steps, default=Decimal(0))
    regular = step > 0 and step == int(step) and all(one % step == 0 for one in steps)
    return step / 1_000_000 if regular else Decimal(0)


def _entry(column: _Column, place: int, taken: set[str]) -> list[str]:
    if not (column.numeric and column.readings):
        return [f"# {_quoted(column.title)} is left out: not all of its cells are numbers"]
    name, index = column.name or f"column_{place + 1}", 0
    stem, _, tail = name.rpartition("_")
    if name not in vocabulary() and stem in vocabulary() and tail.isdigit() and int(tail) < 256:
        name, index = stem, int(tail)
    term = vocabulary().get(name)
    unit = column.unit if column.unit.isprintable() else ""
    if (
        len(name) > 48
        or f"{name} {index}" in taken
        or (term and conversion(unit or term.unit, term.unit) is None)
    ):
        name, index, term = f"column_{place + 1}", 0, None
    taken.add(f"{name} {index}")
    entry = ["[[columns]]", f"column = {_place(column, place)}", f"channel = {_quoted(name)}"]
    entry += [f"index = {index}"] if index else []
    shown = unit or (term.unit if term else "")
    entry += [f"unit = {_quoted(shown)}"] if shown and len(shown.encode()) <= 16 else []
    step = conversion(shown, term.unit) if term else None
    finest = Decimal(1).scaleb(column.finest)
    if step is not None and step.factor != 1:
        exact = abs(float(finest) * float(step.factor))
        finest = Decimal(1).scaleb(Decimal(repr(exact)).adjusted())
        entry.append(f"# converted to {term.unit if term else ''}:")
    entry.append(f"resolution = {finest:f}")
    return entry


def _place(column: _Column, at: int) -> str:
    return _quoted(column.title) if column.title else str(at + 1)


def _quoted(text: str) -> str:
    # A JSON string is a TOML basic string, but for DEL.
    return json.dumps(text, ensure_ascii=False).replace("\x7f", "\\u007f")
