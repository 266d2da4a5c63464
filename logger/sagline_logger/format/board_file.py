"""Reading board files: TOML, checked key by key, with the line in every error, all at once."""

import re
from collections.abc import Mapping
from itertools import pairwise
from pathlib import Path
from types import MappingProxyType
from typing import Any

from .board_tables import (
    RETIRED,
    SETTINGS,
    Battery,
    BatteryUnit,
    BoardFile,
    Conductor,
    Controller,
    Motor,
    SettingValue,
    Vehicle,
)
from .errors import SaglineError
from .limits import MAX_FILE, MAX_NAME, MAX_TEXT
from .toml_lines import KeyPath, load_toml
from .toml_tables import Known, Problems, Rule, read_table, shown, write


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

    problems = Problems(text, where, "a board file", _HOMES, RETIRED, _read_settings)
    with problems.noted():
        board = read_table(BoardFile, data, (), problems)
        for check in (_check_names, _check_battery, _check_drive):
            with problems.noted():
                check(board, problems)
    problems.raise_any()
    return board


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


def _read_settings(
    data: Mapping[str, Any], path: KeyPath, fail: Problems
) -> Mapping[str, SettingValue]:
    before = len(fail.found)
    for name, value in data.items():
        with fail.noted():
            _check_setting(name, value, (*path, name), fail)
    if len(fail.found) > before:
        raise Known
    return MappingProxyType(dict(data))


def _check_setting(name: str, value: Any, path: KeyPath, fail: Problems) -> None:
    rule = SETTINGS.get(name)
    label, text = Rule("", limit=MAX_NAME), Rule("", limit=MAX_TEXT)
    if rule and not rule.accepts(value):
        fail(path, f"must be {rule.wanted}, not {shown(value)}", write(name, rule))
    if not label.accepts(name):
        fail(path, f"has a name that is not {label.wanted}", "choose another name")
    if not text.accepts(value) and not isinstance(value, int | float):
        fail(path, f"must be a number, true, false or {text.wanted}", "shorten it")


def _check_names(board: BoardFile, fail: Problems) -> None:
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


def _check_battery(board: BoardFile, fail: Problems) -> None:
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


def _check_drive(board: BoardFile, fail: Problems) -> None:
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
