"""A column file as rows of times and raw samples, in bounded memory; every bad row reported."""

import csv
from collections.abc import Callable, Iterator, Mapping
from dataclasses import dataclass
from pathlib import Path
from typing import IO

from sagline_logger.format import SaglineError
from sagline_logger.format.columns.cells import (
    HELD,
    BadCell,
    Cell,
    cell_reader,
    iso_micros,
    time_reader,
)
from sagline_logger.format.columns.column_map import ColumnMap
from sagline_logger.format.columns.named_lines import BadLine, names_reader
from sagline_logger.format.progress import clear, tell

LONGEST_LINE = 1 << 20
"""Characters; what is longer is no line of a column file."""

Report = Callable[[SaglineError], None]


@dataclass(frozen=True)
class CellRow:
    """One row: its ``time`` in µs as the file has it, and the cells in the order of the map."""

    time: int
    cells: tuple[Cell, ...]


def raw_lines(file: IO[str], where: str, encoding: str) -> Iterator[str]:
    """Yield lines, none longer than LONGEST_LINE.

    Raises:
        SaglineError: a line is longer, or the bytes are not text in ``encoding``.
    """
    number = 0
    try:
        while line := file.readline(LONGEST_LINE):
            number += 1
            if len(line) == LONGEST_LINE:
                raise SaglineError(
                    f"a line of more than {LONGEST_LINE} characters",
                    where=f"{where}:{number}",
                    remedy="is it a column file?",
                )
            yield line
    except UnicodeError:
        raise SaglineError(
            f"not {encoding} text",
            where=f"{where}, after line {number}",
            remedy='give the right one in the map: [file] encoding = "latin-1"',
        ) from None
    except OSError as problem:
        raise SaglineError(
            f"cannot read ({problem.strerror})", where=where, remedy="check the disk"
        ) from None


def open_columns(path: Path, encoding: str) -> IO[str]:
    """Open a column file.

    Raises:
        SaglineError: it cannot be opened.
    """
    try:
        return path.open(encoding=encoding, newline="")
    except OSError as problem:
        raise SaglineError(
            f"cannot open the file ({problem.strerror})", where=str(path), remedy="check the path"
        ) from None


def split_rows(lines: Iterator[str], delimiter: str, where: str) -> Iterator[tuple[int, list[str]]]:
    """Yield (line from 1 on which the row ends, cells) of every row that is not blank."""
    rows = csv.reader(lines, delimiter=delimiter, skipinitialspace=True)
    while True:
        try:
            cells = next(rows)
        except StopIteration:
            return
        except csv.Error as problem:
            raise SaglineError(
                f"the row cannot be split ({problem})",
                where=f"{where}:{rows.line_num}",
                remedy="check the quotes, and the delimiter in the map",
            ) from None
        if cells:
            yield rows.line_num, cells


def named_rows(
    lines: Iterator[str], plan: ColumnMap, values: Callable[[str], Mapping[str, str]]
) -> Iterator[tuple[int, list[str] | BadLine]]:
    """Yield (line from 1, its texts: the time's, if the map has one, then those of the columns) of
    every line of pairs or JSON that is not blank; what a line does not hold is blank."""
    columns = [str(column.column) for column in plan.columns]
    times = [] if plan.time.column is None else [str(plan.time.column)]
    for at, line in enumerate(lines, 1):
        if not line.strip():
            continue
        try:
            found = values(line)
            if found.keys().isdisjoint(columns):
                raise BadLine("pairs", "holds none of the names in the map")
            if not found.keys() >= set(times):
                raise BadLine("time", f"has no {times[0]}")
        except BadLine as problem:
            yield at, problem
        else:
            yield at, [found.get(key, "") for key in (*times, *columns)]


def read_rows(path: Path, plan: ColumnMap, report: Report, what: str) -> Iterator[CellRow]:
    """Yield the rows of a file in order of time.

    What is wrong with a row goes to ``report``: one with a bad time, a time that goes back, or too
    few or too many cells is left out; a bad cell becomes "no reading".

    Raises:
        SaglineError: the file cannot be read, or lacks a column of the map.
    """
    where = str(path)
    with open_columns(path, plan.encoding) as file:
        size = path.stat().st_size
        lines = raw_lines(file, where, plan.encoding)
        named = names_reader(plan)
        rows: Iterator[tuple[int, list[str] | BadLine]]
        rows = (
            split_rows(lines, plan.delimiter, where)
            if named is None
            else named_rows(lines, plan, named)
        )
        titles: list[str] | None = None
        held = HELD // len(plan.columns)
        readers = [cell_reader(c.line, plan.decimal, c.missing, held) for c in plan.columns]
        read_time = time_reader(plan.time.unit, plan.decimal)
        places: list[int] = []
        time_place = -1
        count = 0
        last: int | None = None
        for line, cells in rows:
            if isinstance(cells, BadLine):
                if line >= plan.first_row:
                    count += 1
                    _tell(report, str(cells), f"{where}:{line}", "correct it or remove the line")
                continue
            if named is None and plan.header and titles is None and line >= plan.header:
                titles = [title.strip() for title in cells]
                if line > plan.header:
                    raise SaglineError(
                        "no titles on the line the map names",
                        where=f"{where}:{plan.header}",
                        remedy="correct [file] header in the map",
                    )
            if line < plan.first_row:
                continue
            if not places:
                width = len(titles) if titles is not None else len(cells)
                if named is None:
                    places, time_place = _places(plan, titles, width, where)
                else:
                    time_place = 0 if plan.time.column is not None else -1
                    places = list(range(time_place + 1, width))
            count += 1
            if not count & 1023:
                done = file.buffer.raw.tell()  # type: ignore[attr-defined]  # a real file
                tell(f"{what} {path.name}", done, size)
            here = f"{where}:{line}"
            if len(cells) < width or (len(cells) > width and any(map(str.strip, cells[width:]))):
                said = report, f"{len(cells)} cells where there should be {width}", here
                _tell(*said, "check for a cut line, a stray delimiter or a missing quote")
                continue
            try:
                if time_place < 0:
                    time = (count - 1) * plan.time.step
                else:
                    time = read_time(cells[time_place])
            except BadCell as problem:
                _tell(report, f"time: {problem}", here, "correct it or remove the row")
                continue
            if last is not None and time < last:
                _tell(report, "the time goes back", here, "sort the rows by time, or cut the file")
                continue
            last = time
            found: list[Cell] = []
            for reader, place, column in zip(readers, places, plan.columns, strict=True):
                try:
                    found.append(reader(cells[place]))
                except BadCell as problem:
                    found.append(None)
                    _tell(
                        report,
                        f"column {_name(column.column)}: {problem}",
                        here,
                        "correct it, or add it to missing in the map",
                    )
            yield CellRow(time, tuple(found))
        clear()


def start_wall(path: Path, plan: ColumnMap, first: int, last: int) -> tuple[int, bool]:
    """Return µs since 1970 UTC of the first row, and whether the file or the map tells it.

    Otherwise the file is taken to be saved when it ended.
    """
    if not plan.time.unit or plan.time.since_1970:
        return first, True
    if plan.time.start:
        return iso_micros(plan.time.start) or 0, True
    return path.stat().st_mtime_ns // 1000 - (last - first), False


def _tell(report: Report, what: str, where: str, remedy: str) -> None:
    report(SaglineError(what, where=where, remedy=remedy))


def _name(column: str | int) -> str:
    return f'"{column}"' if isinstance(column, str) else str(column)


def _places(
    plan: ColumnMap, titles: list[str] | None, width: int, where: str
) -> tuple[list[int], int]:
    """Return where the columns of the map are, and where the time is (-1: nowhere)."""

    def place(column: str | int) -> int:
        if isinstance(column, int):
            if column <= width:
                return column - 1
            what = f"there are {width} columns, the map asks for number {column}"
        else:
            found = [at for at, title in enumerate(titles or []) if title == column.strip()]
            if len(found) == 1:
                return found[0]
            what = f"{len(found) or 'no'} columns with the title {_name(column)}"
        shown = ", ".join(f"{at} {title}" for at, title in enumerate(titles or [], 1))
        raise SaglineError(
            what,
            where=where,
            remedy="name it by its number in the map"
            + (f"; the titles are: {shown[:500]}" if shown else ""),
        )

    time = -1 if plan.time.column is None else place(plan.time.column)
    return [place(column.column) for column in plan.columns], time
