"""One line that a board printed: its text to the cells of a map, or what is wrong with it."""

import csv
import re
from collections.abc import Mapping
from dataclasses import dataclass

from .cells import BLANK, HELD, BadCell, Cell, cell_reader, holds_number, time_reader
from .column_map import ColumnMap
from .named_lines import BadLine, names_reader

_CONTROL = re.compile("[\x00-\x08\x0e-\x1f\x7f\ufffd\ufffe\uffff]")
_CHANGED = 3
"""Lines in a row that agree on another count of cells before it is taken to be the new one."""


_MOST = 2**31 - 1
"""Greatest multiple of a resolution: the sample type is chosen before the first line is read."""


@dataclass(frozen=True, slots=True)
class LineRow:
    """One line: its ``time`` in µs as the board tells it (None: it does not), and its cells in the
    order of the map; BLANK for what the line does not hold."""

    time: int | None
    cells: tuple[Cell, ...]


class LineReader:
    """Reads line after line by a map; remembers the titles and how many cells a line has."""

    def __init__(self, plan: ColumnMap) -> None:
        self._plan = plan
        held = HELD // len(plan.columns)
        self._readers = [
            cell_reader(c.line, plan.decimal, c.missing, held, _MOST) for c in plan.columns
        ]
        self._read_time = time_reader(plan.time.unit, plan.decimal)
        self._keys = [column.column for column in plan.columns]
        self._time_key = plan.time.column
        self._missing = {word for column in plan.columns for word in column.missing}
        self._wanted = {*self._keys, *([self._time_key] if self._time_key is not None else [])}
        self._titles: dict[str, int] = {}
        self._places: list[int] | None = None
        self._time_place = -1
        self._width = plan.cells
        self._other, self._agreed = 0, 0
        self._named = names_reader(plan)
        if not any(isinstance(key, str) for key in self._wanted):
            self._place_all()

    def read(self, raw: bytes) -> LineRow | None:
        """Return the row in ``raw``, a line without its end; None for a line of titles or blanks.

        Raises:
            BadLine: it does not fit the map.
        """
        try:
            text = raw.decode(self._plan.encoding).removeprefix("\ufeff").strip()
        except UnicodeError:
            raise BadLine("text", f"not {self._plan.encoding.removesuffix('-sig')} text") from None
        if not text:
            return None
        if _CONTROL.search(text):
            raise BadLine("text", "holds bytes that are no text")
        if self._named is not None:
            return self._row_of_names(self._named(text))
        return self._row_of_cells(self._split(text))

    def titles(self, raw: bytes) -> bool:
        """Take ``raw`` for a line of titles, if it is one."""
        try:
            return self._named is None and self.read(raw) is None
        except BadLine:
            return False

    def _split(self, text: str) -> list[str]:
        delimiter = self._plan.delimiter
        if delimiter == " ":
            return text.split()
        if '"' not in text:
            return text.split(delimiter)
        try:
            return next(csv.reader([text], delimiter=delimiter, skipinitialspace=True))
        except (csv.Error, StopIteration):
            raise BadLine("cells", "its quotes do not match") from None

    def _row_of_cells(self, cells: list[str]) -> LineRow | None:
        if self._plan.header and self._are_titles(cells):
            return None
        if self._places is None:
            raise BadLine("titles", "no line of titles has come yet; the map goes by titles")
        if len(cells) != self._width and not self._takes_width(len(cells)):
            raise BadLine("cells", f"{len(cells)} values where there should be {self._width}")
        self._agreed = 0
        time = None
        if self._time_place >= 0:
            time = self._time(cells[self._time_place])
        found: list[Cell] = []
        for reader, place in zip(self._readers, self._places, strict=True):
            try:
                found.append(reader(cells[place]))
            except BadCell as problem:
                raise BadLine("number", f"value {place + 1}: {problem}") from None
        return LineRow(time, tuple(found))

    def _takes_width(self, width: int) -> bool:
        """Whether lines of ``width`` cells are right, from now on."""
        if self._plan.cells or self._titles:
            return False
        needed = max([*(self._places or ()), self._time_place])
        if width <= needed:
            return False
        self._agreed = self._agreed + 1 if width == self._other else 1
        self._other = width
        if self._width and self._agreed < _CHANGED:
            return False
        self._width = width
        return True

    def _are_titles(self, cells: list[str]) -> bool:
        """Whether this is a line of titles; if so, go by them."""
        if any(holds_number(cell.strip(), self._plan.decimal) for cell in cells):
            return False
        titles = [cell.strip() for cell in cells]
        if any(title.lower() in self._missing for title in titles):
            return False
        by_title = [key for key in self._wanted if isinstance(key, str)]
        if any(titles.count(key) != 1 for key in by_title):
            return False
        if not by_title and len(titles) != self._width:
            # Columns go by number, and nothing says what the titles are: words, enough of them.
            return not self._width and all(titles) and len(titles) >= len(self._wanted)
        self._titles = {title: at for at, title in enumerate(titles)}
        if by_title:
            self._place_all()
            self._width = len(titles)
        return True

    def _place_all(self) -> None:
        def place(key: str | int) -> int:
            return key - 1 if isinstance(key, int) else self._titles[key]

        self._places = [place(key) for key in self._keys]
        self._time_place = -1 if self._time_key is None else place(self._time_key)

    def _row_of_names(self, values: Mapping[str, str]) -> LineRow:
        if not any(key in values for key in self._keys):
            raise BadLine("pairs", "holds none of the names in the map")
        time = None
        if self._time_key is not None:
            if str(self._time_key) not in values:
                raise BadLine("time", f"has no {self._time_key}")
            time = self._time(values[str(self._time_key)])
        found: list[Cell] = []
        for reader, key in zip(self._readers, self._keys, strict=True):
            text = values.get(str(key))
            try:
                found.append(BLANK if text is None else reader(text))
            except BadCell as problem:
                raise BadLine("number", f"{key}: {problem}") from None
        return LineRow(time, tuple(found))

    def _time(self, text: str) -> int:
        try:
            return self._read_time(text)
        except BadCell as problem:
            raise BadLine("time", f"time: {problem}") from None
