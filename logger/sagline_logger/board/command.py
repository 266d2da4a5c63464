"""``sagline-logger board``: write a commented template, or check a board file."""

import argparse
from pathlib import Path

from ..format import CAUTION, load_board_file, output
from .report import report

EXAMPLES = (
    "board --new my_board.toml",
    "board --check my_board.toml",
)


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
    with output(path) as file:
        file.write(text)
