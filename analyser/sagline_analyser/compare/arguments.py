"""The arguments of ``compare``; apart from the rest, so that ``--help`` loads nothing heavy."""

import argparse
from pathlib import Path

DESCRIPTION = """\
Compare two settings by their launches from standstill, and by pulls from rolling where there are
some.  Launches are found, aligned at the moment of first movement, measured and tested; the verdict
is better, worse, no difference that matters, or cannot tell.

Which recording is which side: of two or more, the first is A and all others are B.  With --sides
one letter a log says it (- leaves one out), with --by the two values of a stated setting.  One log
is split at its marks with --marks: a mark whose text begins or ends with A or B names the side of
what follows it, else the stretches are A, B, A, B in turn, or as --sides says.

Ride A, B, B, A with at least three full-throttle launches each (six tell more), from the same spot
in the same direction.  What drifts steadily then falls on both sides alike.

A log states its settings: sagline-logger record --setting NAME=VALUE, or the board file.
"""

EXAMPLES = (
    "compare a.sagline b.sagline",
    "compare 1.sagline 2.sagline 3.sagline 4.sagline --sides ABBA",
    "compare trial/*.sagline --by motor_current_limit",
    "compare marked.sagline --marks",
)


def add_arguments(parser: argparse.ArgumentParser) -> None:
    """Add the command's arguments to ``parser``."""
    parser.description = DESCRIPTION
    parser.add_argument("logs", metavar="LOG", type=Path, nargs="*", help="a .sagline file")
    parser.add_argument(
        "-o",
        "--out",
        metavar="FILE",
        type=Path,
        help="the page; default: the first log's name with -compare.html (with --json: no page)",
    )
    parser.add_argument("--json", action="store_true", help="print everything as JSON")
    parser.add_argument(
        "--board",
        metavar="FILE",
        type=Path,
        help="board file for all logs (default: the copy inside each log, if any)",
    )
    sides = parser.add_mutually_exclusive_group()
    sides.add_argument("--sides", metavar="LETTERS", help="such as ABBA, one a log or stretch")
    sides.add_argument("--by", metavar="NAME", help="sides by the value of this setting")
    parser.add_argument("--marks", action="store_true", help="split the one log at its marks")
    parser.add_argument(
        "--judge",
        metavar="MEASURE",
        default="time_to_speed",
        help="what the verdict rests on: time_to_speed (default), time_to_half, distance, "
        "peak_battery, mean_battery, peak_motor, mean_motor, heat, sag, energy",
    )
    parser.add_argument(
        "--matters",
        metavar="PERCENT",
        type=float,
        default=2.0,
        help="smallest difference that matters, in %% of A's figure (2): where the whole interval "
        "is smaller, the verdict says so",
    )
    parser.add_argument(
        "--plan",
        metavar="LETTERS",
        help="before riding: the difference that an order such as ABBA would find, from the logs "
        "of one setting if some are given (a log a stretch), else from how rides typically differ",
    )
    parser.add_argument(
        "--launches", metavar="N", type=int, default=6, help="launches a stretch for --plan (6)"
    )
    parser.add_argument(
        "--predict",
        metavar="NAME=VALUE",
        help="from A alone, what B should show with motor_current_limit, battery_current_limit or "
        "duty_limit at this value; scored if B is given",
    )


def run(arguments: argparse.Namespace) -> int:
    """Carry the command out."""
    from .command import run as compare

    return compare(arguments)
