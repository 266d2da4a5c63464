"""``sagline-analyser export``: the samples as tables."""

import argparse
import sys
from pathlib import Path

from .options import add_channel, add_log

EXAMPLES = (
    "export ride.sagline --to csv",
    "export ride.sagline --to csv --channel speed -o tables",
)


def add_arguments(parser: argparse.ArgumentParser) -> None:
    """Declare the command's options."""
    add_log(parser)
    parser.add_argument("--to", choices=("csv", "parquet"), required=True, help="kind of table")
    parser.add_argument("-o", "--out", metavar="DIR", type=Path, help="default: beside the log")
    add_channel(parser)


def run(arguments: argparse.Namespace) -> int:
    """Write one file a stream and print their names; the samples are those that were sent, and
    which of them cannot be right is told beside them."""
    from ..export import export_csv, export_parquet
    from ..findings.basis import examine
    from ..page.selection import select

    basis = examine(arguments.log)
    for line in basis.notices():
        print(f"sagline-analyser: {line}", file=sys.stderr)
    ride = select(basis.raw, arguments.channel)
    out = arguments.out or arguments.log.parent
    write = export_csv if arguments.to == "csv" else export_parquet
    for path in write(ride, out):
        print(path)
    return 0
