"""Where the programs start: what can be answered at once is, before anything large is loaded.

Help, version and completion are texts made beforehand, one file each in ``texts/`` of the program's
package; printing one takes little longer than the bare interpreter.  Everything else, and whatever
asks for another form of them (another width, the debug log, an encoding that lacks a sign), goes
the long way through :mod:`.cli`, which says the same.  ``tests/support/texts.py`` writes the files.

This module must import nothing that the interpreter has not loaded by itself.
"""

import os
import sys

from . import __version__

TYPE_CHECKING = False
if TYPE_CHECKING:
    from collections.abc import Sequence

WIDTH = 80
"""Columns that the texts are made for."""


def main(argv: "Sequence[str] | None" = None) -> int:
    """Run ``sagline-logger`` and return the exit status."""
    status = at_once(__file__, "sagline-logger", argv)
    if status is None:
        from .cli import main as long_way

        status = long_way(argv)
    return status


def at_once(beside: str, name: str, argv: "Sequence[str] | None") -> int | None:
    """Answer a command line that asks for no more than a text, and return the exit status.

    ``beside`` is a file of the package that has the texts, ``name`` the program.  None: not such a
    command line, or it has to go the long way.
    """
    match sys.argv[1:] if argv is None else list(argv):
        case ["--version"]:
            file = ""
        case ["--help" | "-h"]:
            file = f"{name}.txt"
        case [command, "--help" | "-h"] if command.isalpha() and command.isascii():
            file = f"{name}_{command}.txt"
        case ["--completion", ("bash" | "zsh" | "fish") as shell]:
            file = f"{name}.{shell}"
        case _:
            return None
    if os.environ.get("SAGLINE_DEBUG") or (file.endswith(".txt") and not _is_wide_enough()):
        return None
    try:
        text = f"{name} {__version__}\n"
        if file:
            with open(f"{os.path.dirname(beside)}/texts/{file}", encoding="utf-8") as kept:  # noqa: PTH120, PTH123
                text = kept.read()
        sys.stdout.write(text)
        sys.stdout.flush()
    except (OSError, ValueError, AttributeError):  # no such command, or a bad output: told there
        return None
    except KeyboardInterrupt:
        return 130
    return 0


def _is_wide_enough() -> bool:
    """Return whether a text of our width is what the long way would print, or is easier to read."""
    asked = os.environ.get("COLUMNS", "")
    if asked.isdecimal() and int(asked) > 0:
        return int(asked) == WIDTH
    try:
        columns = os.get_terminal_size(sys.__stdout__.fileno()).columns  # type: ignore[union-attr]
    except (OSError, ValueError, AttributeError):  # no terminal
        return True
    return columns >= WIDTH or columns == 0
