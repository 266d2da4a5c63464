"""A disk that runs full under a recording logger at a random moment, and the check of the log."""

import random
import signal
from collections.abc import Callable
from contextlib import AbstractContextManager
from pathlib import Path

from sagline_logger.capture.log_writer import HOLD
from sagline_logger.format import Dropped, HostRecord

from .capture import Contents, Plug, command, port_at, recording, the_log, wait_until
from .frames import Device
from .small_disk import small_disk

DISK = 16 << 20
"""Bytes of the disk: enough for a log that was twice held back in full."""
WAYS = ("short", "long", "twice", "stopped", "killed")
"""How a shortage ends: before the logger's memory is used up, after it, after it and again, or with
the logger while the disk is still full."""


def fill_once(
    directory: Path,
    luck: random.Random,
    link_at: Callable[[Path], AbstractContextManager[Plug]] = port_at,
) -> tuple[str, int]:
    """Record while a disk of a random room fills, check the log; return how it ended and the frames
    that were dropped.

    What the log holds must be what was sent, byte for byte, but for exactly the bytes and frames
    that its DROPPED records tell at their places, or (``stopped``, ``killed``) the end.
    """
    way, device = luck.choice(WAYS), Device()
    sent = [device.description()]
    with small_disk(directory / "disk", str(DISK)) as disk, link_at(directory / "port") as port:
        ballast = disk / "ballast"

        def send(size: int) -> None:
            target = sum(map(len, sent)) + size
            held = sum(map(len, sent))
            while held < target:
                sent.append(device.samples(luck.randint(1, 200)))
                port.send(sent[-1])
                held += len(sent[-1])

        def fill() -> None:
            used = sum(path.stat().st_blocks * 512 for path in disk.glob("*.sagline"))
            ballast.write_bytes(bytes(max(0, DISK - used - (luck.randint(8, 300) << 10))))

        with recording(*port.arguments, "--out", disk) as logger:
            port.send(sent[0])
            for turn in range(1, 3 if way == "twice" else 2):
                fill()
                over = way in ("long", "twice")
                send(HOLD + luck.randrange(HOLD // 2) if over else 1 << 19)
                logger.wait_for("No space left on device; keeping the link alive", times=turn)
                if way in ("short", "long", "twice"):
                    ballast.unlink()
                    logger.wait_for("writing again", times=turn)
                    send(luck.randrange(1, 100_000))
                    wait_until(lambda: sent[-1] in the_log(disk).read_bytes())
            if way == "killed":
                logger.process.kill()
            status, _, errors = logger.stop(signal.SIGTERM)
        contents = Contents(the_log(disk).read_bytes())
        verified, text, _ = command("verify", the_log(disk))
    dropped = contents.all(Dropped)
    ended = way in ("stopped", "killed")
    assert status == {"killed": -9, "stopped": 1}.get(way, int(bool(dropped))), (way, errors)
    assert verified == 0, text
    assert len(contents.damaged) <= ended, "more than the frame that the end of the disk fell on"
    whole = b"".join(sent)
    kept = without(whole, contents)
    assert contents.stream == kept or (ended and kept.startswith(contents.stream)), way
    assert not (dropped and way in ("short", "stopped", "killed")), way
    return way, sum(gap.frames for gap in dropped)


def without(whole: bytes, contents: Contents) -> bytes:
    """Return ``whole`` less what the log's DROPPED records say is lacking where they stand."""
    kept, place, frames = b"", 0, iter(contents.frames)
    for record in contents.records:
        if isinstance(record, Dropped):
            lacking = whole[place : place + record.device]
            assert lacking.count(b"\0") == record.frames, "frames and bytes dropped disagree"
            place += record.device
        elif not isinstance(record, HostRecord):
            size = len(next(frames))
            kept += whole[place : place + size]
            place += size
    return kept + whole[place:]
