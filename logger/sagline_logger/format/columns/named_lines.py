"""Lines that name their values, as NAME=VALUE pairs or as a JSON object: their texts by name."""

import json
from collections.abc import Callable, Mapping, Sequence
from dataclasses import dataclass
from typing import Any, Literal

from .cells import holds_number
from .column_map import MISSING, ColumnMap

Kind = Literal["text", "cells", "titles", "pairs", "json", "number", "time", "length"]
MOSTLY = 0.7
"""Share of the lines that must agree on their form."""


class BadLine(ValueError):
    """A line that cannot be read; ``kind`` groups what is alike."""

    def __init__(self, kind: Kind, what: str) -> None:
        super().__init__(what)
        self.kind = kind


def names_reader(plan: ColumnMap) -> Callable[[str], Mapping[str, str]] | None:
    """Return the function from a line to its values by name, which raises :class:`BadLine`; None
    where a map's lines are separated values."""
    if plan.form == "json":
        return flat_json
    if plan.form == "pairs":
        return lambda text: named_pairs(text, plan.delimiter, plan.equals)
    return None


def named_pairs(text: str, delimiter: str, equals: str) -> Mapping[str, str]:
    """Return the values of NAME=VALUE pairs by name.

    Raises:
        BadLine: a part is no pair, or a name stands in it twice.
    """
    values: dict[str, str] = {}
    for part in text.split() if delimiter == " " else text.split(delimiter):
        if not part.strip():
            continue
        name, found, value = part.partition(equals)
        if not found or equals in value:
            raise BadLine("pairs", f"{part.strip()[:40]!r} is not NAME{equals}VALUE")
        if name.strip() in values:
            raise BadLine("pairs", f"{name.strip()[:40]!r} stands in it twice")
        values[name.strip()] = value.strip()
    return values


def flat_json(text: str) -> Mapping[str, str]:
    """Return the values of a JSON object by name; those of an object within as ``outer.inner``.

    Numbers keep the digits that were printed.

    Raises:
        BadLine: it is none, or has a name twice.
    """

    def once(pairs: list[tuple[str, Any]]) -> dict[str, Any]:
        found = dict(pairs)
        if len(found) != len(pairs):
            raise BadLine("json", "a name stands in it twice")
        return found

    try:
        found = json.loads(
            text, parse_float=str, parse_int=str, parse_constant=str, object_pairs_hook=once
        )
        values: dict[str, str] = {}
        if isinstance(found, dict):
            _flatten(found, "", values)
            return values
    except BadLine:
        raise
    except (ValueError, RecursionError):
        pass
    raise BadLine("json", "not one JSON object")


def _flatten(table: Mapping[str, Any], before: str, values: dict[str, str]) -> None:
    for name, value in table.items():
        key = before + name
        if isinstance(value, dict):
            _flatten(value, key + ".", values)
        elif isinstance(value, list):
            _flatten({str(at): one for at, one in enumerate(value, 1)}, key + ".", values)
        elif value is None:
            values[key] = "null"
        elif isinstance(value, bool):
            values[key] = str(int(value))
        else:
            values[key] = value


@dataclass(frozen=True)
class NamedForm:
    """A form of lines that name their values: what [file] of a map says of it."""

    form: str
    delimiter: str
    equals: str

    @property
    def shape(self) -> dict[str, str | int]:
        """The keys of [file]."""
        keys: dict[str, str | int] = {"form": self.form, "decimal": "."}
        if self.form == "pairs":
            keys |= {"delimiter": self.delimiter, "equals": self.equals}
        return keys

    def texts(self, line: str) -> Mapping[str, str]:
        """Return a line's values by name; none where it is not of this form."""
        try:
            if self.form == "json":
                return flat_json(line)
            return named_pairs(line, self.delimiter, self.equals)
        except BadLine:
            return {}

    def numbers(self, line: str) -> dict[str, str]:
        """Return those of a line's values that are numbers; in pairs all others must stand for no
        reading, and each must have a name."""
        texts = self.texts(line)
        found = {name: text for name, text in texts.items() if holds_number(text, ".")}
        others = [text for name, text in texts.items() if name not in found]
        if self.form == "pairs" and ("" in texts or any(o.lower() not in MISSING for o in others)):
            return {}
        return found


def told_form(lines: Sequence[str]) -> NamedForm | None:
    """Return the form that most of the lines have, that with the most numbers; None: neither."""
    parts = [NamedForm("pairs", each, equals) for each in ",; \t|" for equals in "=:"]
    best: tuple[int, NamedForm] | None = None
    for form in (NamedForm("json", ",", "="), *parts):
        rows = [values for line in lines if (values := form.numbers(line))]
        count = sum(map(len, rows))
        if rows and len(rows) >= MOSTLY * len(lines) and (best is None or count > best[0]):
            best = count, form
    return best[1] if best else None
