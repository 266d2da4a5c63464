"""Reading board files: TOML, checked key by key, with the line in every error, all at once."""

import re
from collections.abc import Iterator, Mapping
from contextlib import contextmanager, suppress
from dataclasses import MISSING, fields
from itertools import pairwise
from operator import itemgetter
from pathlib import Path
from types import MappingProxyType
from typing import Any, NoReturn, TypeVar

from .board_tables import (
    SETTINGS,
    Battery,
    BatteryUnit,
    BoardFile,
    Conductor,
    Controller,
    Motor,
    Rule,
    SettingValue,
    Vehicle,
    rules,
)
from .errors import SaglineError
from .limits import MAX_FILE, MAX_NAME, MAX_TEXT
from .toml_lines import KeyPath, key_lines, line_of, load_toml

_T = TypeVar("_T")


def load_board_file(path: str | Path) -> tuple[BoardFile, bytes]:
    """Read and check a board file; also return its exact bytes, for the log.

    Raises:
        SaglineError: it cannot be read, is over 64 KiB, or breaks a rule (with the line).
    """
    where = str(path)
    try:
        with Path(path).open("rb") as file:
            raw = file.read(MAX_FILE + 1)
    except OSError as problem:
        raise SaglineError(
            f"cannot read the board file ({problem.strerror})", where=where, remedy="check the path"
        ) from None
    if len(raw) > MAX_FILE:
        raise SaglineError(
            f"the board file is longer than {MAX_FILE // 1024} KiB",
            where=where,
            remedy="is it the right file? Write one with: sagline-logger board --new FILE",
        )
    try:
        text = raw.decode()
    except UnicodeDecodeError as problem:
        line = raw.count(b"\n", 0, problem.start) + 1
        raise SaglineError(
            "the board file is not UTF-8 text",
            where=f"{where}:{line}",
            remedy="save it as UTF-8 in your editor",
        ) from None
    return read_board_file(text, where), raw


def read_board_file(text: str, where: str) -> BoardFile:
    """Return the board described by ``text``; ``where`` names it in errors.

    Raises:
        SaglineError: the text is no TOML or breaks rules; it names the line and what to write, and
            ``more`` holds the same for each other place that is wrong.
    """
    text = text.removeprefix("\ufeff")  # some editors begin a UTF-8 file with this mark
    try:
        data = load_toml(text)
    except (ValueError, RecursionError) as problem:
        raise _syntax_error(text, where, problem) from None

    problems = _Problems(text, where)
    with problems.noted():
        board = _read_table(BoardFile, data, (), problems)
        for check in (_check_names, _check_battery, _check_drive):
            with problems.noted():
                check(board, problems)
    problems.raise_any()
    return board


class _Known(Exception):
    """Something is wrong here that has been noted already."""


class _Problems:
    """All that is wrong with a board file; called, it raises one of them."""

    def __init__(self, text: str, where: str) -> None:
        self._text = text
        self._where = where
        self.found: list[tuple[int, SaglineError]] = []

    def __call__(self, path: KeyPath, what: str, remedy: str) -> NoReturn:
        line = line_of(key_lines(self._text), path)
        name = ".".join(key for key in path if isinstance(key, str))
        problem = SaglineError(
            f"{name} {what}".strip(), where=f"{self._where}:{line}", remedy=remedy
        )
        self.found.append((line, problem))
        raise _Known

    @contextmanager
    def noted(self) -> Iterator[None]:
        """Go on behind what is wrong inside."""
        with suppress(_Known):
            yield

    def raise_any(self) -> None:
        """Raise the first by line, with the others, if there are any."""
        if self.found:
            first, *rest = [one for _, one in sorted(self.found, key=itemgetter(0))]
            first.more = tuple(rest)
            raise first


def _syntax_error(text: str, where: str, problem: BaseException) -> SaglineError:
    message = str(problem)
    found = re.search(r" \(at (?:line (\d+), column (\d+)|end of document)\)$", message)
    if found is None:
        return SaglineError(
            "not TOML (a value too long or nested too deeply)",
            where=where,
            remedy="see protocol_docs/board_file.md",
        )
    message = message[: found.start()]
    line = int(found[1] or text.rstrip().count("\n") + 1)
    place = f"column {found[2]}" if found[2] else "end of the file"
    remedy = "write texts in double quotes, numbers with a point and without a unit"
    if "verwrite" in message or "twice" in message:
        message, remedy = "stated twice", "keep one of the two"
    return SaglineError(f"not TOML ({message}, {place})", where=f"{where}:{line}", remedy=remedy)


def _read_table(table: type[_T], data: Mapping[str, Any], path: KeyPath, fail: _Problems) -> _T:
    known = rules(table)
    before = len(fail.found)
    values: dict[str, Any] = {}
    for key, value in data.items():
        with fail.noted():
            if key not in known:
                _unknown_key(key, table, path, fail)
            values[key] = _read_value(known[key], value, (*path, key), fail)
    for entry in fields(table):  # type: ignore[arg-type]
        optional = entry.default is not MISSING or entry.default_factory is not MISSING
        if entry.name in data or optional:
            continue
        example = known[entry.name].example
        with fail.noted():
            if path:
                fail(path, f"has no {entry.name}", f"add a line such as {entry.name} = {example}")
            fail(path, f"the {entry.name} is missing", f"begin with {entry.name} = {example}")
    if len(fail.found) > before:
        raise _Known
    return table(**values)


def _unknown_key(key: str, table: type, path: KeyPath, fail: _Problems) -> NoReturn:
    import difflib  # here, because it is slow to import and only needed for this message

    known = rules(table)
    near = difflib.get_close_matches(key, known, n=1)
    if near:
        remedy = f"did you mean {near[0]}?"
    elif homes := [name for name, other in _HOMES.items() if key in rules(other)]:
        remedy = f"it belongs under {' or '.join(homes)}"
    else:
        remedy = f"known here: {', '.join(known)}"
    fail((*path, key), "is not a key of a board file", remedy)


def _read_value(rule: Rule, value: Any, path: KeyPath, fail: _Problems) -> Any:
    name = path[-1]
    if rule.item is None:
        if not rule.accepts(value):
            fail(path, f"must be {rule.wanted}, not {_shown(value)}", _write(name, rule))
        return float(value) if isinstance(value, int) and not rule.whole else value
    header = f"[[{'.'.join(map(str, path))}]]" if rule.many else f"[{'.'.join(map(str, path))}]"
    tables = value if rule.many else [value]
    if not isinstance(tables, list) or not all(isinstance(entry, dict) for entry in tables):
        fail(path, f"must be {rule.wanted}", f"begin it with a line {header}")
    if rule.item is dict:
        return _read_settings(value, path, fail)
    if not rule.many:
        return _read_table(rule.item, value, path, fail)
    before = len(fail.found)
    entries: list[Any] = []
    for number, entry in enumerate(tables):
        with fail.noted():
            entries.append(_read_table(rule.item, entry, (*path, number), fail))
    if len(fail.found) > before:
        raise _Known
    return tuple(entries)


def _read_settings(
    data: Mapping[str, Any], path: KeyPath, fail: _Problems
) -> Mapping[str, SettingValue]:
    before = len(fail.found)
    for name, value in data.items():
        with fail.noted():
            _check_setting(name, value, (*path, name), fail)
    if len(fail.found) > before:
        raise _Known
    return MappingProxyType(dict(data))


def _check_setting(name: str, value: Any, path: KeyPath, fail: _Problems) -> None:
    rule = SETTINGS.get(name)
    label, text = Rule("", limit=MAX_NAME), Rule("", limit=MAX_TEXT)
    if rule and not rule.accepts(value):
        fail(path, f"must be {rule.wanted}, not {_shown(value)}", _write(name, rule))
    if not label.accepts(name):
        fail(path, f"has a name that is not {label.wanted}", "choose another name")
    if not text.accepts(value) and not isinstance(value, int | float):
        fail(path, f"must be a number, true, false or {text.wanted}", "shorten it")


def _write(name: str | int, rule: Rule) -> str:
    return f"{rule.text}, as in {name} = {rule.example}"


def _shown(value: Any) -> str:
    if isinstance(value, dict | list):
        return "a table" if isinstance(value, dict) else "an array"
    text = f'"{value}"' if isinstance(value, str) else str(value)
    if isinstance(value, bool):
        text = text.lower()
    return ascii(text)[1:-1] if len(text) <= 40 else "a longer value"


def _check_names(board: BoardFile, fail: _Problems) -> None:
    lists: dict[KeyPath, tuple[Any, ...]] = {
        ("battery", "units"): board.battery.units,
        ("motors",): board.motors,
        ("controllers",): board.controllers,
        ("fuses",): board.fuses,
        ("leads",): board.leads,
        ("connectors",): board.connectors,
    }
    for path, entries in lists.items():
        seen: set[str] = set()
        for number, entry in enumerate(entries):
            if entry.name in seen:
                fail(
                    (*path, number, "name"),
                    f'"{entry.name}" is used twice',
                    "give each its own name, so that a limit can name its part",
                )
            if entry.name is not None:
                seen.add(entry.name)


def _check_battery(board: BoardFile, fail: _Problems) -> None:
    battery = board.battery
    here: KeyPath = ("battery",)
    if len(battery.units) > 1 and battery.joined is None:
        fail(
            here, "has several units but no joined", 'add joined = "series" or joined = "parallel"'
        )
    for number, unit in enumerate(battery.units):
        path: KeyPath = (*here, "units", number)
        if battery.joined == "parallel" and unit.series != battery.units[0].series:
            fail(
                (*path, "series"),
                "differs between units in parallel",
                f'"{battery.units[0].name}" has {battery.units[0].series}; units of unequal '
                "voltage must not be joined in parallel",
            )
        for way in ("discharge", "charge"):
            rate, current = f"max_{way}_rate", f"max_{way}_current"
            if getattr(unit, rate) is None:
                continue
            if getattr(unit, current) is not None:
                fail((*path, current), f"stands beside {rate}", "keep one of the two")
            if unit.cell_capacity is None:
                fail((*path, rate), "needs the cell's capacity", "add cell_capacity in Ah")
    steps = [key for key in ("cell_stop", "cell_alarm", "cell_full") if getattr(battery, key)]
    for lower, upper in pairwise(steps):
        if getattr(battery, lower) >= getattr(battery, upper):
            fail(
                (*here, lower),
                f"must be below {upper}",
                f"{upper} is {getattr(battery, upper):g} V",
            )


def _check_drive(board: BoardFile, fail: _Problems) -> None:
    outputs = sum(entry.count for entry in board.controllers)
    if board.motors and board.controllers and outputs != board.motor_count:
        fail(
            ("controllers",),
            f"drive {outputs}, but there are {board.motor_count} motors",
            "state one controller output for each motor with count",
        )
    for number, entry in enumerate(board.controllers):
        path: KeyPath = ("controllers", number)
        if (entry.burst_current is None) != (entry.burst_seconds is None):
            given = "burst_seconds" if entry.burst_current is None else "burst_current"
            fail((*path, given), "stands alone", "state burst_current and burst_seconds together")
        if entry.burst_current and entry.burst_current < (entry.continuous_current or 0):
            fail((*path, "burst_current"), "is below continuous_current", "check the data sheet")
    start, end = (board.settings.get(f"voltage_cutback_{word}") for word in ("start", "end"))
    if isinstance(start, int | float) and isinstance(end, int | float) and start < end:
        fail(
            ("settings", "voltage_cutback_start"),
            "is below voltage_cutback_end",
            "the cut begins at the higher voltage",
        )


_HOMES = {
    "[vehicle]": Vehicle,
    "[battery]": Battery,
    "[[battery.units]]": BatteryUnit,
    "[[motors]]": Motor,
    "[[controllers]]": Controller,
    "[[fuses]], [[leads]] or [[connectors]]": Conductor,
}
"""Where a key belongs that stands in the wrong table."""
