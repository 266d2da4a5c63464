"""Kills, pulled cables and full disks while lines or CAN frames come: what the kill, cut and
full-disk suites demand of frames, of each further door."""

import json
import random
import signal
import threading
import time
from collections.abc import Callable
from concurrent.futures import ThreadPoolExecutor
from contextlib import AbstractContextManager
from pathlib import Path

import pytest

from sagline_logger.format import Dropped, End, Link, LinkState, Raw, Samples, Stream
from support.can_bus import DBC, drive, multicast_bus
from support.capture import (
    Contents,
    Plug,
    command,
    logged,
    port_at,
    recording,
    the_log,
    wait_until,
)
from support.printing_board import map_text
from support.small_disk import small_disk
from support.tcp_bridge import bridge_at

LINKS: list[Callable[[Path], AbstractContextManager[Plug]]] = [port_at, bridge_at]


def line(n: int) -> bytes:
    return b"%d,%.2f,%.1f,%d\r\n" % (n * 10, n % 100, n % 10, n)


@pytest.fixture
def plan(tmp_path: Path) -> Path:
    path = tmp_path / "map.toml"
    path.write_text(map_text(period="0.01", file="header = 0\ncells = 4"))
    return path


def numbers(contents: Contents) -> list[int]:
    """Return the number of each line of which the log holds a sample."""
    streams = {(s.boot, s.stream): s for s in contents.all(Stream)}
    return [
        int(row[2])
        for record in contents.all(Samples)
        for row in record.rows(streams[record.boot, record.stream])
    ]


def raw_bytes(log: bytes) -> bytes:
    """Return what the board said, of a log or its end."""
    return b"".join(raw.data for raw in Contents(log).all(Raw))


@pytest.mark.parametrize("link_at", LINKS)
def test_kills_while_lines_come(
    tmp_path: Path, plan: Path, link_at: Callable[[Path], AbstractContextManager[Plug]]
) -> None:
    def kill(seed: int) -> None:
        luck, out = random.Random(seed), tmp_path / f"log{seed}"
        sent: list[float] = []
        stop = threading.Event()

        def feed() -> None:
            while not stop.wait(0.002):
                port.send(line(len(sent)))
                sent.append(time.monotonic())

        with (
            link_at(tmp_path / f"port{seed}") as port,
            recording(*port.arguments, "--lines", plan, "--out", out, "--quiet") as logger,
        ):
            feeder = threading.Thread(target=feed)
            feeder.start()
            time.sleep(luck.uniform(0.3, 2.0))
            logger.process.kill()
            logger.process.wait()
            stop.set()
            feeder.join()
        logs = {path.stat().st_ino: path for path in out.glob("*.sagline")}
        (log,) = logs.values()
        contents = Contents(log.read_bytes())
        assert len(contents.damaged) <= 1, "more than a torn end"
        found = numbers(contents)
        assert found == list(range(found[0], found[0] + len(found))), "missing, doubled, invented"
        whole = b"".join(map(line, range(len(sent))))
        kept = b"".join(raw.data for raw in contents.all(Raw))
        assert kept in whole
        # All is there that is older than the stated second, and what the kernel still held.
        last = kept.count(b"\n") + whole[: whole.find(kept)].count(b"\n")
        assert sent[-1] - sent[min(last, len(sent) - 1)] < 2.5
        status, text, errors = command("verify", log)
        assert (status, errors) == (0, []), text

    with ThreadPoolExecutor(4) as pool:
        assert len(list(pool.map(kill, range(4)))) == 4  # raises what any of them raised


@pytest.mark.parametrize("link_at", LINKS)
def test_pulled_while_lines_come(
    tmp_path: Path, plan: Path, link_at: Callable[[Path], AbstractContextManager[Plug]]
) -> None:
    out, n = tmp_path / "log", 0
    with (
        link_at(tmp_path / "port") as port,
        recording(*port.arguments, "--lines", plan, "--out", out) as logger,
    ):
        for turn in range(4):
            if turn:
                port.unplug()
                logger.wait_for("link down", times=turn)
                port.plug()
                logger.wait_for("open again", times=turn)
                n += 10  # said while nobody heard
            port.send(b"half\n" + b"".join(map(line, range(n, n + 40))) + b"17,")
            n += 40
            wait_until(lambda last=b"%d\r\n" % (n - 1): last in logged(out))
        status, _, _ = logger.stop(signal.SIGTERM)
    assert status == 0
    contents = Contents(logged(out))
    assert contents.damaged == []
    assert numbers(contents) == [at for turn in range(4) for at in range(50 * turn, 50 * turn + 40)]
    states = [link.state for link in contents.all(Link)]
    assert states == [LinkState.UP, *[LinkState.DOWN, LinkState.UP] * 3]
    evidence = [link.evidence for link in contents.all(Link) if link.state is LinkState.UP]
    assert all("device clock carried on in boot 1" in text for text in evidence[1:])
    report = json.loads(command("verify", the_log(out), "--json")[1])
    assert report["lost_samples"] == 30  # by the board's own clock
    assert report["missing_bytes"] == 0


def test_a_full_disk_while_lines_come(tmp_path: Path) -> None:
    """What could not be written is counted, and by that count nothing more is missing."""

    def long(n: int) -> bytes:  # with a word that no channel takes: fewer lines fill the disk
        return line(n).replace(b"\r\n", b"," + b"x" * 500 + b"\r\n")

    plan, count = tmp_path / "map.toml", 16_000  # over what is held in memory (4 MiB)
    plan.write_text(map_text(period="0.01", file="header = 0\ncells = 5"))
    with small_disk(tmp_path / "disk", "16m") as disk, port_at(tmp_path / "port") as port:
        ballast = disk / "ballast"
        ballast.write_bytes(bytes((16 << 20) - (300 << 10)))
        with recording("--serial", port.path, "--lines", plan, "--out", disk) as logger:
            port.send(b"cut\n")
            for start in range(0, count, 100):
                port.send(b"".join(map(long, range(start, start + 100))))
            logger.wait_for("No space left on device; keeping the link alive")
            ballast.unlink()
            logger.wait_for("writing again")
            port.send(b"".join(map(long, range(count, count + 100))))
            wait_until(lambda: long(count + 99) in raw_bytes(logged(disk)[-65536:]))
            status, out, _ = logger.stop(signal.SIGTERM)
        contents = Contents(logged(disk))
        report = json.loads(command("verify", the_log(disk), "--json")[1])
    assert status == 1
    assert contents.damaged == []
    (dropped,) = contents.all(Dropped)
    assert f"the disk did not take {dropped.frames} frames" in out
    found = numbers(contents)
    assert found == sorted(set(found))
    assert found[0] == 0
    assert found[-1] == count + 99
    assert report["lost_samples"] == count + 100 - len(found) > 0
    assert report["missing_bytes"] == 0
    assert report["missing_frames"] == 0
    assert len(contents.all(End)) == 1


def test_kills_while_can_frames_come(tmp_path: Path) -> None:
    for seed in range(3):
        luck, out = random.Random(seed), tmp_path / f"log{seed}"
        with multicast_bus() as bus:
            stop = threading.Event()
            count = [0]

            def feed(bus=bus, stop=stop, count=count) -> None:
                while not stop.is_set():
                    count[0] += bus.send([drive(count[0] + k) for k in range(20)])

            with recording(*bus.arguments, "--dbc", DBC, "--out", out, "--quiet") as logger:
                feeder = threading.Thread(target=feed)
                feeder.start()
                time.sleep(luck.uniform(0.4, 1.5))
                logger.process.kill()
                logger.process.wait()
                stop.set()
                feeder.join()
        logs = {path.stat().st_ino: path for path in out.glob("*.sagline")}
        (log,) = logs.values()
        contents = Contents(log.read_bytes())
        assert len(contents.damaged) <= 1
        streams = {s.stream: s for s in contents.all(Stream)}
        volts = [
            int(row[0])
            for record in contents.all(Samples)
            for row in record.rows(streams[record.stream])
        ]
        first = volts[0]
        assert volts == [4000 + (first - 4000 + k) % 2000 for k in range(len(volts))]
        assert command("verify", log)[0] == 0


def test_a_full_disk_while_can_frames_come(tmp_path: Path) -> None:
    with small_disk(tmp_path / "disk", "1m") as disk, multicast_bus() as bus:
        ballast = disk / "ballast"
        ballast.write_bytes(bytes((1 << 20) - (100 << 10)))
        with recording(*bus.arguments, "--dbc", DBC, "--out", disk) as logger:
            bus.send((drive(n) for n in range(4000)), rate=1000)
            logger.wait_for("No space left on device; keeping the link alive")
            ballast.unlink()
            logger.wait_for("writing again")
            wait_until(lambda: len(Contents(logged(disk)).all(Samples)) == 4000)
            assert logger.stop(signal.SIGTERM)[0] == 0
        assert command("verify", "--strict", the_log(disk))[0] == 0
