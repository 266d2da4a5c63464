"""``sagline-analyser plot``: the report of a ride as one HTML file."""

import argparse
from collections.abc import Sequence
from dataclasses import replace
from pathlib import Path

from sagline_logger.format import (
    ARCHIVE_SUFFIX,
    SUFFIX,
    SaglineError,
    UsageError,
    check_output,
    titled,
)

from .options import add_board, add_channel, add_earlier, add_plan

EXAMPLES = (
    "plot ride.sagline",
    "plot ride.sagline --board my_board.toml -o report.html",
    "plot --last rides",
)


def add_arguments(parser: argparse.ArgumentParser) -> None:
    """Declare the command's options."""
    parser.add_argument(
        "logs",
        metavar="LOG",
        type=Path,
        nargs="*",
        help="a .sagline file, or a directory for all in it",
    )
    parser.add_argument(
        "-o",
        "--out",
        metavar="FILE",
        type=Path,
        help="default: LOG with .html; of several logs the directory of the pages",
    )
    parser.add_argument(
        "--last", action="store_true", help="only the newest log of a directory (default: here)"
    )
    add_board(parser)
    add_plan(parser)
    add_earlier(parser)
    add_channel(parser)


def run(arguments: argparse.Namespace) -> int:
    """Write the pages."""
    from ..findings.answers import answers
    from ..findings.basis import examine
    from ..page.document import TITLE, write_page
    from ..page.selection import select
    from ..rides.earlier import earlier_rides

    pages = _pages(_logs(arguments.logs, arguments.last), arguments.out)
    for _, out in pages:
        check_output(out, titled(TITLE))
    for log, out in pages:
        basis = examine(log, arguments.board)
        basis = replace(
            basis,
            ride=select(basis.ride, arguments.channel),
            raw=select(basis.raw, arguments.channel),
        )
        said = answers(
            basis,
            other_capacity=arguments.other_pack,
            plan=arguments.plan_km,
            history=earlier_rides(basis, log, arguments.earlier),
        )
        size = write_page(basis, out, answered=said)
        for line in basis.notices():
            print(line)
        print(f"{out} ({size / 1e6:.1f} MB): open it in a browser", flush=True)
    return 0


def _logs(given: Sequence[Path], last: bool) -> list[Path]:
    """Return the logs meant; a directory stands for those in it."""
    if not given and not last:
        raise UsageError("no log named", remedy="name one, or give --last for the newest here")
    logs: list[Path] = []
    for path in given or [Path()]:
        inside = [path]
        if path.is_dir():
            inside = sorted([*path.glob(f"*{SUFFIX}"), *path.glob(f"*{SUFFIX}{ARCHIVE_SUFFIX}")])
            if not inside:
                raise SaglineError("no logs in it", where=str(path), remedy="choose another")
        logs += inside
    if last:
        logs = [max(logs, key=lambda log: (log.stat().st_mtime if log.exists() else 0, log))]
    return list(dict.fromkeys(logs))


def _pages(logs: Sequence[Path], out: Path | None) -> list[tuple[Path, Path]]:
    """Return (log, page) pairs."""
    if len(logs) > 1 and out is not None and not out.is_dir():
        raise UsageError(
            f"{len(logs)} pages do not fit one file",
            where=str(out),
            remedy="name a directory that exists with -o",
        )
    pages = []
    for log in logs:
        page = log.with_suffix(".html")
        if page.resolve() == log.resolve():  # a shared page is a log, and outlives its report
            page = log.with_name(f"{log.stem}-report.html")
        if out is not None:
            page = out / page.name if out.is_dir() else out
        pages.append((log, page))
    names = [page for _, page in pages]
    if twice := next((page for page in names if names.count(page) > 1), None):
        raise SaglineError(
            "two of the logs would get this page", where=str(twice), remedy="plot them one by one"
        )
    return pages
