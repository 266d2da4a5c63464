"""What a column is says its channel; nobody reads it out of the column's name.

``cell_voltage_7`` is made of a name and an index in one place (``Channel.key``).  A name that is
taken apart again goes wrong for a channel without an index, one whose own name ends in a digit, or
one that merely begins alike.  Read from the source: no start, end or part of a standard channel's
name is looked for in a text, no text is cut at its last underscore, and no column's name is put
together from a channel's.
"""

import ast
from collections.abc import Iterator
from pathlib import Path

import pytest

from sagline_logger.format import vocabulary

ROOT = Path(__file__).parents[1]
CUTS = {"partition", "rpartition", "split", "rsplit"}
ENDS = {"startswith", "endswith", "removeprefix", "removesuffix"}
INDEX = ("index", "motor", "cell")
NAMES = set(vocabulary())

OWN = {
    "logger/sagline_logger/format/channels.py": "the one place that makes a column's name",
    "logger/sagline_logger/format/near_names.py": "judges names that are no standard ones",
    "logger/sagline_logger/format/columns/guess.py": "titles of others' files",
    "logger/sagline_logger/capture/can_frames.py": "names of signals in a DBC file",
}
"""Modules that may: that one, and those that take names apart which others gave."""


def texts(node: ast.expr) -> Iterator[str]:
    """Yield the texts that stand in an argument: one, or a tuple of them."""
    if isinstance(node, ast.Constant) and isinstance(node.value, str):
        yield node.value
    elif isinstance(node, ast.Tuple):
        for each in node.elts:
            yield from texts(each)


def of_a_channel(text: str) -> bool:
    """Whether a text is the start or the end of some standard name, and more than one letter."""
    return len(text) > 1 and any(
        name.startswith(text.rstrip("_")) or name.endswith(text) for name in NAMES
    )


def parsing(source: str) -> Iterator[tuple[int, str]]:
    """Yield (line, what is done) of all that reads a channel out of a text or puts one in."""
    for node in ast.walk(ast.parse(source)):
        if isinstance(node, ast.Call) and isinstance(node.func, ast.Attribute):
            done, said = node.func.attr, [text for each in node.args for text in texts(each)]
            if done in CUTS and "_" in said:
                yield node.lineno, f"cut at an underscore by {done}"
            if done in ENDS and any(map(of_a_channel, said)):
                yield node.lineno, f"{done} {said}"
            if done == "replace" and said and said[0] in NAMES:
                yield node.lineno, f"{said[0]} replaced"
        elif isinstance(node, ast.JoinedStr) and len(node.values) > 1:
            said = [part.value if isinstance(part, ast.Constant) else "" for part in node.values]
            numbered = said == ["", "_", ""] and ast.unparse(node).rstrip("}'\"").endswith(INDEX)
            if str(said[0]).rstrip("_") in NAMES or numbered:
                yield node.lineno, "a column's name put together"
        elif isinstance(node, ast.Compare) and isinstance(node.ops[0], ast.In | ast.NotIn):
            text = node.left.value if isinstance(node.left, ast.Constant) else None
            kind = node.comparators[0]
            if isinstance(text, str) and isinstance(kind, ast.Name) and kind.id in {"key", "name"}:
                yield node.lineno, f"{text!r} looked for in a name"


def test_no_column_name_is_taken_apart() -> None:
    wrong = [
        f"{path.relative_to(ROOT)}:{line}: {what}"
        for half in ("logger", "analyser")
        for path in sorted((ROOT / half).rglob("*.py"))
        if str(path.relative_to(ROOT).as_posix()) not in OWN
        for line, what in parsing(path.read_text(encoding="utf-8"))
    ]
    assert wrong == []


@pytest.mark.parametrize(
    "source",
    [
        'key.rpartition("_")[2]',
        'name, index = key.rsplit("_", 1)',
        'key.startswith("cell_voltage")',
        'key.startswith(("duty", "motor_"))',
        'name.endswith("_limit")',
        'channel.removesuffix("_temperature")',
        'f"motor_current_{index}"',
        'f"{name}_{index}"',
        'key.replace("motor_current", "duty_cycle")',
        '"speed" in key',
    ],
)
def test_the_check_sees_it(source: str) -> None:
    assert list(parsing(source))
