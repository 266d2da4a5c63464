"""A CAN bus for the tests: UDP multicast between programs on this machine, or virtual within one.

Frames are made and checked with cantools, whose reading of a DBC is not ours.
"""

import contextlib
import fcntl
import random
import tempfile
import time
from collections.abc import Iterable, Iterator, Sequence
from decimal import Decimal
from pathlib import Path
from typing import Any

import can
import cantools

DBC = Path(__file__).parents[1] / "can_bus" / "kestrel.dbc"
DATABASE: Any = cantools.database.load_file(DBC)
FULL_LOAD = 4000
"""Frames a second that fill a bus of 500 kbit/s, about: a frame of 8 data bytes takes 111 bits and
stuffing, 125 on the average (ISO 11898-1; from memory)."""

MAP = """
board = "Kestrel"
[[columns]]
column = "pack_voltage"
channel = "pack_voltage"
[[columns]]
column = "battery_current"
channel = "battery_current"
[[columns]]
column = "Drive.motor_rpm"
channel = "motor_speed"
index = 1
[[columns]]
column = "wheel_speed"
channel = "speed"
[[columns]]
column = "cell_voltage_3"
channel = "cell_voltage"
index = 3
"""


class MulticastBus:
    """A bus that other programs can join; ``arguments`` name it to ``record``."""

    def __init__(self) -> None:
        # Drawn from what stays on the site (RFC 2365: 239.255/16).
        luck = random.SystemRandom()
        self.channel = f"239.255.{luck.randrange(1, 255)}.{luck.randrange(1, 255)}"
        self.arguments: tuple[object, ...] = (
            "--can",
            self.channel,
            "--can-interface",
            "udp_multicast",
        )
        self.bus = can.Bus(interface="udp_multicast", channel=self.channel, fd=False)

    def send(self, frames: Iterable[can.Message], rate: float = 2000) -> int:
        """Send frames at so many a second; return how many."""
        began, count = time.monotonic(), 0
        for frame in frames:
            self.bus.send(frame)
            count += 1
            ahead = count / rate - (time.monotonic() - began)
            if ahead > 0.002:
                time.sleep(ahead)
        return count


@contextlib.contextmanager
def multicast_bus() -> Iterator[MulticastBus]:
    """Yield a bus that no other test's frames come to.

    All such buses share one port, and Linux gives a socket what comes to it for every group that
    any program here has joined (ip(7), IP_MULTICAST_ALL): one test at a time has a bus.
    """
    with (Path(tempfile.gettempdir()) / "sagline-can-bus.lock").open("w") as lock:
        fcntl.flock(lock, fcntl.LOCK_EX)
        bus = MulticastBus()
        try:
            yield bus
        finally:
            bus.bus.shutdown()


def frame(name: str, **signals: float) -> can.Message:
    """Return a message of the DBC with physical values."""
    message = DATABASE.get_message_by_name(name)
    return can.Message(
        arbitration_id=message.frame_id,
        is_extended_id=message.is_extended_frame,
        data=message.encode(signals),
    )


def drive(n: int) -> can.Message:
    """Return the n-th frame of a drive whose numbers count."""
    return frame(
        "Drive",
        pack_voltage=(4000 + n % 2000) / 100,
        battery_current=(n % 3000 - 1500) / 10,
        motor_rpm=n % 8000 - 4000,
        duty_cycle=n % 100 / 2,
    )


def mixed(count: int) -> list[can.Message]:
    """Return frames of all messages of the DBC, and of one that it does not name."""
    frames = []
    for n in range(count):
        match n % 5:
            case 0 | 1:
                frames.append(drive(n))
            case 2:
                frames.append(
                    frame("Heat", motor_temperature=n % 900 / 10, controller_temperature=n % 90)
                )
            case 3:
                at = n % 2
                cells = {f"cell_voltage_{2 * at + k}": (3500 + n % 700 + k) / 1000 for k in (1, 2)}
                frames.append(frame("Cells", group=at, **cells))
            case _:
                frames.append(
                    can.Message(arbitration_id=0x7E8, is_extended_id=False, data=[n % 256])
                )
    return frames


def decoded(frames: Sequence[can.Message], name: str) -> list[dict[str, Decimal]]:
    """Return what cantools reads from the frames of one message, to nine digits."""
    message = DATABASE.get_message_by_name(name)
    return [
        {
            key: round(Decimal(repr(float(value))), 9)
            for key, value in message.decode(bytes(one.data)).items()
        }
        for one in frames
        if one.arbitration_id == message.frame_id
        and one.is_extended_id == message.is_extended_frame
    ]
