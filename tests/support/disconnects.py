"""Disconnects at random moments, and the check that the log holds what was delivered, once."""

import random
import signal
import time
from collections.abc import Callable
from contextlib import AbstractContextManager
from pathlib import Path

from .capture import Contents, Plug, logged, port_at, recording, wait_until
from .frames import Device


def disconnect_often(
    directory: Path,
    times: int,
    luck: random.Random,
    link_at: Callable[[Path], AbstractContextManager[Plug]] = port_at,
) -> float:
    """Pull the port ``times`` times while a device sends; return the slowest time in s from
    the return of the port to the first frame understood.

    Every second time the device waits until the logger has read all before the pull, and then
    every byte must be in the log.  Otherwise it is pulled in the middle of things, when what
    still lay in the kernel was never delivered: then the log holds the beginning of what was sent.
    """
    device = Device()
    stretches: list[bytes] = []  # what was sent between two disconnects
    drained: list[bool] = []
    slowest = plugged = 0.0
    with (
        link_at(directory / "port") as port,
        recording(*port.arguments, "--out", directory / "log", "--quiet") as logger,
    ):
        for n in range(times + 1):
            if n:
                logger.wait_for("open again", times=n)
            sent = device.description() + b"".join(device.samples() for _ in range(10))
            port.send(sent)
            if n:
                logger.wait_for("link up", times=n)
                slowest = max(slowest, time.monotonic() - plugged)
            for _ in range(luck.randrange(60)):
                frame = device.samples(luck.randint(1, 20))
                port.send(frame)
                sent += frame
            whole = n % 2 == 0 or n == times
            if not whole:
                port.send(half := device.samples()[: luck.randint(1, 15)])
                sent += half
            stretches.append(sent)
            drained.append(whole)
            if whole:
                wait_until(lambda end=sent[-60:]: end in logged(directory / "log"))
            if n < times:
                port.unplug()
                logger.wait_for("link down", times=n + 1)
                device.clock += 100_000
                port.plug()
                plugged = time.monotonic()
        status, _, _ = logger.stop(signal.SIGTERM)
    assert status == 0
    contents = Contents(logged(directory / "log"))
    assert contents.damaged == []
    for sent, whole, kept in zip(stretches, drained, contents.stretches, strict=True):
        assert sent.startswith(kept), "a frame is missing, doubled or invented"
        assert kept == sent or (kept and not whole), "what was delivered is not all there"
    return slowest
