"""Reading TOML, and where each of its keys stands, which ``tomllib`` does not tell."""

import re
import tomllib
from collections.abc import Callable
from typing import Any

KeyPath = tuple[str | int, ...]
"""Keys from the root down; a number (from 0) picks one table or value of an array."""

_KEY = re.compile(r"""[ \t]*([A-Za-z0-9_-]+|"(?:\\.|[^"\\])*"|'[^']*')[ \t]*""")
_STRING = re.compile(
    r'''"""(?:\\.|[^\\])*?"{3,5}|\'\'\'.*?'{3,5}|"(?:\\.|[^"\\])*"|'[^']*\'''', re.DOTALL
)
_SCALAR = re.compile(r"[^,\]}\n#]+")
_BLANK = re.compile(r"(?:[ \t\r\n]|#[^\n]*)*")

_DEEP = re.compile(
    r"""(?:^|[\[{,])[ \t]*(?:(?:[A-Za-z0-9_-]+|"(?:\\.|[^"\\\n])*"|'[^'\n]*')[ \t]*\.[ \t]*){16}""",
    re.MULTILINE,
)
"""A key of more parts than any of ours has."""


def load_toml(text: str, parse_float: Callable[[str], Any] = float) -> dict[str, Any]:
    """Return what ``tomllib.loads`` does, but for keys that would hold it up for minutes.

    Its time goes with the square of the number of parts of a dotted key.

    Raises:
        ValueError, RecursionError: the text is no TOML, or a key has more than 16 parts.
    """
    if found := _DEEP.search(text):
        line = text.count("\n", 0, found.end()) + 1
        raise ValueError(f"a key of more than 16 parts (at line {line}, column 1)")
    return tomllib.loads(text, parse_float=parse_float)


def key_lines(text: str) -> dict[KeyPath, int]:
    """Return the line (from 1) of every key, table header and array item of ``text``.

    ``text`` must have passed :func:`load_toml`; of a text that has not, the result means nothing.
    """
    scanner = _Scanner(text)
    scanner.document()
    return scanner.lines


def line_of(lines: dict[KeyPath, int], path: KeyPath) -> int:
    """Return the line of ``path``, or of the nearest table around it that has one; at least 1."""
    while path and path not in lines:
        path = path[:-1]
    return lines.get(path, 1)


class _Scanner:
    def __init__(self, text: str) -> None:
        self.text = text
        self.at = 0
        self.lines: dict[KeyPath, int] = {}

    def document(self) -> None:
        table: KeyPath = ()
        counts: dict[KeyPath, int] = {}  # tables seen so far of each [[array]]
        self.skip_blank()
        while self.at < len(self.text):
            if self.text[self.at] == "[":
                brackets = 2 if self.text.startswith("[[", self.at) else 1
                line = self.line()
                self.at += brackets
                table = ()
                keys = self.key()
                for depth, key in enumerate(keys, 1):
                    table += (key,)
                    self.lines.setdefault(table, line)
                    if brackets == 2 and depth == len(keys):
                        counts[table] = counts.get(table, 0) + 1
                    if table in counts:  # a key below [[array]] belongs to its latest table
                        table += (counts[table] - 1,)
                self.lines.setdefault(table, line)
                self.at += brackets
            else:
                self.assignment(table)
            self.skip_blank()

    def assignment(self, table: KeyPath) -> None:
        line = self.line()
        for key in self.key():
            table += (key,)
            self.lines.setdefault(table, line)
        self.at += 1  # the equals sign
        self.skip_blank()
        self.value(table)

    def value(self, path: KeyPath) -> None:
        opening = self.text[self.at]
        if opening in "[{":
            self.at += 1
            item = 0
            self.skip_blank()
            while self.text[self.at] not in "]}":
                if opening == "{":
                    self.assignment(path)
                else:
                    self.lines[(*path, item)] = self.line()
                    self.value((*path, item))
                    item += 1
                self.skip_blank()
                if self.text[self.at] == ",":
                    self.at += 1
                    self.skip_blank()
            self.at += 1
        elif found := (_STRING if opening in "\"'" else _SCALAR).match(self.text, self.at):
            self.at = found.end()

    def key(self) -> list[str]:
        """Take a dotted key."""
        keys = []
        while found := _KEY.match(self.text, self.at):
            self.at = found.end()
            word = found[1]
            keys.append(tomllib.loads(f"k = {word}")["k"] if word[0] in "\"'" else word)
            if not self.text.startswith(".", self.at):
                break
            self.at += 1
        return keys

    def line(self) -> int:
        return self.text.count("\n", 0, self.at) + 1

    def skip_blank(self) -> None:
        found = _BLANK.match(self.text, self.at)
        self.at = found.end() if found else self.at
