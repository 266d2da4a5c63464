"""Tables of a TOML file as frozen dataclasses: each key's rule, unit and meaning stand once, beside
its field, and one reader checks them all, with the line in every error and all errors at once."""

import math
from collections.abc import Callable, Iterator, Mapping
from contextlib import contextmanager, suppress
from dataclasses import MISSING, Field, dataclass, field, fields
from operator import itemgetter
from types import MappingProxyType
from typing import Any, NoReturn, TypeVar

from .errors import SaglineError
from .toml_lines import KeyPath, key_lines, line_of

_T = TypeVar("_T")


@dataclass(frozen=True, slots=True)
class Rule:
    """What one key may hold: a number in ``unit`` within bounds, a text, or a table of ``item``.

    ``low`` itself is allowed only if ``low_allowed``; ``high`` always is.
    """

    text: str
    example: str = ""
    unit: str = ""
    low: float = 0.0
    high: float = math.inf
    low_allowed: bool = False
    whole: bool = False
    choices: tuple[str, ...] = ()
    limit: int = 0
    """Most bytes of UTF-8 of a text; 0 when the key holds no text."""
    item: type | None = None
    many: bool = False
    test: Callable[[Any], bool] | None = None
    """What a value must pass that is none of these."""
    holds: str = ""
    """What ``test`` asks for, in words."""

    @property
    def wanted(self) -> str:
        """What the key must hold, in words."""
        if self.item is not None:
            return "an array of tables" if self.many else "a table"
        if self.test is not None:
            return self.holds
        if self.choices:
            return " or ".join(f'"{choice}"' for choice in self.choices)
        if self.limit:
            return f"a text of 1 to {self.limit} bytes of printable characters"
        kind = "a whole number" if self.whole else "a number"
        span = f"of at least {self.low:g}" if self.low_allowed else f"above {self.low:g}"
        unit = f" in {self.unit}" if self.unit else ""
        return f"{kind} {span} and at most {self.high:g}{unit}"

    def accepts(self, value: Any) -> bool:
        """Whether a plain value (not a table) keeps this rule."""
        if self.test is not None:
            return self.test(value)
        if self.choices:
            return isinstance(value, str) and value in self.choices
        if self.limit:
            return (
                isinstance(value, str)
                and 0 < len(value.encode()) <= self.limit
                and value.isprintable()
                and bool(value.strip())
            )
        if isinstance(value, bool) or not isinstance(value, int if self.whole else int | float):
            return False
        return (self.low < value or (self.low_allowed and self.low == value)) and (
            value <= self.high and math.isfinite(value)
        )


def table_key(
    text: str, example: str = "", *, default: Any = None, key: str = "", **rule: Any
) -> Any:
    """Return a field of a table: what its key means, an example, and its :class:`Rule`.

    ``key`` is its name in the file where a field cannot bear it.
    """
    return field(default=default, metadata={"rule": Rule(text, example, **rule), "key": key})


def key_of(entry: "Field[Any]") -> str:
    """Return the key of a field in the file."""
    return str(entry.metadata.get("key") or entry.name)


def rules(table: type) -> dict[str, Rule]:
    """Return the rule of every key of a table."""
    return {key_of(entry): entry.metadata["rule"] for entry in fields(table)}


def _field(table: type, key: str) -> str:
    return next(entry.name for entry in fields(table) if key_of(entry) == key)


class Known(Exception):
    """Something is wrong here that has been noted already."""


class Problems:
    """All that is wrong with a file, ``kind`` in words; called, it raises one of them.

    ``homes`` says under which table a key belongs that stands in another, ``retired`` which keys of
    which table are passed over, and ``free`` reads a table whose keys are not known beforehand.
    """

    def __init__(
        self,
        text: str,
        where: str,
        kind: str,
        homes: Mapping[str, type] = MappingProxyType({}),
        retired: Mapping[type, set[str]] = MappingProxyType({}),
        free: Callable[[dict[str, Any], KeyPath, "Problems"], Any] | None = None,
    ) -> None:
        self._text = text
        self._where = where
        self.kind = kind
        self.homes = homes
        self.retired = retired
        self.free = free
        self.found: list[tuple[int, SaglineError]] = []

    def __call__(self, path: KeyPath, what: str, remedy: str) -> NoReturn:
        line = line_of(key_lines(self._text), path)
        name = ".".join(key for key in path if isinstance(key, str))
        problem = SaglineError(
            f"{name} {what}".strip(), where=f"{self._where}:{line}", remedy=remedy
        )
        self.found.append((line, problem))
        raise Known

    @contextmanager
    def noted(self) -> Iterator[None]:
        """Go on behind what is wrong inside."""
        with suppress(Known):
            yield

    def raise_any(self) -> None:
        """Raise the first by line, with the others, if there are any."""
        if self.found:
            first, *rest = [one for _, one in sorted(self.found, key=itemgetter(0))]
            first.more = tuple(rest)
            raise first


def read_table(table: type[_T], data: Mapping[str, Any], path: KeyPath, fail: Problems) -> _T:
    """Return one table, its values checked by the rules of its fields.

    Raises:
        Known: something is wrong in it, which ``fail`` has noted.
    """
    known = rules(table)
    before = len(fail.found)
    values: dict[str, Any] = {}
    for key, value in data.items():
        if key in fail.retired.get(table, ()):
            continue
        with fail.noted():
            if key not in known:
                _unknown_key(key, table, path, fail)
            values[_field(table, key)] = _read_value(known[key], value, (*path, key), fail)
    for entry in fields(table):  # type: ignore[arg-type]
        optional = entry.default is not MISSING or entry.default_factory is not MISSING
        if optional or key_of(entry) in data:
            continue
        name = key_of(entry)
        example = known[name].example
        with fail.noted():
            if path:
                fail(path, f"has no {name}", f"add a line such as {name} = {example}")
            fail(path, f"the {name} is missing", f"begin with {name} = {example}")
    if len(fail.found) > before:
        raise Known
    return table(**values)


def _unknown_key(key: str, table: type, path: KeyPath, fail: Problems) -> NoReturn:
    import difflib  # here, because it is slow to import and only needed for this message

    known = rules(table)
    near = difflib.get_close_matches(key, known, n=1)
    if near:
        remedy = f"did you mean {near[0]}?"
    elif homes := [name for name, other in fail.homes.items() if key in rules(other)]:
        remedy = f"it belongs under {' or '.join(homes)}"
    else:
        remedy = f"known here: {', '.join(known)}"
    fail((*path, key), f"is not a key of {fail.kind}", remedy)


def _read_value(rule: Rule, value: Any, path: KeyPath, fail: Problems) -> Any:
    name = path[-1]
    if rule.item is None:
        if not rule.accepts(value):
            fail(path, f"must be {rule.wanted}, not {shown(value)}", write(name, rule))
        plain = rule.test is None and not rule.whole
        return float(value) if plain and isinstance(value, int) else value
    header = f"[[{'.'.join(map(str, path))}]]" if rule.many else f"[{'.'.join(map(str, path))}]"
    tables = value if rule.many else [value]
    if not isinstance(tables, list) or not all(isinstance(entry, dict) for entry in tables):
        fail(path, f"must be {rule.wanted}", f"begin it with a line {header}")
    if rule.item is dict and fail.free is not None:
        return fail.free(value, path, fail)
    if not rule.many:
        return read_table(rule.item, value, path, fail)
    before = len(fail.found)
    entries: list[Any] = []
    for number, entry in enumerate(tables):
        with fail.noted():
            entries.append(read_table(rule.item, entry, (*path, number), fail))
    if len(fail.found) > before:
        raise Known
    return tuple(entries)


def write(name: str | int, rule: Rule) -> str:
    """Return what to write for a key."""
    return f"{rule.text}, as in {name} = {rule.example}"


def shown(value: Any) -> str:
    """Return a value for an error, on one line and short."""
    if isinstance(value, dict | list):
        return "a table" if isinstance(value, dict) else "an array"
    text = f'"{value}"' if isinstance(value, str) else str(value)
    if isinstance(value, bool):
        text = text.lower()
    return ascii(text)[1:-1] if len(text) <= 40 else "a longer value"
