"""``sagline-analyser archive``: a compressed copy of a log."""

import argparse
from pathlib import Path

from .options import add_log

EXAMPLES = ("archive ride.sagline",)


def add_arguments(parser: argparse.ArgumentParser) -> None:
    """Declare the command's options."""
    add_log(parser)
    parser.add_argument("-o", "--out", metavar="FILE", type=Path, help="default: LOG with .gz")


def run(arguments: argparse.Namespace) -> int:
    """Write the archive and say how small it is."""
    from ..archive import archive

    done = archive(arguments.log, arguments.out)
    print(
        f"{done.path}: {done.packed} bytes for {done.original} ({done.ratio:.2f} to 1), read back "
        "and the same; the original is untouched"
    )
    return 0
