"""The texts that the programs print at once: made here from the programs' own parsers.

Run: ``python tests/support/texts.py`` after a change of an option, a help line or an example; it
writes every file of both ``texts/`` anew.  A test holds the files against :func:`made`.
"""

import contextlib
import io
import os
from collections.abc import Callable
from functools import partial
from pathlib import Path

import shtab

from sagline_analyser.cli import PROGRAM as ANALYSER
from sagline_analyser.demo import main as demo
from sagline_logger.cli import PROGRAM as LOGGER
from sagline_logger.start import WIDTH

ROOT = Path(__file__).parents[2]
PROGRAMS = {
    ROOT / "logger" / "sagline_logger" / "texts": LOGGER,
    ROOT / "analyser" / "sagline_analyser" / "texts": ANALYSER,
}
SHELLS = ("bash", "zsh", "fish")


def printed(act: Callable[[], object]) -> str:
    """Return what ``act`` prints on a terminal of our width, the long way."""
    before = os.environ.get("COLUMNS")
    os.environ["COLUMNS"] = str(WIDTH)
    try:
        with contextlib.redirect_stdout(io.StringIO()) as out, contextlib.suppress(SystemExit):
            act()
    finally:
        del os.environ["COLUMNS"]
        if before is not None:
            os.environ["COLUMNS"] = before
    return out.getvalue()


def made() -> dict[Path, str]:
    """Return by file what it should hold."""
    found = {}
    for folder, program in PROGRAMS.items():
        for command in ("", *program.commands):
            words = [*filter(None, [command]), "--help"]
            file = folder / f"{'_'.join(filter(None, [program.name, command]))}.txt"
            parser = program.parser(words)
            found[file] = printed(partial(parser.parse_args, words))
        for shell in SHELLS:
            found[folder / f"{program.name}.{shell}"] = (
                shtab.complete(program.parser(), shell).rstrip("\n") + "\n"
            )
    found[folder / "sagline-demo.txt"] = printed(partial(demo, ["--help"]))
    return found


def main() -> None:
    """Write them."""
    texts = made()
    for folder in PROGRAMS:
        folder.mkdir(exist_ok=True)
        for old in folder.iterdir():
            if old not in texts:
                old.unlink()
    for file, text in texts.items():
        file.write_text(text, encoding="utf-8", newline="\n")


if __name__ == "__main__":
    main()
