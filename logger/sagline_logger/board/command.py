"""``sagline-logger board``: write a commented template, or check a board file."""

import argparse
from pathlib import Path

from ..format import CAUTION, SaglineError, load_board_file
from .report import report


def add_arguments(parser: argparse.ArgumentParser) -> None:
    """Declare the command's options."""
    task = parser.add_mutually_exclusive_group(required=True)
    task.add_argument(
        "--new", metavar="FILE", type=Path, help="write a commented template; never overwrites"
    )
    task.add_argument(
        "--check", metavar="FILE", type=Path, help="check a board file and print derived limits"
    )


def run(arguments: argparse.Namespace) -> int:
    """Carry the command out; 0 when the file was written or is valid."""
    if arguments.new is not None:
        write_template(arguments.new)
        print(f"wrote {arguments.new}: fill in what you know, then check it with")
        print(f"  sagline-logger board --check {arguments.new}")
        return 0
    board, _ = load_board_file(arguments.check)
    print(f"{arguments.check}: a valid board file")
    print(report(board))
    print(CAUTION)
    return 0


def write_template(path: Path) -> None:
    """Write the template to ``path``, which must not exist.

    Raises:
        SaglineError: it exists or cannot be written.
    """
    text = Path(__file__).with_name("template.toml").read_bytes()
    try:
        with path.open("xb") as file:
            file.write(text)
    except FileExistsError:
        raise SaglineError(
            "there is such a file already; nothing was written",
            where=str(path), remedy="choose another name",
        ) from None  # fmt: skip
    except OSError as problem:
        raise SaglineError(
            f"cannot write the template ({problem.strerror})",
            where=str(path), remedy="choose another directory",
        ) from None  # fmt: skip
