"""Options that several commands share; nothing heavy is imported, so that --help is quick."""

import argparse
import math
from pathlib import Path


def add_log(parser: argparse.ArgumentParser) -> None:
    """Declare the one log."""
    parser.add_argument("log", metavar="LOG", type=Path, help="a .sagline file")


def add_channel(parser: argparse.ArgumentParser) -> None:
    """Declare the choice of channels."""
    parser.add_argument(
        "--channel",
        metavar="NAME",
        action="append",
        help="only this channel or column; may be given several times",
    )


def add_board(parser: argparse.ArgumentParser) -> None:
    """Declare the board file and the other pack."""
    parser.add_argument(
        "--board",
        metavar="FILE",
        type=Path,
        help="board file with the limits (default: the copy inside the log, if any)",
    )
    parser.add_argument(
        "--other-pack",
        metavar="AH",
        type=_capacity,
        help="also tell how far a full pack of this many Ah, of like cells, would go "
        "(default: one like the board file's)",
    )


def add_plan(parser: argparse.ArgumentParser) -> None:
    """Declare the ride that a pack is wanted for."""
    parser.add_argument(
        "--plan-km",
        metavar="KM",
        type=_distance,
        help="also tell which pack, of how many Ah, a ride of this many km would take",
    )


def add_earlier(parser: argparse.ArgumentParser) -> None:
    """Declare where earlier rides of the pack are."""
    parser.add_argument(
        "--earlier",
        metavar="DIR",
        type=Path,
        help="rest on the pack's earlier rides below this directory too "
        "(default: those that rides has listed in the log's own)",
    )


def _above_zero(text: str, what: str, such: str) -> float:
    try:
        value = float(text)
    except ValueError:
        value = math.nan
    if not 0 < value < 1e5:
        raise argparse.ArgumentTypeError(f"{text!r} is no {what}; give one such as {such}")
    return value


def _distance(text: str) -> float:
    """Return a distance in km."""
    return _above_zero(text, "distance in km", "20")


def _capacity(text: str) -> float:
    """Return a capacity in Ah."""
    return _above_zero(text, "capacity in Ah", "17.5")
