"""``sagline-logger find``: what could be recorded here."""

import argparse

from ..arguments import positive_number
from ..format import SaglineError

EXAMPLES = (
    "find",
    "find --no-ble",
)


def add_arguments(parser: argparse.ArgumentParser) -> None:
    """Add the command's options."""
    parser.add_argument(
        "--seconds",
        type=positive_number,
        default=5.0,
        metavar="N",
        help="how long to listen for Bluetooth LE devices (default %(default)s)",
    )
    parser.add_argument("--no-ble", action="store_true", help="serial ports only")


def run(arguments: argparse.Namespace) -> int:
    """List serial ports and Bluetooth LE devices that advertise our service; 1 when none."""
    from ..capture.serial_source import ports

    found = ports()
    for name, description in found:
        print(f"--serial {name}    {description}".removesuffix("    n/a"))
    if not found:
        print("no serial ports")
    return _find_ble(arguments.seconds, bool(found)) if not arguments.no_ble else int(not found)


def _find_ble(seconds: float, found: bool) -> int:
    from ..capture.ble_source import discover

    try:
        devices = discover(seconds)
    except SaglineError as problem:
        print(f"no Bluetooth LE: {problem}")
        devices = []
    else:
        if not devices:
            print("no Bluetooth LE device advertises telemetry")
    for device in devices:
        print(f"--ble {device.address}    {device.name} ({device.signal})")
    return int(not (found or devices))
