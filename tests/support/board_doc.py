"""The key tables of protocol_docs/board_file.md, made from the rules of the code."""

from dataclasses import MISSING, fields

from sagline_logger.format import Battery, BatteryUnit, Conductor, Controller, Motor, Vehicle
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
