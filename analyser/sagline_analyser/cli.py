"""The ``sagline-analyser`` program: reports, figures and exports from a log."""

import argparse
import os
import sys
from collections.abc import Sequence
from pathlib import Path
from typing import TYPE_CHECKING, TextIO

from sagline_logger import __version__
from sagline_logger.format import CAUTION, BoardFile, SaglineError

from .columns_in import command as columns_in
from .compare.arguments import add_arguments as compare_arguments
from .rides import command as rides
from .share import command as share

if TYPE_CHECKING:
    from .findings.answer import Answer
    from .findings.basis import Basis
    from .findings.crossings import Crossing
    from .findings.summary import Summary
    from .load.ride import Ride

# numpy, pandas and plotly are imported by the command that needs them, so that --help is quick.


def main(argv: Sequence[str] | None = None) -> int:
    """Run one command and return the exit status."""
    # numpy reads this once, as it starts.  Our matrices are so narrow that a second thread of its
    # linear algebra only waits, and waits busily: the fits took several times the processor time.
    os.environ.setdefault("OPENBLAS_NUM_THREADS", "1")
    try:
        arguments = _parser().parse_args(argv)
        _need_packages()
        return int(arguments.run(arguments))
    except SaglineError as problem:
        print(f"sagline-analyser: {problem}", file=sys.stderr)
        return 1
    except BrokenPipeError:
        return 1  # the reader of our output went away; nothing to tell it


def _parser() -> argparse.ArgumentParser:
    parser = argparse.ArgumentParser(
        prog="sagline-analyser", description="Turn a capture into a report, figures or tables."
    )
    parser.add_argument("--version", action="version", version=f"%(prog)s {__version__}")
    commands = parser.add_subparsers(dest="command", metavar="COMMAND", required=True)

    def command(name: str, run: object, text: str) -> argparse.ArgumentParser:
        part = commands.add_parser(name, help=text, description=text[0].upper() + text[1:] + ".")
        part.add_argument("log", metavar="LOG", type=Path, help="a .sagline file")
        part.set_defaults(run=run)
        return part

    plot = command("plot", _plot, "write an interactive report as one HTML file")
    plot.add_argument("-o", "--out", metavar="FILE", type=Path, help="default: LOG with .html")
    summary = command("summary", _summary, "print the ride's figures and the limits crossed")
    summary.add_argument("--json", action="store_true", help="as JSON, with every crossing")
    export = command("export", _export, "write the samples as tables, one file a stream")
    export.add_argument("--to", choices=("csv", "parquet"), required=True, help="kind of table")
    export.add_argument("-o", "--out", metavar="DIR", type=Path, help="default: beside the log")
    columns = commands.add_parser(
        "import", help="turn a column file (CSV) into a log",
        description="Turn a column file (CSV) into a log, by a map that declares its columns.",
    )  # fmt: skip
    columns_in.add_arguments(columns)
    columns.set_defaults(run=columns_in.run)
    library = commands.add_parser(
        "rides", help="list the captures below a directory, or draw their trends",
        description="List the captures below a directory from an index, or draw their trends.",
    )  # fmt: skip
    rides.add_arguments(library)
    library.set_defaults(run=rides.run)
    compared = commands.add_parser("compare", help="compare two settings by their launches")
    compare_arguments(compared)
    compared.set_defaults(run=_compare)
    shared = commands.add_parser(
        "share", help="write one small page about a fault that gives nothing away",
        description="Write one small page about a fault: the window around it, what came first, "
        "and the window's samples.  It holds numbers and our own words; all else is left out "
        "unless asked for with --keep.",
    )  # fmt: skip
    share.add_arguments(shared)
    shared.set_defaults(run=share.run)
    packed = command("archive", _archive, "make a compressed copy and check it")
    packed.add_argument("-o", "--out", metavar="FILE", type=Path, help="default: LOG with .gz")
    for part in (plot, summary):
        part.add_argument(
            "--board", metavar="FILE", type=Path,
            help="board file with the limits (default: the copy inside the log, if any)",
        )  # fmt: skip
        part.add_argument(
            "--other-pack", metavar="AH", type=_capacity,
            help="also tell how far a full pack of this many Ah, of like cells, would go "
            "(default: one like the board file's)",
        )  # fmt: skip
        part.add_argument(
            "--plan-km", metavar="KM", type=_distance,
            help="also tell which pack, of how many Ah, a ride of this many km would take",
        )  # fmt: skip
    for part in (plot, export):
        part.add_argument(
            "--channel", metavar="NAME", action="append",
            help="only this channel or column; may be given several times",
        )  # fmt: skip
    return parser


def _capacity(text: str) -> float:
    """Return a capacity in Ah.

    Raises:
        SaglineError: it is none.
    """
    try:
        value = float(text)
    except ValueError:
        value = 0.0
    if not 0 < value < 1e5:
        raise SaglineError(f"{text!r} is no capacity in Ah", remedy="give one such as 17.5")
    return value


def _distance(text: str) -> float:
    """Return a distance in km.

    Raises:
        SaglineError: it is none.
    """
    try:
        value = float(text)
    except ValueError:
        value = 0.0
    if not 0 < value < 1e5:
        raise SaglineError(f"{text!r} is no distance in km", remedy="give one such as 20")
    return value


def _need_packages() -> None:
    from importlib.util import find_spec

    lacking = [name for name in ("numpy", "pandas", "plotly") if find_spec(name) is None]
    if lacking:
        raise SaglineError(
            f"the analyser needs {', '.join(lacking)}",
            remedy='install it with: pip install "sagline[analyser]"',
        )


def _board(arguments: argparse.Namespace, ride: "Ride") -> BoardFile | None:
    from sagline_logger.format import load_board_file, read_board_file

    if arguments.board is not None:
        return load_board_file(arguments.board)[0]
    if ride.board_file is None:
        return None
    try:
        return read_board_file(ride.board_file, f"board file inside {ride.path}")
    except SaglineError as problem:  # the log matters more than the file that came with it
        print(f"sagline-analyser: limits left out: {problem}", file=sys.stderr)
        return None


def _ride(path: Path) -> "Ride":
    """Load a log that holds samples.

    Raises:
        SaglineError: it cannot be loaded, or holds no samples that a description explains.
    """
    from .load import load_ride

    ride = load_ride(path)
    if not any(len(stream.time) for stream in ride.streams.values()):
        found = ride.quality.undescribed_samples
        raise SaglineError(
            f"no description of the channels came for its {found} sample frames"
            if found
            else "no samples in it",
            where=str(path),
            remedy="capture again until the board has described itself (a few seconds)",
        )
    return ride


def _plot(arguments: argparse.Namespace) -> int:
    from dataclasses import replace

    from .findings.answers import answers
    from .page.document import write_page
    from .page.selection import select

    basis = _basis(arguments, arguments.log)
    basis = replace(
        basis, ride=select(basis.ride, arguments.channel), raw=select(basis.raw, arguments.channel)
    )
    log = arguments.log
    out = arguments.out or log.with_suffix(".html")
    if out.resolve() == log.resolve():  # a shared page is a log, and must outlive its report
        out = log.with_name(f"{log.stem}-report.html")
    said = answers(basis, other_capacity=arguments.other_pack, plan=arguments.plan_km)
    size = write_page(basis, out, answered=said)
    _print_doubts(basis)
    print(f"{out} ({size / 1e6:.1f} MB): open it in a browser")
    return 0


def _summary(arguments: argparse.Namespace) -> int:
    from sagline_logger.format import derive_limits

    from .findings.answers import answers
    from .findings.basis import figures
    from .findings.crossings import crossing_rows, find_crossings

    basis = _basis(arguments, arguments.log)
    ride, board = basis.ride, basis.board
    summary = figures(basis)
    limits = derive_limits(board) if board else ()
    crossings = find_crossings(ride, limits)
    said = answers(basis, other_capacity=arguments.other_pack, plan=arguments.plan_km)
    if arguments.json:
        import json
        from dataclasses import asdict

        document = {
            "mismatches": basis.mismatches, "sensors": [asdict(d) for d in basis.sensors],
            "board": ride.board_name, "log": ride.path, "started": ride.started_wall,
            **asdict(summary), "limits": len(limits), "crossings": list(crossing_rows(crossings)),
            "answers": [asdict(answer) for answer in said],
            "warnings": ride.warnings, "caution": CAUTION,
        }  # fmt: skip
        print(json.dumps(document, indent=1, allow_nan=False))
        return 0
    _print_doubts(basis)
    _print_summary(ride, summary)
    _print_answers(said)
    if limits:
        _print_crossings(ride, crossings)
    return 0


def _basis(arguments: argparse.Namespace, log: Path) -> "Basis":
    """Load a log and examine it; see :func:`_ride` for what is raised."""
    from .findings.basis import open_basis

    ride = _ride(log)
    return open_basis(ride, _board(arguments, ride))


def _print_doubts(basis: "Basis", where: str = "", out: TextIO | None = None) -> None:
    """Print what is wrong with the board file and the sensors, before all that could rest on it."""
    for line in basis.mismatches:
        print(f"{where}{line}", file=out)
    for line in basis.lines():
        print(f"{where}data quality: {line}", file=out)


def _print_summary(ride: "Ride", summary: "Summary") -> None:
    from .page.units import figure_text, moment_text

    print(f"{ride.board_name or 'unnamed board'}: {ride.path}")
    for finding in summary:
        if finding.value is None:
            print(f"  {finding.label:24} —  ({finding.how})")
            continue
        at = f"  at {moment_text(finding.at)}" if finding.at is not None else ""
        note = f"  {finding.note}" if finding.note else ""
        print(f"  {finding.label:24} {figure_text(finding.value, finding.unit)}{at}{note}")
    for band in summary.bands:
        print(f"  {'  ' + band.label:24} {100 * band.share:.1f} % of the time")
    for warning in ride.warnings:
        print(f"  note: {warning}")


def _print_answers(said: "Sequence[Answer]") -> None:
    for answer in said:
        print(f"\n{answer.question}\n  {answer.verdict}")


def _print_crossings(ride: "Ride", crossings: "Sequence[Crossing]") -> None:
    """Print one line a threshold: how often, how long, how far."""
    from .findings.crossings import RULES_TEXT
    from .page.tables import by_threshold, group_words
    from .page.units import figure_text, moment_text

    print(f"\nLimits crossed: {len(crossings)}.  {RULES_TEXT}")
    for rows in by_threshold(crossings):
        worst = (max if rows[0].threshold.above else min)(rows, key=lambda c: c.span.peak)
        peak = figure_text(worst.span.peak, worst.threshold.limit.unit)
        what, threshold, often = group_words(ride, rows)
        print(f"  {what} {threshold}: {often}, worst {peak} at {moment_text(worst.span.peak_time)}")
    print(f"\n{CAUTION}")


def _compare(arguments: argparse.Namespace) -> int:
    from .compare.command import run

    bases: dict[str, Basis] = {}

    def load(log: Path) -> "Ride":
        basis = _basis(arguments, log)
        _print_doubts(basis, f"{log}: ", sys.stderr if arguments.json else sys.stdout)
        bases[basis.ride.path] = basis
        return basis.ride

    return run(arguments, load, lambda _, ride: bases[ride.path].board)


def _export(arguments: argparse.Namespace) -> int:
    from .export import export_csv, export_parquet
    from .page.selection import select

    ride = select(_ride(arguments.log), arguments.channel)
    out = arguments.out or arguments.log.parent
    write = export_csv if arguments.to == "csv" else export_parquet
    for path in write(ride, out):
        print(path)
    return 0


def _archive(arguments: argparse.Namespace) -> int:
    from .archive import archive

    done = archive(arguments.log, arguments.out)
    print(
        f"{done.path}: {done.packed} bytes for {done.original} ({done.ratio:.2f} to 1), read back "
        "and the same; the original is untouched"
    )
    return 0


if __name__ == "__main__":
    sys.exit(main())
