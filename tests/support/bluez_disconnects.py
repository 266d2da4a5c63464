"""Radio links lost at random moments, and the check that the log holds what was delivered, once."""

import random
import signal
import time
from collections.abc import Callable
from pathlib import Path

from sagline_logger.format import Link, LinkState

from .bluez_board import Ride, SimulatedBoard
from .bluez_peripheral import Bluetooth, Peripheral
from .capture import PATIENCE, Contents, logged, recording, wait_until


def disconnect_often(
    bluetooth: Bluetooth,
    directory: Path,
    times: int,
    chance: random.Random,
    away: float,
    arguments: tuple[str, ...] = ("--ble", "Kestrel"),
    make: Callable[[SimulatedBoard, int], Peripheral] | None = None,
) -> list[float]:
    """Record Kestrel's ride through ``times`` lost links; return how long each took to be back.

    Every other time the board goes out of range, for up to ``away`` s; a link goes between frames
    or inside one, under a new random MTU each time.  "Back" is subscribed again, counted from the
    moment the board can be heard again, in s.  ``make`` makes another radio module than one of our
    service from a board and a seed, and ``arguments`` name it.
    """
    kestrel = SimulatedBoard(seed=chance.randrange(1 << 30))
    seed = chance.randrange(1 << 30)
    if make is not None:
        peripheral = make(kestrel, seed)
    else:
        peripheral = Peripheral(bluetooth, "Kestrel", greeting=kestrel.greeting, seed=seed)
    back = []
    with recording(*arguments, "--out", directory, "--quiet") as logger:
        with Ride(kestrel, peripheral) as ride:
            for number in range(times):
                assert peripheral.subscribed.wait(PATIENCE)
                ridden = time.monotonic() + chance.uniform(0, 1)
                wait_until(lambda ridden=ridden: time.monotonic() > ridden)
                peripheral.mtu = chance.randint(23, 517)
                peripheral.link_dropped.clear()
                returns = number % 2 == 0
                peripheral.lose(back=returns, after=chance.choice([0, chance.randint(1, 9)]))
                assert peripheral.link_dropped.wait(PATIENCE)
                began = time.monotonic()
                if not returns:
                    until = began + chance.uniform(0, away)
                    wait_until(lambda until=until: time.monotonic() > until)
                    began = time.monotonic()
                    peripheral.come_back()
                assert peripheral.subscribed.wait(PATIENCE)
                back.append(time.monotonic() - began)
            logger.wait_for("link up", times=times)
            ride.stop()
        delivered = b"".join(peripheral.delivered)
        wait_until(lambda: len(Contents(logged(directory)).stream) >= len(delivered))
        status, _, errors = logger.stop(signal.SIGTERM)
    assert status == 0, errors
    contents = Contents(logged(directory))
    assert contents.damaged == []
    assert contents.stream == delivered, "a delivered byte is missing, doubled or invented"
    states = [link.state for link in contents.all(Link)]
    assert states == [LinkState.UP] + [LinkState.DOWN, LinkState.UP] * times
    return back
