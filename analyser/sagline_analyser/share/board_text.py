"""A board file without its builder's words: numbers and our own terms only."""

import math
import re
from collections.abc import Mapping
from typing import Any

from sagline_logger.format import SaglineError, read_board_file
from sagline_logger.format.board_tables import SETTINGS
from sagline_logger.format.toml_lines import load_toml

_TERMS = {
    "joined": {"series", "parallel"},
    "place": {"battery", "unit", "controller", "motor"},
    "chemistry": {"NMC", "NCA", "LCO", "LMO", "LFP", "LTO", "NiMH", "Pb"},
}
_CALLED = {
    "units": "unit",
    "motors": "motor",
    "controllers": "controller",
    "fuses": "fuse",
    "leads": "lead",
    "connectors": "connector",
}
_PLAIN = re.compile(r"[-+]?\d{1,6}(\.\d{1,6})?")


def plain_settings(settings: Mapping[str, Any]) -> dict[str, str]:
    """Return the standard settings that are plain numbers, in their plainest form."""
    found = {}
    for name, value in settings.items():
        text = str(value).strip()
        if name in SETTINGS and not isinstance(value, bool) and _PLAIN.fullmatch(text):
            found[name] = f"{float(text):.6g}"
    return found


def plain_board(text: str) -> str | None:
    """Return the board file ``text`` rebuilt from its numbers, None if it is not sound.

    Only keys that the format knows are in it, as ``read_board_file`` refuses all others; parts
    are called by their kind and number.
    """
    try:
        read_board_file(text, "board file")
    except SaglineError:
        return None
    document = load_toml(text)
    lines = ['name = "shared board"']
    for name, value in document.items():
        if name == "settings":
            lines += ["", "[settings]"]
            lines += [f"{key} = {number}" for key, number in plain_settings(value).items()]
        elif isinstance(value, dict):
            lines += ["", f"[{name}]", *_keys(value, "")]
            for inner, entries in value.items():
                lines += _list(f"{name}.{inner}", inner, entries)
        else:
            lines += _list(name, name, value)
    return "\n".join(lines) + "\n"


def _list(table: str, kind: str, entries: Any) -> list[str]:
    if kind not in _CALLED or not isinstance(entries, list):
        return []
    lines = []
    for number, entry in enumerate(entries, 1):
        lines += ["", f"[[{table}]]", *_keys(entry, f"{_CALLED[kind]} {number}")]
    return lines


def _keys(entry: dict[str, Any], called: str) -> list[str]:
    lines = []
    for key, value in entry.items():
        if key == "name":
            lines.append(f'name = "{called}"')
        elif isinstance(value, str) and value in _TERMS.get(key, ()):
            lines.append(f'{key} = "{value}"')
        elif (
            isinstance(value, int | float) and not isinstance(value, bool) and math.isfinite(value)
        ):
            lines.append(f"{key} = {value:.6g}" if isinstance(value, float) else f"{key} = {value}")
    return lines
