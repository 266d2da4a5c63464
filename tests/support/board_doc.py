"""What shows the keys of board files, made from the rules of the code: the tables of
protocol_docs/board_file.md, and the lines of the template that ``board --new`` writes."""

import re
from collections.abc import Mapping
from dataclasses import MISSING, fields

from sagline_logger.format import (
    Battery,
    BatteryUnit,
    BoardFile,
    Conductor,
    Controller,
    Motor,
    Vehicle,
)
from sagline_logger.format.board_tables import SETTINGS
from sagline_logger.format.toml_tables import Rule, rules

TABLES: dict[str, type] = {
    "[vehicle]": Vehicle,
    "[battery]": Battery,
    "[[battery.units]]": BatteryUnit,
    "[[motors]]": Motor,
    "[[controllers]]": Controller,
    "[[fuses]], [[leads]], [[connectors]]": Conductor,
}


def rows(table: type) -> list[str]:
    """Return the Markdown rows of one table's keys (sub-tables have a heading of their own)."""
    required = {entry.name for entry in fields(table) if entry.default is MISSING}
    return [
        _row(f"`{name}`" + (" (needed)" if name in required else ""), rule)
        for name, rule in rules(table).items()
        if rule.item is None
    ]


def setting_rows() -> list[str]:
    """Return the Markdown rows of the well-known settings."""
    return [_row(f"`{name}`", rule) for name, rule in SETTINGS.items()]


def _row(name: str, rule: Rule) -> str:
    return f"| {name} | {rule.wanted} | {rule.text} |"


HEAD = "| Key | Holds | Meaning |\n|---|---|---|\n"


def document(text: str) -> str:
    """Return the document with every table of keys as the rules have it."""
    made = {"At the top of the file": rows(BoardFile)}
    made |= {heading(name): rows(table) for name, table in TABLES.items()}
    made["### `[settings]`"] = setting_rows()
    for begins, lines in made.items():
        place = text.index(HEAD, text.index(begins)) + len(HEAD)
        end = text.index("\n\n", place)
        text = text[:place] + "\n".join(lines) + text[end:]
    return text


def heading(name: str) -> str:
    """Return the heading of the document's section on ``[[fuses]], [[leads]], …``."""
    headers = [f"`{header}`" for header in name.split(", ")]
    return (
        f"### {', '.join(headers[:-1])} and {headers[-1]}" if headers[1:] else f"### {headers[0]}"
    )


def template(text: str) -> str:
    """Return the template with a line for each key that it lacks, at the end of its table."""
    for name, table in TABLES.items():
        known = {key: rule for key, rule in rules(table).items() if rule.item is None}
        text = _with_lines(text, [f"#{header}" for header in name.split(", ")], known)
    return _with_lines(text, ["#[settings]"], SETTINGS)


def _with_lines(text: str, headers: list[str], known: Mapping[str, Rule]) -> str:
    blocks = [block for block in text.split("\n\n") if set(block.split("\n")) & set(headers)]
    shown = set(re.findall(r"^#(\w+) = ", "\n".join(blocks), re.MULTILINE))
    lines = [
        f"#{name} = {rule.example}".ljust(29)
        + f" # {f'{rule.unit}, ' * bool(rule.unit)}{rule.text}"
        for name, rule in known.items()
        if name not in shown
    ]
    first = blocks[0].rstrip("\n")
    return text.replace(first, "\n".join([first, *lines]), 1)
