"""``sagline-logger reread``: a capture read again from its raw bytes, by a mended map."""

import argparse
from pathlib import Path

from ..capture.reread import reread
from ..capture.translator import LINES, frames_or_lines
from ..format import SUFFIX, RawForm
from ..live.layout import size

EXAMPLES = ("reread ride.sagline --lines mended.toml",)


def add_arguments(parser: argparse.ArgumentParser) -> None:
    """Add the command's options."""
    parser.description = (
        "Read a capture of lines again from the bytes that were received, by another map, as a new "
        "log; also one that was recorded without a map, where nothing was understood."
    )
    parser.add_argument("log", type=Path, metavar="LOG", help="a .sagline file")
    parser.add_argument(
        LINES.flag, type=Path, metavar=LINES.metavar, required=True, help="what the lines say"
    )
    parser.add_argument(
        "-o", "--out", type=Path, metavar="NEW", help=f"default: LOG with _reread{SUFFIX}"
    )


def run(arguments: argparse.Namespace) -> int:
    """Write the new log; 0 when all lines could be read, 3 when some could not."""
    log: Path = arguments.log
    target = arguments.out or log.with_name(f"{log.stem}_reread{SUFFIX}")
    translation = frames_or_lines({"lines": arguments.lines})
    done = reread(log, translation, RawForm.TEXT, target)
    print(
        f"{done.path} ({size(done.size)}): {done.frames} frames from {done.raw} bytes, "
        f"{done.unread} lines could not be read"
    )
    return 3 if done.unread else 0
