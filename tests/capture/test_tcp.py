"""Recording over TCP from a real socket on the loopback, with the real command."""

import random
import signal
import socket
from pathlib import Path

import psutil
import pytest

from sagline_logger.capture.tcp_source import TcpSource, address
from sagline_logger.format import Link, LinkState, Samples
from support.capture import Contents, command, logged, recording, the_log, wait_until
from support.disconnects import disconnect_often
from support.frames import Device
from support.kills import kill_once
from support.printing_board import map_text
from support.small_disk import small_disk
from support.tcp_bridge import bridge_at


def test_every_byte_from_the_first_is_kept(tmp_path: Path) -> None:
    # What the bridge sends at once, before anybody reads, is the board's description.
    sent = b"".join(Device(name="Kestrel").run(300))
    with (
        bridge_at(tmp_path) as bridge,
        recording(*bridge.arguments, "--out", tmp_path / "log") as logger,
    ):
        bridge.send(sent)
        wait_until(lambda: Contents(logged(tmp_path / "log")).stream == sent)
        status, out, _ = logger.stop(signal.SIGTERM)
    assert status == 0
    assert "301 frames" not in out
    assert " 0 samples lost, 0 foreign bytes" in out
    assert command("verify", the_log(tmp_path / "log"))[1].rstrip().endswith("Nothing lost.")


def test_random_disconnects(tmp_path: Path) -> None:
    disconnect_often(tmp_path, 4, random.Random(5), bridge_at)


def test_five_kills_leave_logs_that_read(tmp_path: Path) -> None:
    for seed in range(5):
        (tmp_path / str(seed)).mkdir()
        kill_once(tmp_path / str(seed), random.Random(seed), bridge_at)


def test_a_full_disk(tmp_path: Path) -> None:
    sent = b"".join(Device().run(4000))
    with small_disk(tmp_path / "disk", "1m") as disk, bridge_at(tmp_path) as bridge:
        ballast = disk / "ballast"
        ballast.write_bytes(bytes((1 << 20) - (100 << 10)))
        with recording(*bridge.arguments, "--out", disk) as logger:
            bridge.send(sent)
            logger.wait_for("No space left on device")
            ballast.unlink()
            logger.wait_for("writing again")
            wait_until(lambda: Contents(logged(disk)).stream == sent)
            assert logger.stop(signal.SIGTERM)[0] == 0


def test_lines_by_tcp(tmp_path: Path) -> None:
    plan = tmp_path / "map.toml"
    plan.write_text(map_text())
    with bridge_at(tmp_path) as bridge:
        arguments = (*bridge.arguments, "--lines", plan, "--out", tmp_path / "log")
        with recording(*arguments) as logger:
            bridge.send(b"x\n" + b"".join(b"%d,48.01,1.5,3\n" % (20 * n) for n in range(100)))
            wait_until(lambda: len(Contents(logged(tmp_path / "log")).all(Samples)) == 100)
            assert logger.stop(signal.SIGTERM)[0] == 0


def test_the_other_end_closes(tmp_path: Path) -> None:
    with (
        bridge_at(tmp_path) as bridge,
        recording(*bridge.arguments, "--out", tmp_path / "log") as logger,
    ):
        bridge.send(b"".join(Device().run(3)))
        bridge.unplug()
        logger.wait_for("the other end closed the connection")
        logger.wait_for("nothing takes connections there")
        bridge.plug()
        logger.wait_for("open again")
        bridge.send(b"".join(Device().run(3)))
        logger.wait_for("link up")
        logger.stop(signal.SIGTERM)
    states = [link.state for link in Contents(logged(tmp_path / "log")).all(Link)]
    assert states == [LinkState.UP, LinkState.DOWN, LinkState.UP]


@pytest.mark.parametrize(
    ("target", "words"),
    [
        ("192.0.2.1:7", "this is another machine"),  # TEST-NET-1 of RFC 5737
        ("example.invalid:7", "this is another machine"),  # .invalid of RFC 2606
        ("127.0.0.1", "is not HOST:PORT"),
        ("127.0.0.1:70000", "with a port from 1 to 65535"),
        ("localhost:x", "is not HOST:PORT"),
    ],
)
def test_what_cannot_be_asked_for(tmp_path: Path, target: str, words: str) -> None:
    status, _, errors = command("record", "--tcp", target, "--out", tmp_path)
    assert status in (1, 2)
    assert words in errors[-1]
    assert list(tmp_path.iterdir()) == []


def test_a_name_that_nobody_knows(tmp_path: Path) -> None:
    target = ("--tcp", "example.invalid:7", "--remote")
    _, _, errors = command("record", *target, "--out", tmp_path)
    assert len(errors) == 1
    assert "example.invalid:7" in errors[0]


def test_nobody_listens(tmp_path: Path) -> None:
    with socket.socket() as taken:
        taken.bind(("127.0.0.1", 0))
        port = taken.getsockname()[1]
        _, _, errors = command("record", "--tcp", port, "--out", tmp_path)
    assert errors == [
        f"sagline-logger: 127.0.0.1:{port}: nothing takes connections there; check the device, or "
        "add --wait to keep trying"
    ]


def test_addresses() -> None:
    assert address("9000") == ("127.0.0.1", 9000)
    assert address("localhost:9000") == ("localhost", 9000)
    assert address("[::1]:9000") == ("::1", 9000)
    assert TcpSource("::1", 9000, False).description == "TCP [::1]:9000"


def test_memory_stays_bounded_while_the_sender_is_faster(tmp_path: Path) -> None:
    """A flood of text that makes no frame: what waits stays in the socket and with the sender."""
    with (
        bridge_at(tmp_path) as bridge,
        recording(*bridge.arguments, "--out", tmp_path / "log", "--quiet") as logger,
    ):
        process = psutil.Process(logger.process.pid)
        bridge.send(b"x" * (1 << 20))
        before = process.memory_info().rss
        for _ in range(60):
            bridge.send(b"x" * (1 << 20))
        assert process.memory_info().rss - before < 24 << 20
        # Sockets alone may hold tens of MB: the logger goes on taking them.
        wait_until(lambda: the_log(tmp_path / "log").stat().st_size > 40 << 20)
        assert process.memory_info().rss - before < 24 << 20
        logger.stop(signal.SIGTERM)
