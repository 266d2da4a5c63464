"""A map to start from, guessed from the titles and the cells of a column file."""

import itertools
import re
from collections.abc import Sequence
from pathlib import Path

from sagline_logger.format import SaglineError
from sagline_logger.format.columns.guess import (
    DELIMITERS,
    GuessedColumn,
    column_titled,
    is_number,
    map_text,
)
from sagline_logger.format.columns.named_lines import NamedForm, told_form
from sagline_logger.format.progress import clear, tell

from .rows import open_columns, raw_lines, split_rows

ROWS = 1000
"""Rows from which the shape of the file is guessed; the digits are read from all of them."""


def suggest(path: Path) -> str:
    """Return the text of a map for ``path``; a guess, to be read before it is used.

    Raises:
        SaglineError: the file cannot be read, or has no two rows of several columns.
    """
    where, encoding = str(path), "utf-8-sig"
    with open_columns(path, encoding) as file:
        lines = list(itertools.islice(raw_lines(file, where, encoding), ROWS + 1))
    if (form := told_form([line.strip() for line in lines if line.strip()])) is not None:
        return _suggest_names(path, form)
    delimiter, rows = max(
        ((one, [cells for _, cells in split_rows(iter(lines), one, where)]) for one in DELIMITERS),
        key=lambda pair: _agreement(pair[1]),
    )
    if len(rows) < 2 or len(rows[0]) < 2:
        raise SaglineError(
            "no table of two columns and two rows",
            where=where,
            remedy="write the map by hand: docs/import.md",
        )
    has_header = not any(is_number(cell, ".") for cell in rows[0])
    titles = rows[0] if has_header else [""] * len(rows[0])
    body = [row for row in rows[has_header:] if len(row) == len(titles)]
    comma = delimiter != "," and any(
        re.fullmatch(r"-?\d+,\d+", cell.strip()) for row in body for cell in row
    )
    decimal = "," if comma else "."
    columns = [column_titled(title) for title in titles]
    with open_columns(path, encoding) as file:
        size = path.stat().st_size
        rows_of_all = split_rows(raw_lines(file, where, encoding), delimiter, where)
        for count, (_, row) in enumerate(rows_of_all):
            if len(row) == len(columns) and (count or not has_header):
                for column, cell in zip(columns, row, strict=True):
                    if count < ROWS:
                        column.cells.append(cell.strip())
                    column.read(cell.strip(), decimal)
            if not count & 1023:
                done = file.buffer.raw.tell()  # type: ignore[attr-defined]  # a real file
                tell(f"looking at {path.name}", done, size)
        clear()
    shape: dict[str, str | int] = {
        "delimiter": delimiter,
        "decimal": decimal,
        "header": int(has_header),
    }
    return map_text(path.name, path.stem, shape, columns)


def _suggest_names(path: Path, form: NamedForm) -> str:
    """Return the map of a file of which each line names its values."""
    columns: dict[str, GuessedColumn] = {}
    with open_columns(path, "utf-8-sig") as file:
        size = path.stat().st_size
        for count, line in enumerate(raw_lines(file, str(path), "utf-8-sig")):
            for name, text in form.texts(line.strip()).items():
                column = columns.setdefault(name, column_titled(name))
                if count < ROWS:
                    column.cells.append(text)
                column.read(text, ".")
            if not count & 1023:
                done = file.buffer.raw.tell()  # type: ignore[attr-defined]  # a real file
                tell(f"looking at {path.name}", done, size)
        clear()
    return map_text(path.name, path.stem, form.shape, list(columns.values()))


def _agreement(rows: Sequence[Sequence[str]]) -> int:
    """Return how many rows have the commonest count of cells, for a count above one."""
    counts = [len(row) for row in rows if len(row) > 1]
    return max((counts.count(one) for one in set(counts)), default=0)
