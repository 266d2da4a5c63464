"""``sagline-logger find``: what could be recorded here."""

import argparse

from ..format import SaglineError
from ..format.arguments import positive_number

EXAMPLES = (
    "find",
    "find --no-ble",
    "find --all",
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
    parser.add_argument(
        "--all",
        action="store_true",
        help="all Bluetooth LE devices in range and which of their characteristics notify; each is "
        "connected to for a moment",
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
    if arguments.no_ble:
        return int(not found)
    look = _find_all if arguments.all else _find_ble
    return look(arguments.seconds, bool(found))


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


def _find_all(seconds: float, found: bool) -> int:
    from ..capture import ble_service
    from ..capture.ble_source import discover_all
    from ..capture.gatt_stream import short

    try:
        devices = discover_all(seconds)
    except SaglineError as problem:
        print(f"no Bluetooth LE: {problem}")
        return int(not found)
    if not devices:
        print("no Bluetooth LE device in range")
    for device in devices:
        print(f"--ble {device.address}    {device.name or '(no name)'} ({device.rssi} dBm)")
        for uuid in device.notifying:
            ours = uuid == ble_service.STREAM
            print("    sends our frames" if ours else f"    --characteristic {short(uuid)}")
        if device.problem:
            print(f"    {device.problem}")
        elif not device.notifying:
            print("    nothing of it notifies")
    return int(not (found or devices))
