"""The ``sagline-logger`` program: a command's module is imported when the command is used."""

import argparse
import importlib
import os
import sys
from collections.abc import Sequence

from . import __version__
from .format.errors import SaglineError

COMMANDS = {
    "record": ("capture.record_command", "capture a run into a log file"),
    "find": ("capture.find_command", "list the ports and devices that could be recorded"),
    "verify": ("verify.command", "check a log: frames, losses, damage, clock"),
    "simulate": ("simulator.command", "serve a simulated board"),
    "board": ("board.command", "write or check a board file"),
    "check": ("preride.command", "pre-ride check: listen to the standing vehicle"),
}
"""Command name to (module with ``add_arguments`` and ``run``, one line of help)."""


def main(argv: Sequence[str] | None = None) -> int:
    """Run one command and return the exit status."""
    words = list(sys.argv[1:] if argv is None else argv)
    parser = argparse.ArgumentParser(
        prog="sagline-logger", description="Capture a board's telemetry and keep it whole."
    )
    parser.add_argument("--version", action="version", version=f"%(prog)s {__version__}")
    commands = parser.add_subparsers(dest="command", metavar="COMMAND", required=True)
    for name, (module, text) in COMMANDS.items():
        command = commands.add_parser(name, help=text, description=text[0].upper() + text[1:] + ".")
        if words and words[0] == name:  # only the command that runs is imported
            part = importlib.import_module(f".{module}", __package__)
            part.add_arguments(command)
            command.set_defaults(run=part.run)
    arguments = parser.parse_args(words)
    try:
        status = int(arguments.run(arguments))
        sys.stdout.flush()  # here, where a reader that went away is no traceback
        return status
    except SaglineError as problem:
        print(f"sagline-logger: {problem}", file=sys.stderr)
        return 1
    except BrokenPipeError:
        # The reader of our output went away; there is nobody to tell, at exit either.
        os.dup2(os.open(os.devnull, os.O_WRONLY), sys.stdout.fileno())
        return 1
    except KeyboardInterrupt:
        return 130  # as a shell counts an end by Ctrl-C


if __name__ == "__main__":
    sys.exit(main())
