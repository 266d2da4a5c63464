"""The one interface to a running capture: captures one after another, looked at from other threads,
and the link keeper's phases on a real port that is pulled and plugged."""

import threading
from pathlib import Path

import pytest

from sagline_logger.capture.desk import CaptureDesk
from sagline_logger.capture.link_keeper import LinkKeeper, Phase
from sagline_logger.capture.recorder import Request
from sagline_logger.capture.serial_source import SerialSource
from sagline_logger.capture.source import LinkLost
from sagline_logger.format import End, Mark, SaglineError
from sagline_logger.preride.listening import listen
from support.capture import Contents, command, port_at, wait_until
from support.frames import Device


def test_captures_one_after_another(tmp_path: Path) -> None:
    told: list[str] = []
    device = Device(boot=3, volts=44.1)
    with port_at(tmp_path / "port") as port:
        source = SerialSource(str(port.path), 115200)
        desk = CaptureDesk(source, Request(tmp_path / "logs"), told.append)
        assert desk.snapshot().stage == "idle"
        assert desk.mark("before there is a file") == 0
        for number in (1, 2):
            desk.start()
            with pytest.raises(SaglineError, match="runs already"):
                desk.start()
            wait_until(lambda: desk.snapshot().stage == "open")
            port.send(b"".join(device.run(20)))
            wait_until(lambda: desk.snapshot().values.get("pack_voltage") == 44.1)
            assert desk.mark(f"hill {number}") == 1
            desk.stop("stopped by a test")
            desk.join(30)
            assert not desk.running
            assert desk.ended is not None
            assert desk.ended.problem is None
            assert desk.snapshot().stage == "idle"
            assert desk.snapshot().frames == desk.ended.state.frames > 20  # type: ignore[union-attr]
    logs = sorted((tmp_path / "logs").glob("*.sagline"))
    assert len(logs) == 2
    texts = []
    for log in logs:
        contents = Contents(log.read_bytes())
        texts += [mark.text for mark in contents.all(Mark)]
        assert [end.reason for end in contents.all(End)] == ["stopped by a test"]
    assert sorted(texts) == ["hill 1", "hill 2"]


def test_a_capture_that_cannot_begin_says_why(tmp_path: Path) -> None:
    desk = CaptureDesk(SerialSource(str(tmp_path / "none"), 9600), Request(tmp_path))
    desk.start()
    desk.join(30)
    assert desk.ended is not None
    assert "there is no such port" in str(desk.ended.problem)
    assert desk.ended.state is None


def test_the_pre_ride_check_listens_in_on_a_running_capture(tmp_path: Path) -> None:
    device = Device(boot=3)
    with port_at(tmp_path / "port") as port:
        desk = CaptureDesk(SerialSource(str(port.path), 115200), Request(tmp_path / "logs"))
        tap = desk.overhear()
        with pytest.raises(SaglineError, match="no capture runs"):
            listen(tap, 0.1)
        desk.start()
        wait_until(lambda: desk.snapshot().stage == "open")
        stop = threading.Event()

        def send() -> None:
            while not stop.wait(0.02):
                port.send(b"".join(device.run(2)))

        sender = threading.Thread(target=send)
        sender.start()
        try:
            heard = listen(desk.overhear(), 1.0)
        finally:
            stop.set()
            sender.join()
        assert len(heard.records) > 20
        assert heard.link_losses == ()
        desk.stop("stopped by a test")
        desk.join(30)
        assert desk.ended is not None
        assert desk.ended.state is not None
        assert desk.ended.state.lost == 0


def test_a_slow_listener_ends_its_own_stream_and_not_the_capture(tmp_path: Path) -> None:
    sent = b"".join(Device(boot=3).run(2000))
    with port_at(tmp_path / "port") as port:
        desk = CaptureDesk(SerialSource(str(port.path), 115200), Request(tmp_path / "logs"))
        desk.start()
        wait_until(lambda: desk.snapshot().stage == "open")
        tap = desk.overhear()
        tap.open()
        rounds = (1 << 20) // len(sent) + 2
        for _ in range(rounds):
            port.send(sent)
        wait_until(lambda: desk.snapshot().received == rounds * len(sent))
        got = b""
        with pytest.raises(LinkLost, match="fell behind"):
            while True:
                got += tap.read(0.1)
        assert (sent * rounds).startswith(got)
        assert len(got) <= 1 << 20
        tap.open()
        desk.stop("stopped by a test")
        with pytest.raises(EOFError):
            while True:
                tap.read(10)
        desk.join(30)


def test_the_phases_of_a_link(tmp_path: Path) -> None:
    with port_at(tmp_path / "port") as port:
        link = LinkKeeper(SerialSource(str(port.path), 115200))
        assert link.phase is Phase.RETRY
        link.open()
        assert link.phase is Phase.OPEN
        port.unplug()
        with pytest.raises(LinkLost):
            while True:
                link.read(1)
        link.broke()
        assert link.phase is Phase.RETRY
        assert "no such port" in link.try_again()
        assert link.try_again() == ""  # said once
        assert link.tries == 2
        port.plug()
        assert link.try_again() == ""
        assert link.phase is Phase.DOWN
        assert link.read(0.01) == b""
        assert link.phase is Phase.DOWN
        port.send(b"x")
        assert link.read(10) == b"x"
        assert link.phase is Phase.REJOIN
        link.joined()
        assert link.phase is Phase.OPEN
        link.fell_silent()
        assert link.phase is Phase.DOWN
        link.close()


def test_an_option_of_another_source_is_refused(tmp_path: Path) -> None:
    _, _, errors = command("record", "--ble", "Kestrel", "--baud", 9600, "--out", tmp_path)
    assert errors == [
        "sagline-logger: --baud: does not go with --ble; leave it out; it belongs to --serial"
    ]
    assert list(tmp_path.iterdir()) == []
