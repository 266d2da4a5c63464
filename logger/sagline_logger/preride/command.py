"""``sagline-logger check``: the pre-ride check."""

import argparse
import shutil
from pathlib import Path

from ..capture.sources import add_source_arguments, choose_source
from ..format import CAUTION, SaglineError, UsageError, load_board_file
from ..format.arguments import positive_number
from .checks import CheckResult, Storage, Verdict, check, counts
from .listening import Hearing, listen
from .observation import observe

INSPECTION = (
    "This check replaces no inspection: look at and feel wheels, brakes, steering, plugs, leads "
    "and the pack before you ride. A check that passed says no more than its numbers."
)
_LONGEST = 300.0  # s; all that is heard is kept in memory
_WORDS: dict[Verdict, str] = {"pass": "pass", "warn": "WARN", "fail": "FAIL", "open": "open"}
_STATUS: dict[Verdict, int] = {"fail": 1, "warn": 3}  # the worst comes first
EXAMPLES = (
    "check --serial /dev/ttyUSB0",
    "check --serial /dev/ttyUSB0 --board my_board.toml --seconds 20",
)


def add_arguments(parser: argparse.ArgumentParser) -> None:
    """Add the command's options."""
    add_source_arguments(parser)
    add = parser.add_argument
    add("--board", type=Path, metavar="FILE", help="board file to check against")
    add(
        "--seconds",
        type=positive_number,
        default=10.0,
        metavar="N",
        help="listen for N seconds (default 10)",
    )
    add(
        "--out",
        type=Path,
        default=Path(),
        metavar="DIR",
        help="directory the log will be written to (default: here)",
    )
    add(
        "--hours",
        type=positive_number,
        default=2.0,
        metavar="H",
        help="how long the ride will last (default 2)",
    )
    parser.epilog = (
        "The vehicle stands still, switched on, hands off the throttle. Exit status: 0 all passed, "
        "3 something to look at, 1 something failed or nothing could be heard."
    )


def run(arguments: argparse.Namespace) -> int:
    """Listen, print the results and return the exit status."""
    if arguments.seconds > _LONGEST:
        raise UsageError(
            f"{arguments.seconds:g} is too long",
            where="--seconds",
            remedy=f"give at most {_LONGEST:g}",
        )
    board = load_board_file(arguments.board)[0] if arguments.board else None
    try:
        free = shutil.disk_usage(arguments.out).free
    except OSError as problem:
        raise SaglineError(
            f"cannot tell the free space ({problem.strerror})",
            where=str(arguments.out),
            remedy="choose a directory that exists with --out",
        ) from None
    source, translation = choose_source(arguments)
    print(
        f"listening to {source.description} for {arguments.seconds:g} s; let it stand", flush=True
    )
    hearing = listen(source, arguments.seconds, translation)
    pace = (arguments.speed or 1.0) if arguments.replay else 1.0
    results = check(hearing, board, Storage(free, 3600 * arguments.hours), pace)
    print(report(hearing, results))
    verdicts = {result.verdict for result in results}
    return next((status for verdict, status in _STATUS.items() if verdict in verdicts), 0)


def report(hearing: Hearing, results: tuple[CheckResult, ...]) -> str:
    """Return the results as text."""
    seen = observe(hearing)
    name = seen.board
    who = f"board {name.name!r}, " if name else ""
    lines = [f"{who}listened for {hearing.seconds:.1f} s"]
    for result in results:
        lines.append(f"{_WORDS[result.verdict]}  {result.name:<13} {result.numbers}")
        if result.remedy:
            lines.append(f"{'':19} → {result.remedy}")
    lines += [f"note: {one.nearly}" for one in seen.channels.values() if one.nearly]
    names: dict[Verdict, str] = {
        "pass": "passed",
        "warn": "to look at",
        "fail": "failed",
        "open": "not checked",
    }
    lines.append(", ".join(f"{count} {names[verdict]}" for verdict, count in counts(results)))
    return "\n".join([*lines, INSPECTION, CAUTION])
