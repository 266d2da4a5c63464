"""Which source to capture from: the one place where a new kind of source is entered.

A source is a module with a class that satisfies :class:`~.source.Source`, an option here and a
line in :func:`choose_source`; modules are imported only when their source is used.
"""

import argparse
from pathlib import Path

from ..arguments import positive_number, positive_whole
from .source import Source


def add_source_arguments(parser: argparse.ArgumentParser) -> None:
    """Add the options that name a source."""
    where = parser.add_mutually_exclusive_group(required=True)
    where.add_argument("--serial", metavar="PORT", help="a serial port, such as /dev/ttyUSB0, COM3")
    where.add_argument("--ble", metavar="NAME", help="a Bluetooth LE device, by name or address")
    where.add_argument("--replay", metavar="LOG", type=Path, help="a log, at its own pace")
    parser.add_argument(
        "--baud",
        type=positive_whole,
        default=115200,
        metavar="N",
        help="speed of the serial port (default %(default)s)",
    )
    parser.add_argument(
        "--speed",
        type=positive_number,
        default=1.0,
        metavar="X",
        help="replay X times as fast (default 1)",
    )


def choose_source(arguments: argparse.Namespace) -> Source:
    """Return the source that the options name."""
    if arguments.serial:
        from .serial_source import SerialSource

        return SerialSource(arguments.serial, arguments.baud)
    if arguments.ble:
        from .ble_source import BleSource

        return BleSource(arguments.ble)
    from .replay_source import ReplaySource

    return ReplaySource(arguments.replay, arguments.speed)
