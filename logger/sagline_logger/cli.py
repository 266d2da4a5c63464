"""The ``sagline-logger`` program: a command's module is imported when the command is used."""

import sys
from collections.abc import Sequence

from . import __version__
from .format.program import Program

COMMANDS = {
    "record": (".commands.record", "capture a run into a log file"),
    "find": (".commands.find", "list the ports and devices that could be recorded"),
    "listen": (
        ".commands.listen",
        "show what comes from a port or device, and draw up a map of it",
    ),
    "reread": (".commands.reread", "read a capture again from its raw bytes, by a mended map"),
    "verify": (".verify.command", "check a log: frames, losses, damage, clock"),
    "channels": (".verify.channels_command", "list a log's channels, and which are standard"),
    "simulate": (".simulator.command", "serve a simulated board"),
    "board": (".board.command", "write or check a board file"),
    "check": (".preride.command", "pre-ride check: listen to the standing vehicle"),
}
"""Command name to (module with ``add_arguments`` and ``run``, one line of help)."""

PROGRAM = Program(
    name="sagline-logger",
    package=__package__ or "sagline_logger",
    description="Capture a board's telemetry and keep it whole.",
    version=__version__,
    commands=COMMANDS,
    alive=frozenset({"record"}),
)


def main(argv: Sequence[str] | None = None) -> int:
    """Run one command and return the exit status."""
    return PROGRAM.main(argv)


if __name__ == "__main__":
    sys.exit(main())
