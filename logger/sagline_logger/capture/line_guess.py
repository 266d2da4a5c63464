"""A first map for the lines that a board prints, from what was heard of them for a while."""

from collections import Counter
from collections.abc import Sequence
from dataclasses import dataclass

from ..format.columns.cells import BadCell, number
from ..format.columns.guess import (
    GuessedColumn,
    column_titled,
    is_number,
    lines_map_text,
    time_column,
)
from ..format.columns.named_lines import MOSTLY, told_form
from ..format.columns.time_guess import guess_time

_FEWEST = 3
_CLOSE = 0.15  # by which a clock may differ from the host's over so short a time
_UNITS = ((1.0, "s"), (1e3, "ms"), (1e6, "us"))


@dataclass(frozen=True)
class HeardLine:
    """A line without its end, and when it came, s."""

    at: float
    text: str


@dataclass(frozen=True)
class LinesTold:
    """``words`` say in what form the lines are; ``map`` is the text of a first map."""

    words: str
    map: str


def tell_lines(lines: Sequence[HeardLine], board: str) -> LinesTold | None:
    """Return what the lines are, and a map of them; None where no form fits most of them."""
    if len(lines) < _FEWEST:
        return None
    return _named(lines, board) or _separated(lines, board)


def _named(lines: Sequence[HeardLine], board: str) -> LinesTold | None:
    """Try JSON objects, then pairs with each sign that may part them."""
    form = told_form([line.text for line in lines])
    if form is None:
        return None
    found = [(line.at, values) for line in lines if (values := form.numbers(line.text))]
    names = list(dict.fromkeys(name for _, values in found for name in values))
    columns = [_column(name, [values.get(name, "") for _, values in found]) for name in names]
    clock = _clock(columns, [at for at, _ in found], [values for _, values in found], names)
    words = "JSON objects" if form.form == "json" else f"NAME{form.equals}VALUE pairs"
    text = lines_map_text(board, form.shape, columns, clock, by_name=True)
    return LinesTold(f"{words}, {len(names)} names", text)


def _separated(lines: Sequence[HeardLine], board: str) -> LinesTold | None:
    found: tuple[int, str, str] | None = None
    for delimiter in ",;\t| ":
        decimal = "," if delimiter != "," and any(_has_comma(one.text) for one in lines) else "."
        table = [_split(line.text, delimiter) for line in lines]
        numbers = sum(is_number(cell, decimal) for row in table for cell in row)
        _, times = Counter(len(row) for row in table).most_common(1)[0]
        if times >= MOSTLY * len(lines) and numbers and (found is None or numbers > found[0]):
            found = numbers, delimiter, decimal
    if found is None:
        return None
    _, delimiter, decimal = found
    split = [(line.at, _split(line.text, delimiter)) for line in lines]
    width = Counter(len(row) for _, row in split).most_common(1)[0][0]
    split = [(at, row) for at, row in split if len(row) == width]
    titles = next((row for _, row in split if not any(is_number(c, decimal) for c in row)), None)
    rows = [(at, row) for at, row in split if any(is_number(cell, decimal) for cell in row)]
    columns = [
        _column(titles[at] if titles else "", [row[at] for _, row in rows], decimal)
        for at in range(width)
    ]
    shape: dict[str, str | int] = {
        "delimiter": delimiter,
        "decimal": decimal,
        "header": 1,
        "cells": width,
    }
    values = [dict(zip(map(str, range(width)), row, strict=True)) for _, row in rows]
    clock = _clock(columns, [at for at, _ in rows], values, [str(at) for at in range(width)])
    words = f"{width} values, separated by {_WORDS.get(delimiter, delimiter)}"
    words += ", with a line of titles" if titles else ", no titles heard"
    return LinesTold(words, lines_map_text(board, shape, columns, clock, by_name=False))


_WORDS = {",": "commas", ";": "semicolons", "\t": "tabs", " ": "blanks", "|": "bars"}


def _split(text: str, delimiter: str) -> list[str]:
    parts = text.split() if delimiter == " " else text.split(delimiter)
    return [part.strip() for part in parts]


def _has_comma(text: str) -> bool:
    parts = text.replace(";", " ").split()
    return any("," in part and is_number(part, ",") for part in parts)


def _column(title: str, cells: Sequence[str], decimal: str = ".") -> GuessedColumn:
    column = column_titled(title)
    for cell in cells:
        column.cells.append(cell)
        column.read(cell, decimal)
    return column


def _clock(
    columns: Sequence[GuessedColumn],
    arrivals: Sequence[float],
    rows: Sequence[dict[str, str]],
    names: Sequence[str],
) -> tuple[int, str, str] | None:
    """Return which column is the board's clock, its unit, and why.

    A clock falls at a restart only, and rises by one of a few steady rates: that tells it and its
    unit better than a title.
    """
    titled = time_column(columns)
    order = ([titled] if titled is not None else []) + list(range(len(columns)))
    for at in order:
        told = [_plain(row.get(names[at], "")) for row in rows]
        known = [(when, one) for when, one in zip(arrivals, told, strict=True) if one is not None]
        if len(known) < _FEWEST or len(known) < MOSTLY * len(rows):
            continue
        known = _longest_rise(known)
        if len(known) < MOSTLY * len(rows):
            continue
        gained = known[-1][1] - known[0][1]
        span = known[-1][0] - known[0][0]
        if span > 0.5 and gained > 0:
            for rate, unit in _UNITS:
                if abs(gained / span / rate - 1) <= _CLOSE:
                    why = f"the board's clock: it gains {gained / span:.4g} a second"
                    return at, unit, why
        if at == titled:
            times = [number(one, ".") for one in columns[at].cells if is_number(one, ".")]
            guess = guess_time(times, columns[at].readings)
            return at, guess.unit, f"the board's clock, by its title; in {guess.why}"
    return None


def _longest_rise(known: list[tuple[float, float]]) -> list[tuple[float, float]]:
    """Return the longest stretch in which the second numbers never fall: a board may start anew."""
    best: list[tuple[float, float]] = []
    stretch: list[tuple[float, float]] = []
    for one in known:
        if stretch and one[1] < stretch[-1][1]:
            stretch = []
        stretch.append(one)
        best = max(best, stretch, key=len)
    return list(best)


def _plain(text: str) -> float | None:
    try:
        return float(number(text, "."))
    except BadCell:
        return None
