"""``sagline-analyser share``: one small file about a fault that gives nothing away."""

import argparse
from pathlib import Path
from typing import TYPE_CHECKING

from sagline_logger.format import CAUTION, BoardFile, SaglineError, check_output, output

if TYPE_CHECKING:
    from ..load.ride import Ride
    from .shared import Shared

EXAMPLES = (
    "share ride.sagline -o fault.html",
    "share ride.sagline --at 1:30 -o a.html --picture a.svg",
    "share ride.sagline --fault 2 -o fault.html --keep fault-text",
)


def add_arguments(parser: argparse.ArgumentParser) -> None:
    """Add the command's options."""
    from .keep import KEEP

    parser.description = (
        "Write one small page about a fault: the window around it, what came first, and the "
        "window's samples.  It holds numbers and our own words; all else is left out unless asked "
        "for with --keep."
    )
    parser.add_argument("log", metavar="LOG", type=Path, help="a .sagline file")
    which = parser.add_mutually_exclusive_group()
    which.add_argument("--fault", metavar="N", type=int, help="the Nth fault or cut-out in order")
    which.add_argument("--at", metavar="TIME", type=_time, help="seconds or m:s from the start")
    which.add_argument("--mark", metavar="N", type=int, help="the mark of this number")
    for side, usual in (("before", 20), ("after", 10)):
        parser.add_argument(
            f"--{side}",
            metavar="S",
            type=_length,
            help=f"seconds {side} the moment (default: {usual}, or as far as the event reaches)",
        )
    choices = "; ".join(f"{name}: {text}" for name, text in KEEP.items())
    parser.add_argument(
        "--keep",
        metavar="WHAT",
        action="append",
        choices=tuple(KEEP),
        default=[],
        help=f"also give away, one each time: {choices}",
    )
    parser.add_argument(
        "--board",
        metavar="FILE",
        type=Path,
        help="board file with the limits (default: the copy inside the log)",
    )
    parser.add_argument(
        "--picture",
        metavar="FILE",
        type=_picture,
        action="append",
        default=[],
        help="also write a still picture, .svg or .png",
    )
    parser.add_argument(
        "-o",
        "--out",
        metavar="FILE.html",
        type=Path,
        required=True,
        help="the page; never overwrites",
    )


def run(arguments: argparse.Namespace) -> int:
    """Say what is kept and left out, then write the page and the pictures."""
    from ..findings.basis import open_basis
    from ..load import load_ride
    from .choose import choose
    from .fitting import MAX_SIZE, share_page

    ride = load_ride(arguments.log)
    basis = open_basis(ride, _parts(arguments.board, ride))
    for line in (*basis.mismatches, *basis.lines()):
        print(f"note: {line}")
    moment = choose(basis.ride, arguments.fault, arguments.at, arguments.mark)
    for out in (arguments.out, *arguments.picture):
        check_output(out)
    text = _board_text(arguments.board, ride)
    fitted = share_page(basis, moment, arguments.before, arguments.after, arguments.keep, text)
    share, page, asked, taken = fitted.share, fitted.page, fitted.asked, fitted.taken
    if taken != asked:
        print(
            f"window shortened from {asked.end - asked.start:.0f} s to "
            f"{taken.end - taken.start:.0f} s, so that the page stays below {MAX_SIZE / 1e6:g} MB"
        )
    _tell(share)
    from .picture import draw
    from .png import write_png
    from .svg import as_svg

    with output(arguments.out) as file:
        file.write(page)
    print(f"{arguments.out} ({len(page) / 1e6:.1f} MB)")
    for path in arguments.picture:
        picture = draw(share)
        with output(path) as file:
            if path.suffix.lower() == ".png":
                write_png(picture, file)
            else:
                file.write(as_svg(picture).encode())
        print(path)
    print(CAUTION)
    return 0


def _tell(share: "Shared") -> None:
    start, end = -share.at, share.ride.duration - share.at
    print(f"{share.moment.text}; window {start:.1f} to {end:+.1f} s, times from the moment")
    print("kept:")
    for line in share.account.kept_lines():
        print(f"  {line}")
    print("left out:")
    for line in [
        *share.account.left_lines(),
        "file names and paths, host and user names, serial "
        "and boot numbers, foreign bytes (always)",
    ]:
        print(f"  {line}")


def _board_text(path: Path | None, ride: "Ride") -> str | None:
    from sagline_logger.format import load_board_file

    if path is None:
        return ride.board_file
    return load_board_file(path)[1].decode()


def _parts(path: Path | None, ride: "Ride") -> BoardFile | None:
    """Return the board file in force, None where there is none or it cannot be read."""
    from sagline_logger.format import load_board_file, read_board_file

    if path is not None:
        return load_board_file(path)[0]
    try:
        return read_board_file(ride.board_file, ride.path) if ride.board_file else None
    except SaglineError:
        return None


def _time(text: str) -> float:
    from .choose import seconds

    try:
        return seconds(text)
    except ValueError:
        raise argparse.ArgumentTypeError(f"{text!r} is no time such as 83.5 or 1:23.5") from None


def _length(text: str) -> float:
    try:
        value = float(text)
    except ValueError:
        value = -1.0
    if not 0 <= value < 1e6:
        raise argparse.ArgumentTypeError(f"{text!r} is no number of seconds")
    return value


def _picture(text: str) -> Path:
    path = Path(text)
    if path.suffix.lower() not in (".svg", ".png"):
        raise argparse.ArgumentTypeError(f"{text!r} must end in .svg or .png")
    return path
