"""``sagline-analyser import``: a column file of anyone's to a log."""

import argparse
import sys
from pathlib import Path

from sagline_logger.format import SUFFIX, SaglineError
from sagline_logger.format.columns.column_map import load_map

from .convert import convert
from .suggest import suggest

SHOWN = 20
"""Bad cells or rows that get a line each; the rest are counted."""
EXAMPLES = (
    "import ride.csv --suggest > map.toml",
    "import ride.csv --map map.toml",
)


def add_arguments(parser: argparse.ArgumentParser) -> None:
    """Declare the command's options."""
    parser.description = "Turn a column file (CSV) into a log, by a map that declares its columns."
    parser.add_argument("file", metavar="FILE.csv", type=Path, help="the column file")
    task = parser.add_mutually_exclusive_group(required=True)
    task.add_argument("--map", metavar="MAP.toml", type=Path, help="what its columns are")
    task.add_argument("--suggest", action="store_true", help="print a map to start from")
    parser.add_argument(
        "-o", "--out", metavar="LOG", type=Path, help=f"default: FILE with {SUFFIX}"
    )
    parser.add_argument(
        "--skip-bad",
        action="store_true",
        help="leave out bad rows and take bad cells for missing readings",
    )


def run(arguments: argparse.Namespace) -> int:
    """Carry the command out."""
    if arguments.suggest:
        text = suggest(arguments.file)
        print(text, end="", flush=True)
        for line in text.splitlines():
            if line.startswith("# assumed: "):
                print(f"sagline-analyser: {line[2:]}", file=sys.stderr)
        return 0
    plan = load_map(arguments.map)
    out = arguments.out or arguments.file.with_suffix(SUFFIX)
    said = 0

    def told(line: str) -> None:
        nonlocal said
        said += 1
        if said <= SHOWN:
            print(f"sagline-analyser: {line}", file=sys.stderr)

    try:
        done = convert(arguments.file, plan, out, arguments.skip_bad, told)
    except SaglineError:
        if said > SHOWN:
            print(f"sagline-analyser: and {said - SHOWN} more like these", file=sys.stderr)
        raise
    if done.problems:
        print(f"sagline-analyser: {done.problems} bad cells or rows left out", file=sys.stderr)
    if not done.dated:
        print(
            "sagline-analyser: no date in the file, so the ride is dated by the file's own; "
            "give it with start in [time] of the map",
            file=sys.stderr,
        )
    counts = ", ".join(f"{name} {count}" for name, count in done.samples.items())
    print(f"{done.path} ({done.size / 1e6:.1f} MB): {done.rows} rows; samples: {counts}")
    return 0
