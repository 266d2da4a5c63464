"""``kill -9`` of a recording logger at a random moment, and the check of what it left."""

import os
import random
import threading
import time
from collections.abc import Callable
from contextlib import AbstractContextManager
from pathlib import Path

from .capture import LOGGER, Contents, Plug, command, port_at, recording, wait_until
from .frames import Device

AT_RISK = 1.0
"""The stated bound: s of data that a kill may cost."""


def kill_once(
    directory: Path,
    luck: random.Random,
    link_at: Callable[[Path], AbstractContextManager[Plug]] = port_at,
) -> float:
    """Record, kill at a random moment, check the log; return the age in s of the newest frame lost.

    The board's name comes at a random moment too, so that kills fall on the renaming as well.
    """
    device = Device()
    sent: list[tuple[float, bytes]] = []
    stop = threading.Event()
    name_at = luck.randrange(200)

    def feed() -> None:
        while not stop.wait(0.002):
            frame = device.description() if len(sent) == name_at else device.samples()
            port.send(frame)
            sent.append((time.monotonic(), frame))

    with (
        link_at(directory / "port") as port,
        recording(*port.arguments, "--out", directory / "log", "--quiet") as logger,
    ):
        feeder = threading.Thread(target=feed)
        feeder.start()
        moment = time.monotonic() + luck.uniform(0.0, 2.0)
        wait_until(lambda: time.monotonic() >= moment)
        killed = time.monotonic()
        os.kill(logger.process.pid, 9)
        logger.process.wait()
        stop.set()
        feeder.join()
    # A kill in the middle of the renaming may leave one file under two names, never two files.
    logs = {path.stat().st_ino: path for path in (directory / "log").glob("*.sagline")}
    (log,) = logs.values()
    contents = Contents(log.read_bytes())
    frames = [frame for _, frame in sent]
    # Nothing but the first frame, cut when the port was opened, may be missing at the front.
    kept = b"".join(contents.frames)
    whole = b"".join(frames)
    assert len(contents.damaged) <= 1, "more than a torn end"
    start = whole.find(kept) if kept else 0
    assert start >= 0, "frames are missing within, doubled or invented"
    before_open = whole[:start]
    end, lost = start + len(kept), 0.0
    position = 0
    for at, frame in sent:
        if position >= end and at < killed:
            lost = max(lost, killed - at)
        position += len(frame)
    assert len(before_open) < 20_000
    status, text, errors = command("verify", log)
    assert (status, errors) == (0, []), (LOGGER, text, errors)
    return lost
