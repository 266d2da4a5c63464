"""``sagline-demo``: a simulated board, a real serial port, the real logger, a report."""

import signal
import subprocess
import sys
import time
from collections.abc import Sequence
from contextlib import suppress
from importlib.resources import as_file, files
from pathlib import Path
from typing import IO

from sagline_logger.format import (
    CAUTION,
    SUFFIX,
    FrameSplitter,
    SaglineError,
    Samples,
    Stream,
    UsageError,
    decode_record,
    load_board_file,
)
from sagline_logger.format.program import Parser, raw, run_program
from sagline_logger.format.progress import shown, tell

from .cli import get_ready

CAPTURE = 28.0
"""s that the capture should take; the simulated board runs as much faster as it must."""

PATIENCE = 42.0
"""s after which the capture ends on a machine too slow for that."""

NOTE = "The bread run: depot to bakery and back, up the mill lane with full crates"


def main(argv: Sequence[str] | None = None) -> int:
    """Run the demo and return the exit status."""
    parser = Parser(
        prog="sagline-demo",
        description="Capture a simulated ride over a real serial port and make a report of it.",
    )
    parser.add_argument(
        "--out", metavar="DIR", type=Path, default=Path("sagline-demo"), help="default: %(default)s"
    )
    parser.add_argument(
        "--seconds",
        metavar="N",
        type=float,
        default=735.0,
        help="simulated length of the ride in s (default %(default)g)",
    )
    parser.add_argument("--seed", metavar="N", type=int, default=1, help="same seed, same ride")

    def act() -> int:
        arguments = parser.parse_args(argv)
        get_ready()
        if not arguments.seconds > 0:
            raise UsageError("no time", where="--seconds", remedy="give more than 0")
        with shown(raw(sys.stderr)):
            _run(arguments.out, arguments.seconds, arguments.seed)
        return 0

    return run_program("sagline-demo", act)


def _run(out: Path, seconds: float, seed: int) -> None:
    try:
        out.mkdir(parents=True, exist_ok=True)
    except OSError as problem:
        raise SaglineError(
            f"cannot make the directory ({problem.strerror})",
            where=str(out),
            remedy="choose another with --out",
        ) from None
    known = set(out.glob("*" + SUFFIX))
    factor = max(1.0, seconds / CAPTURE)
    with as_file(files(__package__) / "demo_board.toml") as board:
        _capture(out, known, board, seconds, factor, seed)
        logs = sorted(set(out.glob("*" + SUFFIX)) - known)
        if not logs:
            raise SaglineError("the logger left no log", where=str(out))
        _report(logs[-1], board, factor)


def _capture(
    out: Path, known: set[Path], board: Path, seconds: float, factor: float, seed: int
) -> None:
    """Let the simulated board ride and the logger record it, each as its own program."""
    program = [sys.executable, "-m", "sagline_logger"]
    longer = 2 * seconds + 60  # the logger is to stop first, with the link up
    ride = [
        "simulate",
        "--pty",
        f"--speed={factor:g}",
        f"--seconds={longer:g}",
        f"--seed={seed}",
        "--streams=course",
    ]
    simulator = subprocess.Popen(
        [*program, *ride], stdout=subprocess.PIPE, stderr=subprocess.PIPE, text=True
    )
    logger: subprocess.Popen[str] | None = None
    try:
        assert simulator.stdout is not None
        port = simulator.stdout.readline().rpartition(" ")[2].strip()
        if not port:
            raise SaglineError("the simulated board did not start" + _last_words(simulator))
        print(f"1  The simulated board Kestrel waits at the pseudo-terminal {port}")
        words = ["--serial", port, "--out", str(out), "--board", str(board), "--note", NOTE]
        logger = subprocess.Popen(
            [*program, "record", *words, "--quiet"],
            stdout=subprocess.DEVNULL,
            stderr=subprocess.PIPE,
            text=True,
        )
        print(f"2  The logger records {seconds:g} s of ride, run {factor:.3g} times as fast")
        _watch(simulator, logger, _Arrived(out, known), seconds)
        logger.send_signal(signal.SIGINT)
        if logger.wait(30):
            raise SaglineError("the logger failed" + _last_words(logger))
    finally:
        for process in (simulator, logger):
            if process is not None and process.poll() is None:
                process.terminate()
                with suppress(subprocess.TimeoutExpired):
                    process.wait(10)
            if process is not None:
                for pipe in (process.stdout, process.stderr):
                    if pipe is not None:
                        pipe.close()


class _Arrived:
    """How much of the ride has reached the log, read as the file grows."""

    def __init__(self, out: Path, known: set[Path]) -> None:
        self._out, self._known = out, known
        self._file: IO[bytes] | None = None
        self._splitter = FrameSplitter()
        self._period: dict[int, int] = {}
        self._micros: dict[int, int] = {}

    def seconds(self) -> float:
        """Return the s of samples of the longest stream."""
        if self._file is None:
            logs = set(self._out.glob("*" + SUFFIX)) - self._known
            if not logs:
                return 0.0
            self._file = logs.pop().open("rb")
        for piece in self._splitter.feed(self._file.read()):
            record = decode_record(piece.body) if piece.body else None
            if isinstance(record, Stream):
                self._period[record.stream] = record.period
            elif isinstance(record, Samples):
                length = record.count * self._period.get(record.stream, 0)
                self._micros[record.stream] = self._micros.get(record.stream, 0) + length
        return max(self._micros.values(), default=0) / 1e6


def _watch(
    simulator: "subprocess.Popen[str]",
    logger: "subprocess.Popen[str]",
    arrived: _Arrived,
    seconds: float,
) -> None:
    """Show progress until the ride is in the log or patience ends."""
    start = time.monotonic()
    lively = sys.stderr.isatty()
    told = -1
    share = 0.0
    while share < 1.0 and time.monotonic() < start + PATIENCE:
        for name, process in (("simulated board", simulator), ("logger", logger)):
            if process.poll() is not None:
                raise SaglineError(f"the {name} stopped early{_last_words(process)}")
        share = min(arrived.seconds() / seconds, 1.0)
        tenth = int(share * 10)
        tell("   in the log", share, 1.0)
        if not lively and tenth > told:
            print(f"   {share:4.0%} in the log", flush=True)
        told = tenth
        time.sleep(0.2)


def _last_words(process: "subprocess.Popen[str]") -> str:
    said = process.stderr.read().strip() if process.stderr else ""
    return f": {said.splitlines()[-1]}" if said else ""


def _report(log: Path, board_path: Path, factor: float) -> None:
    from sagline_logger.format import derive_limits

    from .findings.limits.crossings import find_crossings
    from .findings.readings.summary import summarise
    from .findings.telling.moment import moment_text
    from .load import load_ride
    from .page.document import write_page
    from .page.units import figure_text

    ride = load_ride(log)
    board, _ = load_board_file(board_path)
    lost = sum(ride.quality.lost_samples.values())
    kept = sum(len(stream.time) for stream in ride.streams.values())
    print(f"3  Log: {log} ({log.stat().st_size / 1e6:.1f} MB, {kept} samples, {lost} lost)")
    page = log.with_suffix(".html")
    size = write_page(ride, page, board)
    print(f"4  Report: {page.resolve()} ({size / 1e6:.1f} MB)")
    print("\nOpen the report in a browser, then look at")
    summary = summarise(ride, board)
    for key in ("lowest_cell", "hottest_part", "peak_battery_current"):
        finding = summary[key]
        if finding.value is None or finding.at is None:
            continue
        value = figure_text(finding.value, finding.unit)
        note = f" ({finding.note})" if finding.note else ""
        print(f"  · {finding.label.lower()}: {value}{note} at {moment_text(finding.at)}")
    count = len(find_crossings(ride, derive_limits(board)))
    print(f"  · the {count} limit crossings: each row's time is a link that zooms there")
    print("  · any stretch: drag over a trace to zoom, down to single samples")
    if factor > 1:
        print(
            "\nTo save your time the ride was simulated faster than life. Every sample is real "
            "output of\nthe simulated board; times in the report are the board's own."
        )
    print(f"\n{CAUTION}")


if __name__ == "__main__":
    sys.exit(main())
