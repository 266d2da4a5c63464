"""``sagline-analyser rides``: list the captures below a directory, or draw their trends."""

import argparse
import json
import sys
from dataclasses import asdict
from datetime import UTC, datetime
from pathlib import Path

from sagline_logger.format import check_output, titled
from sagline_logger.format.arguments import setting
from sagline_logger.format.counting import several

from .library import open_library
from .listing import Filter, table

EXAMPLES = (
    "rides logs",
    "rides logs --since 2026-05-01 --fault any",
    "rides logs -o trends.html",
)


def add_arguments(parser: argparse.ArgumentParser) -> None:
    """Declare the command's options."""
    parser.description = "List the captures below a directory from an index, or draw their trends."
    parser.add_argument("directory", metavar="DIR", type=Path, help="where the logs are, and below")
    parser.add_argument("--board", metavar="NAME", default="", help="only rides of this board")
    parser.add_argument(
        "--setting",
        metavar="NAME=VALUE",
        type=setting,
        action="append",
        default=[],
        help="only rides with this setting in force; may be given several times",
    )
    parser.add_argument(
        "--since", metavar="DATE", type=_date, help="only rides from this day on (2026-05-02, UTC)"
    )
    parser.add_argument(
        "--fault",
        metavar="FAULT",
        default="",
        help="only rides with this fault: its number, a part of its text, or any",
    )
    parser.add_argument("--json", action="store_true", help="as JSON, with every figure")
    parser.add_argument(
        "-o", "--out", metavar="FILE.html", type=Path, help="write the trends as a page"
    )
    parser.add_argument(
        "--engine",
        metavar="ADDRESS",
        default="",
        help="work new rides out on the Dask scheduler there, such as tcp://10.0.0.5:8786",
    )
    parser.add_argument(
        "--processes",
        metavar="N",
        type=_count,
        default=0,
        help="processes that work new rides out (default: one a processor)",
    )


def run(arguments: argparse.Namespace) -> int:
    """Carry the command out."""
    if arguments.out is not None:
        from .trends import TITLE

        check_output(arguments.out, titled(TITLE))
    library = open_library(arguments.directory, arguments.engine, arguments.processes)
    for note in library.notes:
        print(f"sagline-analyser: {note}", file=sys.stderr)
    wanted = Filter(arguments.board, tuple(arguments.setting), arguments.since, arguments.fault)
    shown = [entry for entry in library.rides if wanted.shows(entry)]
    if arguments.out is not None:
        from .trends import write_trends

        size = write_trends(shown, arguments.out, str(arguments.directory))
        print(f"{arguments.out} ({size / 1e6:.1f} MB): open it in a browser")
    elif arguments.json:
        rides = [{"file": entry.path, **asdict(entry.figures)} for entry in shown]
        print(json.dumps({"directory": str(arguments.directory), "rides": rides}, indent=1))
    else:
        for line in table(shown):
            print(line)
        damaged = sum(bool(entry.figures.problem) for entry in library.rides)
        said = [
            f"{len(shown)} of {several(len(library.rides), 'ride')}",
            f"{library.worked} new or changed" if library.worked else "",
            f"{library.removed} gone" if library.removed else "",
            f"{damaged} damaged" if damaged else "",
        ]
        print("; ".join(filter(None, said)))
    return 0


def _date(text: str) -> float:
    try:
        moment = datetime.fromisoformat(text)
    except ValueError:
        raise argparse.ArgumentTypeError(f"{text!r} is no date such as 2026-05-02") from None
    return (moment if moment.tzinfo else moment.replace(tzinfo=UTC)).timestamp()


def _count(text: str) -> int:
    if not (text.isascii() and text.isdigit() and 0 < int(text) <= 1024):
        raise argparse.ArgumentTypeError(f"{text!r} is not a number of processes from 1")
    return int(text)
