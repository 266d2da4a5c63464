"""``sagline-logger reread``: a capture read again from its raw bytes, by a mended map."""

import argparse
from pathlib import Path

from ..capture.can_source import CAN_MAP, DBC
from ..capture.reread import reread
from ..capture.source_kind import LINES, frames_or_lines
from ..format import SUFFIX, RawForm, UsageError
from ..format.counting import several, several_of
from ..live.layout import size

EXAMPLES = (
    "reread ride.sagline --lines mended.toml",
    "reread ride.sagline --dbc bus.dbc --map mended.toml",
)


def add_arguments(parser: argparse.ArgumentParser) -> None:
    """Add the command's options."""
    parser.description = (
        "Read a capture of lines or CAN frames again from the bytes that were received, by another "
        "map, as a new log; of lines also one that was recorded without a map, where nothing was "
        "understood."
    )
    parser.add_argument("log", type=Path, metavar="LOG", help="a .sagline file")
    what = parser.add_mutually_exclusive_group(required=True)
    what.add_argument(LINES.flag, type=Path, metavar=LINES.metavar, help="what the lines say")
    what.add_argument(DBC.flag, type=Path, metavar=DBC.metavar, help=DBC.help)
    parser.add_argument(
        CAN_MAP.flag, type=Path, metavar=CAN_MAP.metavar, help=f"with {DBC.flag}: {CAN_MAP.help}"
    )
    parser.add_argument(
        "-o", "--out", type=Path, metavar="NEW", help=f"default: LOG with _reread{SUFFIX}"
    )


def run(arguments: argparse.Namespace) -> int:
    """Write the new log; 0 when all of it could be read, 3 when some could not."""
    log: Path = arguments.log
    target = arguments.out or log.with_name(f"{log.stem}_reread{SUFFIX}")
    if arguments.lines is not None:
        if arguments.map is not None:
            raise UsageError("goes with --dbc", where="--map", remedy="leave it out")
        form, what = RawForm.TEXT, "lines"
        translation = frames_or_lines({"lines": arguments.lines})
    else:
        from ..capture.can_frames import frames_by

        form, what = RawForm.CAN, "CAN frames"
        translation = frames_by(arguments.dbc, arguments.map)
    done = reread(log, translation, form, target)
    print(
        f"{done.path} ({size(done.size)}): {several(done.frames, 'frame')} from "
        f"{several(done.raw, 'byte')}, {several_of(done.unread, what)} could not be "
        "read"
    )
    return 3 if done.unread else 0
