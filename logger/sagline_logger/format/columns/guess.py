"""A map to start from, guessed from titles and cells, each guess marked as one."""

import itertools
import json
import math
import re
from collections.abc import Mapping, Sequence
from dataclasses import dataclass, field, replace
from decimal import Decimal

from ..near_names import nearest_name
from ..vocabulary import vocabulary
from .cells import BadCell, holds_number, iso_micros, number
from .column_map import MISSING
from .map_tables import TIME_UNITS
from .time_guess import guess_time
from .units import conversion, spelled

DELIMITERS = ",;\t|"


@dataclass
class GuessedColumn:
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
    why: str = ""
    """Why it is taken for the channel that it is, where its title does not say so itself."""

    @property
    def left_out(self) -> str:
        """Why no channel can be made of it; empty where one can."""
        if not self.numeric:
            return "not all of its cells are numbers"
        return "" if self.readings else "no cell of it holds a number"

    def read(self, cell: str, decimal: str) -> None:
        """Take one more cell of the column into account."""
        if not self.numeric or not cell or cell.lower() in MISSING:
            return
        try:
            exponent = number(cell, decimal).as_tuple().exponent
        except BadCell:
            self.numeric = False
            return
        self.readings += 1
        self.finest = min(self.finest, max(exponent, -9) if isinstance(exponent, int) else 0)


def is_number(text: str, decimal: str) -> bool:
    """Whether ``text`` is a number, with or without blanks around it."""
    return holds_number(text.strip(), decimal)


def column_titled(title: str) -> GuessedColumn:
    """Return a column, with no cells read yet."""
    found = re.fullmatch(r"(.*?)\s*[\[(]\s*([^\])]*)\s*[\])]\s*", title.strip())
    plain, unit = (found[1], spelled(found[2])) if found else (title.strip(), "")
    words = re.findall(r"[a-z0-9]+", re.sub(r"([a-z])([A-Z])", r"\1 \2", plain).lower())
    # Else a comment of the map could hold what TOML allows in none.
    return GuessedColumn(title.strip(), "_".join(words), unit if unit.isprintable() else "")


_TIME_NAMES = (
    "time",
    "t",
    "timestamp",
    "date",
    "datetime",
    "elapsed",
    "uptime",
    "clock",
    "millis",
    "micros",
    "seconds",
    "milliseconds",
    "microseconds",
    "ms",
    "us",
)
_TIME_WORDS = {
    "s": "s",
    "sec": "s",
    "seconds": "s",
    "ms": "ms",
    "millis": "ms",
    "milliseconds": "ms",
    "us": "us",
    "micros": "us",
    "microseconds": "us",
}
"""Last word of a title that says the unit."""


def _is_time(column: GuessedColumn) -> bool:
    stem, _, last = column.name.rpartition("_")
    return column.name in _TIME_NAMES or (stem in _TIME_NAMES and last in _TIME_WORDS)


def _time(time: GuessedColumn, named: bool, decimal: str) -> tuple[str, list[str]]:
    """Return the unit of the column of times, and the lines of the map that say it."""
    assumed = [] if named else ["# assumed: the first column is the time, as no title says so"]
    numeric = [cell for cell in time.cells if is_number(cell, decimal)]
    if time.cells and not numeric and all(iso_micros(c) is not None for c in time.cells):
        return "iso8601", [*assumed, 'unit = "iso8601"']
    last = time.name.rpartition("_")[2]
    stated = {"µs": "us"}.get(time.unit, time.unit if time.unit in TIME_UNITS else "")
    stated = stated or _TIME_WORDS.get(last, "")
    guess = guess_time([number(cell, decimal) for cell in numeric], time.readings)
    unit = stated or guess.unit
    if not stated:
        assumed.append(f"# assumed: {guess.why}")
    lines = [*assumed, f"unit = {quoted(unit)}"]
    if guess.since_1970 and unit == guess.unit:
        lines.append("since_1970 = true")
    return unit, lines


def time_column(columns: Sequence[GuessedColumn]) -> int | None:
    """Return which column is the time by its title; None where none is."""
    return next((at for at, column in enumerate(columns) if _is_time(column)), None)


def map_text(
    source: str,
    board: str,
    shape: Mapping[str, str | int],
    columns: Sequence[GuessedColumn],
    read_more: str = "docs/import.md",
) -> str:
    """Return the map of a column file whose ``shape`` are the keys of its [file] table."""
    decimal = str(shape["decimal"])
    at = time_column(columns) or 0
    time = columns[at]
    unit, said = _time(time, _is_time(time), decimal)
    lines = [*_top(source, board, shape, read_more)]
    lines += ["", "[time]", f"column = {_place(time, at)}", *said]
    lines += _stream(time, unit, decimal)
    taken: set[str] = set()
    for place, column in enumerate(columns):
        if place != at:
            lines += ["", *_entry(column, _place(column, place), place, taken)]
    return "\n".join(lines) + "\n"


def lines_map_text(
    board: str,
    shape: Mapping[str, str | int],
    columns: Sequence[GuessedColumn],
    clock: tuple[int, str, str] | None,
    by_name: bool,
) -> str:
    """Return the map of lines that a board prints.

    ``clock`` is (column, unit, why) of the board's own, None where it sends none.  Columns go by
    name where each line holds the names, otherwise by number: titles may come but once.
    """
    decimal = str(shape["decimal"])

    def place(at: int) -> str:
        return quoted(columns[at].title) if by_name else str(at + 1)

    lines = [*_top("what came", board, shape, "docs/any_board.md")]
    if clock is None:
        lines += ["", "# No clock of the board's own was found: the time is that of arrival."]
    else:
        at, unit, why = clock
        lines += [
            "",
            "[time]",
            f"column = {place(at)}",
            f"# {GUESS}: {why}",
            f"unit = {quoted(unit)}",
            *_stream(columns[at], unit, decimal),
        ]
    taken: set[str] = set()
    for at, column in enumerate(columns):
        if clock is None or at != clock[0]:
            meant = _meant(column)
            lines += ["", *_entry(meant, place(at), at, taken)]
            if meant.left_out:
                continue
            if meant.title and not by_name:
                lines.append(f"# its title: {quoted(meant.title)}")
            if meant.why:
                lines.append(f"# {GUESS}: {meant.why}")
            elif not meant.unit and _standard(meant.name) is None:
                lines.append(f"# {GUESS}: a channel of your own; give it its name and unit")
    return "\n".join(lines) + "\n"


GUESS = "GUESS"
"""What marks a guess in a map for lines."""


def _top(source: str, board: str, shape: Mapping[str, str | int], read_more: str) -> list[str]:
    told = (f"{key} = {quoted(one) if isinstance(one, str) else one}" for key, one in shape.items())
    return [
        f"# A guess from {quoted(source) if source != 'what came' else source}: read it before you "
        "use it.",
        f"# What each key means: {read_more}",
        f"board = {quoted(board)}",
        "",
        "[file]",
        *told,
    ]


def _stream(time: GuessedColumn, unit: str, decimal: str) -> list[str]:
    period = _period(time, unit, decimal)
    return ["", "[[streams]]", 'name = "table"', f"period = {period:f}"] if period else []


_SHORT = {
    short: meant
    for meant, words in (
        (("pack_voltage", "V"), "v u volt volts voltage vbat vbatt vin vpack batt_v v_bat v_in"),
        (("pack_voltage", "V"), "bat_v ubat battery_voltage"),
        (("battery_current", "A"), "i amp amps current ibat iin i_bat i_in batt_a bat_a"),
        (("motor_current", "A"), "imot i_mot i_motor motor_a phase_current current_motor"),
        (("motor_speed", "r/min"), "rpm motor_rpm"),
        (("motor_electrical_speed", "r/min"), "erpm e_rpm"),
        (("duty_cycle", "1"), "duty pwm"),
        (("motor_temperature", "°C"), "tmot t_mot t_motor tmotor temp_motor motor_temp"),
        (("controller_temperature", "°C"), "tfet t_fet temp_fet fet_temp temp_mos tesc"),
        (("controller_temperature", "°C"), "controller_temp temp_controller"),
        (("battery_temperature", "°C"), "tbat t_bat temp_bat bat_temp batt_temp"),
        (("speed", "km/h"), "kmh kph speed_kmh speed_kph"),
        (("speed", "mph"), "mph speed_mph"),
        (("throttle", "1"), "thr throttle_in"),
    )
    for short in words.split()
}
"""Short names that builders use, and what they mostly mean (common practice, no source)."""


def _standard(name: str, most: float = 255) -> tuple[str, int] | None:
    """Return the standard channel and index (up to ``most``) that a name is; None for others."""
    if name in vocabulary():
        return name, 0
    stem, _, tail = name.rpartition("_")
    if stem in vocabulary() and tail.isdigit() and int(tail) <= most:
        return stem, int(tail)
    return None


def _meant(column: GuessedColumn) -> GuessedColumn:
    """Return the column with the standard channel and unit that its title may mean."""
    if _standard(column.name, math.inf):  # one of too large an index is near no other
        return column
    found = re.fullmatch(r"(?:c|cell|v_?cell|cell_?v)_?(\d{1,2})", column.name)
    if found and int(found[1]):
        why = f"a cell's voltage in V, by the title {quoted(column.title)}"
        return replace(
            column, name=f"cell_voltage_{int(found[1])}", unit=column.unit or "V", why=why
        )
    short = _SHORT.get(column.name)
    if short is None and (near := nearest_name(column.name)) is not None:
        name = f"{near[0]}_{near[1]}" if near[1] else near[0]
        short = name, vocabulary()[near[0]].unit
    if short is None:
        return column
    unit = column.unit or short[1]
    why = f"{short[0]} in {unit}, by the title {quoted(column.title)}"
    return replace(column, name=short[0], unit=unit, why=why)


def _period(time: GuessedColumn, unit: str, decimal: str) -> Decimal:
    """Return the time between rows in s; 0 where it varies, and for ISO 8601."""
    micros = TIME_UNITS.get(unit, 0)
    if not micros or not all(is_number(cell, decimal) for cell in time.cells):
        return Decimal(0)
    times = [number(cell, decimal) * micros for cell in time.cells]
    steps = {later - earlier for earlier, later in itertools.pairwise(times)}
    step = min(steps, default=Decimal(0))
    regular = step > 0 and step == int(step) and all(one % step == 0 for one in steps)
    return step / 1_000_000 if regular else Decimal(0)


def _entry(column: GuessedColumn, where: str, place: int, taken: set[str]) -> list[str]:
    if column.left_out:
        return [f"# {quoted(column.title)} is left out: {column.left_out}"]
    name = column.name or f"column_{place + 1}"
    name, index = _standard(name) or (name, 0)
    term = vocabulary().get(name)
    unit = column.unit
    if (
        len(name) > 48
        or f"{name} {index}" in taken
        or (term and conversion(unit or term.unit, term.unit) is None)
    ):
        name, index, term = f"column_{place + 1}", 0, None
    taken.add(f"{name} {index}")
    entry = ["[[columns]]", f"column = {where}", f"channel = {quoted(name)}"]
    entry += [f"index = {index}"] if index else []
    shown = unit or (term.unit if term else "")
    entry += [f"unit = {quoted(shown)}"] if shown and len(shown.encode()) <= 16 else []
    step = conversion(shown, term.unit) if term else None
    finest = Decimal(1).scaleb(column.finest)
    if step is not None and step.factor != 1:
        exact = abs(float(finest) * float(step.factor))
        finest = Decimal(1).scaleb(Decimal(repr(exact)).adjusted())
        entry.append(f"# converted to {term.unit if term else ''}:")
    entry.append(f"resolution = {finest:f}")
    return entry


def _place(column: GuessedColumn, at: int) -> str:
    return quoted(column.title) if column.title else str(at + 1)


def quoted(text: str) -> str:
    """Return ``text`` as a TOML basic string."""
    # A JSON string is a TOML basic string, but for DEL.
    return json.dumps(text, ensure_ascii=False).replace("\x7f", "\\u007f")
