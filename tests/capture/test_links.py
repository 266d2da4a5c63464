"""Lost links and restarted devices: one file, every frame once, and the evidence beside the gap."""

import random
import signal
import termios
from pathlib import Path

import pytest

from sagline_logger.capture.rejoin import LastHeard, Rejoin
from sagline_logger.capture.serial_source import SerialSource
from sagline_logger.capture.source import LinkLost
from sagline_logger.format import (
    Fault,
    Foreign,
    FrameSplitter,
    Instant,
    Link,
    LinkState,
    Samples,
    Time,
    encode_frame,
)
from support.capture import Contents, logged, port_at, recording, wait_until
from support.disconnects import disconnect_often
from support.frames import Device
from support.reader_counts import verify_counts


def evidence(contents: Contents) -> list[tuple[LinkState, str]]:
    return [(link.state, link.evidence) for link in contents.all(Link)]


@pytest.mark.parametrize("call", ["tcsetattr", "tcflush"])
def test_a_port_that_goes_while_it_is_set_up_is_a_lost_link(
    tmp_path: Path, monkeypatch: pytest.MonkeyPatch, call: str
) -> None:
    """The kernel's own error of a port that was pulled between two calls of opening it."""
    whole = getattr(termios, call)
    with port_at(tmp_path / "port") as port:

        def pulled(*given: object) -> object:
            port.unplug()
            try:
                return whole(*given)
            finally:
                port.plug()

        monkeypatch.setattr(termios, call, pulled)
        with pytest.raises(LinkLost, match="Input/output error"):
            SerialSource(str(port.path), 115200).open()
        monkeypatch.undo()


def test_a_pulled_cable_is_told_from_a_restart_and_a_restart_from_a_pulled_cable(
    tmp_path: Path,
) -> None:
    device = Device(boot=7, volts=44.1)
    sent: list[bytes] = []

    def send_all(*frames: bytes) -> None:
        sent.extend(frames)
        port.send(b"".join(frames))
        wait_until(lambda: Contents(logged(tmp_path)).stream == b"".join(sent))

    with (
        port_at(tmp_path / "port") as port,
        recording("--serial", port.path, "--out", tmp_path) as logger,
    ):
        send_all(*device.run(20))
        port.send(b"\x09cut off")
        port.wait_until_read()
        port.unplug()
        logger.wait_for("link down")
        sent.append(b"\x09cut off")
        port.plug()
        logger.wait_for("open again")
        device.clock += 200_000  # the time it took, more or less; the device's clock ran on
        send_all(*device.run(5))
        logger.wait_for("link up")

        port.unplug()
        logger.wait_for("link down", times=2)
        port.plug()
        logger.wait_for("open again", times=2)
        fresh = Device(boot=8, volts=54.2)
        send_all(*fresh.run(5))
        logger.wait_for("link up", times=2)
        assert logger.stop(signal.SIGTERM)[0] == 0

    contents = Contents(logged(tmp_path))
    assert contents.stream == b"".join(sent)
    (cut,) = contents.all(Foreign)
    assert (cut.reason, cut.data) == (Fault.UNFINISHED, b"\x09cut off")
    (_, connected), (_, gone), (_, back), (down, _), (up, restarted) = evidence(contents)
    assert connected.startswith("connected: serial")
    assert "went away" in gone
    assert "radio or cable loss: device clock carried on in boot 7" in back
    assert back.startswith("reconnected after ")
    assert (down, up) == (LinkState.DOWN, LinkState.UP)
    assert "device restarted: boot 7 then 8" in restarted
    assert restarted.endswith("pack 44.10 V before, 54.20 V after")
    # The new segment begins after its LINK record, with a TIME of its own.
    place = contents.records.index(contents.all(Link)[-1])
    assert isinstance(contents.records[place + 1], Time)
    assert contents.records[place + 2].boot == 8  # type: ignore[union-attr]


def test_a_pack_swap_behind_an_open_port(tmp_path: Path) -> None:
    # The adapter keeps its power while the board loses its own: only silence tells.
    before, after = Device(boot=1, volts=41.0), Device(boot=2, volts=54.0)
    sent = b"".join(before.run(10))
    with (
        port_at(tmp_path / "port") as port,
        recording("--serial", port.path, "--out", tmp_path) as logger,
    ):
        port.send(sent)
        logger.wait_for("nothing received for 3 s; the port is still open")
        frames = b"".join(after.run(10))
        port.send(frames)
        wait_until(lambda: Contents(logged(tmp_path)).stream == sent + frames)
        logger.stop(signal.SIGTERM)
    *_, (down, _), (up, text) = evidence(Contents(logged(tmp_path)))
    assert (down, up) == (LinkState.DOWN, LinkState.UP)
    assert text.startswith("device restarted: boot 1 then 2")
    assert text.endswith("pack 41.00 V before, 54.00 V after")


def test_a_restart_within_one_read(tmp_path: Path) -> None:
    sent = b"".join(frame for boot in (1, 2, 3) for frame in Device(boot=boot).run(4))
    with (
        port_at(tmp_path / "port") as port,
        recording("--serial", port.path, "--out", tmp_path) as logger,
    ):
        port.send(sent)
        wait_until(lambda: Contents(logged(tmp_path)).stream == sent)
        _, out, _ = logger.stop(signal.SIGTERM)
    assert "2 device restarts" in out
    assert "15 frames, 0 samples lost" not in out  # 5 frames a boot: BOARD, STREAM and SAMPLES
    assert "18 frames, 0 samples lost" in out
    ups = [text for state, text in evidence(Contents(logged(tmp_path))) if state is LinkState.UP]
    assert [text.split(",")[0] for text in ups[1:]] == [
        "device restarted: boot 1 then 2",
        "device restarted: boot 2 then 3",
    ]


def test_restarts_under_one_boot_number_are_told_while_they_happen(tmp_path: Path) -> None:
    """The same program run three times with other readings: nothing of it is a repeat or lost."""
    starts = [Device(boot=1, volts=48.0 + n) for n in range(3)]
    sent = b"".join(frame for device in starts for frame in device.run(4))
    with (
        port_at(tmp_path / "port") as port,
        recording("--serial", port.path, "--out", tmp_path) as logger,
    ):
        port.send(sent)
        wait_until(lambda: Contents(logged(tmp_path)).stream == sent)
        _, out, _ = logger.stop(signal.SIGTERM)
    assert "2 device restarts" in out and "18 frames, 0 samples lost" in out
    assert "repeated" not in out
    found, _ = verify_counts(logged(tmp_path))
    assert (found.same_number, found.repeated, found.lost_samples) == (2, 0, 0)
    assert [stream.samples for stream in found.streams.values()] == [60]


def test_a_restart_of_a_device_that_had_not_told_its_clock(tmp_path: Path) -> None:
    described = encode_frame(Device(boot=1).stream.encode())
    sent = described + b"".join(Device(boot=2).run(4)) + described
    with (
        port_at(tmp_path / "port") as port,
        recording("--serial", port.path, "--out", tmp_path) as logger,
    ):
        port.send(sent)
        port.wait_until_read()
        assert logger.stop(signal.SIGTERM)[0] == 0  # what is held back is stored at the end too
    contents = Contents(logged(tmp_path))
    assert contents.stream == sent
    assert len(contents.all(Link)) == 5


def test_random_disconnects(tmp_path: Path) -> None:
    disconnect_often(tmp_path, 6, random.Random(5))


def rejoin(before: LastHeard, device: Device, host: int, *frames: bytes) -> Rejoin:
    """Return the state after ``frames`` came back at host time ``host``."""
    wait = Rejoin(before)
    wait.hold(None, FrameSplitter().feed(b"".join(frames)), Instant(host, 0))
    return wait


def test_the_clock_carries_on_over_its_wrap() -> None:
    device = Device(boot=3, clock=400_000)
    wait = rejoin(LastHeard(3, 2**32 - 600_000, 0, None), device, 1_000_000, device.samples())
    assert wait.settled
    assert not wait.restarted
    assert "1.000 s by the device, 1.000 s by the host" in wait.evidence()


def test_the_clock_carries_on_over_more_than_half_its_span() -> None:
    # 40 minutes out of range, device 100 ppm fast: the host's clock says which turn it is.
    away = 2_400_000_000
    device = Device(boot=3, clock=int(away * 1.0001))
    wait = rejoin(LastHeard(3, 0, 0, None), device, away, device.samples())
    assert not wait.restarted
    assert "2400.240 s by the device, 2400.000 s by the host" in wait.evidence()


def test_a_device_that_cannot_count_its_boots_is_caught_by_its_clock() -> None:
    device = Device(boot=3, clock=5_000)
    wait = rejoin(LastHeard(3, 90_000_000, 0, None), device, 30_000_000, device.samples())
    assert wait.restarted
    assert "boot still 3, but clock from 90.000 s to 0.005 s" in wait.evidence()


def test_a_restart_waits_for_the_voltage() -> None:
    device = Device(boot=4, volts=50.0)
    before = LastHeard(3, 0, 0, 41.0)
    wait = rejoin(before, device, 1, device.samples())
    assert wait.restarted
    assert not wait.settled  # the voltage has no description yet
    assert "V before" not in wait.evidence()
    wait.hold(None, FrameSplitter().feed(device.description() + device.samples()), Instant(2, 0))
    assert wait.settled
    assert "pack 41.00 V before, 50.00 V after" in wait.evidence()
    assert Samples.KIND in {piece.body[0] for _, held in wait.held for piece in held if piece.body}
