"""A transparent serial module of anyone's: any characteristic that notifies, frames or lines."""

import random
import signal
import time
from collections.abc import Iterator
from pathlib import Path

import pytest

from sagline_logger.format import Dropped, Link, LinkState, Raw, Samples
from support.bluez_board import Ride, SimulatedBoard
from support.bluez_disconnects import disconnect_often
from support.bluez_peripheral import Bluetooth, Peripheral
from support.capture import Contents, command, logged, recording, the_log, wait_until
from support.frames import Device
from support.printing_board import map_text
from support.small_disk import small_disk

SERVICE = "0000ffe0-0000-1000-8000-00805f9b34fb"
"""Of 16 bits, as many serial modules have them (common practice, no source)."""
SERIAL = "0000ffe1-0000-1000-8000-00805f9b34fb"
SETTINGS = "0000ffe2-0000-1000-8000-00805f9b34fb"
CHARACTERISTICS = {
    SERIAL: ("char0002", ["notify", "write-without-response"]),
    SETTINGS: ("char0005", ["write"]),
}


def module(
    bluetooth: Bluetooth, board: SimulatedBoard | None = None, **named: object
) -> Peripheral:
    given = {"greeting": board.greeting} if board else {}
    return Peripheral(
        bluetooth, "BT-Serial", service=SERVICE, characteristics=CHARACTERISTICS, **given, **named
    )  # type: ignore[arg-type]


@pytest.fixture(params=[23, 185, 517])
def mtu(request: pytest.FixtureRequest) -> Iterator[int]:
    yield request.param


def test_frames_through_a_module_in_whatever_slices(
    bluetooth: Bluetooth, tmp_path: Path, mtu: int
) -> None:
    kestrel = SimulatedBoard()
    peripheral = module(bluetooth, kestrel, mtu=mtu)
    arguments = ("--ble", "bt-serial", "--characteristic", "ffe1", "--out", tmp_path)
    with recording(*arguments) as logger:
        with Ride(kestrel, peripheral):
            wait_until(lambda: len(Contents(logged(tmp_path)).all(Samples)) > 20)
            peripheral.lose(back=True)
            logger.wait_for("link up")
            wait_until(lambda: len(Contents(logged(tmp_path)).all(Link)) == 3)
        wait_until(lambda: Contents(logged(tmp_path)).stream == b"".join(peripheral.delivered))
        status, _, _ = logger.stop(signal.SIGTERM)
    assert status == 0
    contents = Contents(logged(tmp_path))
    assert [bytes(one) for one in peripheral.delivered] == contents.stretches
    assert [link.state for link in contents.all(Link)] == [
        LinkState.UP,
        LinkState.DOWN,
        LinkState.UP,
    ]
    assert "Bluetooth LE device bt-serial, ffe1" in command("verify", the_log(tmp_path))[1]


def test_lines_through_a_module(bluetooth: Bluetooth, tmp_path: Path) -> None:
    plan, out = tmp_path / "map.toml", tmp_path / "out"
    plan.write_text(map_text())
    peripheral = module(bluetooth)
    arguments = ("--ble", "BT-Serial", "--characteristic", SERIAL, "--service", "FFE0")
    with recording(*arguments, "--lines", plan, "--out", out) as logger:
        assert peripheral.subscribed.wait(60)
        luck = random.Random(2)
        text = b"x\n" + b"".join(b"%d,48.01,%d,3\r\n" % (20 * n, n) for n in range(200))
        at = 0
        while at < len(text):
            size = luck.randrange(1, 60)
            assert peripheral.send(text[at : at + size])
            at += size
        wait_until(lambda: len(Contents(logged(out)).all(Samples)) == 200)
        status, _, _ = logger.stop(signal.SIGTERM)
    assert status == 0
    assert b"".join(raw.data for raw in Contents(logged(out)).all(Raw)) == text
    assert command("verify", the_log(out))[1].rstrip().endswith("Nothing lost.")


@pytest.mark.parametrize(
    ("arguments", "words"),
    [
        (("--characteristic", "ffe9"), "no characteristic ffe9 (these notify: ffe1)"),
        (("--characteristic", "ffe2"), "the characteristic ffe2 does not notify"),
        (("--characteristic", "ffe1", "--service", "180d"), "no characteristic ffe1"),
        (("--characteristic", "serial"), "'serial' is no UUID, such as ffe1"),
        (("--service", "ffe0"), "names no characteristic"),
        ((), "no Sagline telemetry service"),
    ],
)
def test_what_is_not_there_is_said(
    bluetooth: Bluetooth, tmp_path: Path, arguments: tuple[str, ...], words: str
) -> None:
    module(bluetooth)
    status, _, errors = command("record", "--ble", "BT-Serial", *arguments, "--out", tmp_path)
    assert status in (1, 2)
    assert words in errors[-1]
    assert list(tmp_path.iterdir()) == []


def test_two_characteristics_of_one_number_need_their_service(
    bluetooth: Bluetooth, tmp_path: Path
) -> None:
    _, _, errors = command(
        "record", "--ble", "Away", "--characteristic", "ffe1", "--out", tmp_path, "--quiet"
    )
    assert (
        "sagline-logger find --all lists what is in range; if a program that was killed"
        in (errors[-1])
    )


def test_killed_loggers_leave_logs_that_read_and_get_their_module_back_by_the_service(
    bluetooth: Bluetooth, tmp_path: Path
) -> None:
    kestrel, luck = SimulatedBoard(), random.Random(8)
    peripheral = module(bluetooth, kestrel)
    arguments = ("--ble", "BT-Serial", "--characteristic", "ffe1", "--service", "ffe0")
    with Ride(kestrel, peripheral):
        for turn in range(3):
            out = tmp_path / str(turn)
            with recording(*arguments, "--out", out) as logger:
                wait_until(lambda out=out: Contents(logged(out)).frames)
                moment = time.monotonic() + luck.uniform(0, 1)
                wait_until(lambda moment=moment: time.monotonic() > moment)
                logger.process.kill()
                logger.process.wait()
            assert peripheral.connected()
            contents = Contents(logged(out))
            assert len(contents.damaged) <= 1, "more than a torn end"
            kept = b"".join(contents.frames)
            assert peripheral.delivered[-1].startswith(kept), "missing, doubled or invented"
            assert command("verify", the_log(out))[::2] == (0, [])
        with recording(*arguments, "--out", tmp_path / "last") as logger:
            wait_until(lambda: Contents(logged(tmp_path / "last")).frames)
            assert logger.stop(signal.SIGTERM)[0] == 0


def test_random_disconnects_of_a_module_lose_and_repeat_nothing(
    bluetooth: Bluetooth, tmp_path: Path
) -> None:
    disconnect_often(
        bluetooth,
        tmp_path,
        6,
        random.Random(4),
        away=1.0,
        arguments=("--ble", "BT-Serial", "--characteristic", "ffe1"),
        make=lambda board, seed: module(bluetooth, board, seed=seed),
    )


def test_a_full_disk_while_a_module_sends(bluetooth: Bluetooth, tmp_path: Path) -> None:
    """What the disk does not take for a while is held in memory, and nothing is lost."""
    device = Device()
    peripheral = module(bluetooth)
    arguments = ("--ble", "BT-Serial", "--characteristic", "ffe1")
    with small_disk(tmp_path / "disk", "1m") as disk:
        ballast = disk / "ballast"
        ballast.write_bytes(bytes((1 << 20) - (60 << 10)))
        with recording(*arguments, "--out", disk) as logger:
            assert peripheral.subscribed.wait(60)
            sent = b"".join(device.run(4000))  # about 200 KiB
            for at in range(0, len(sent), 180):
                assert peripheral.send(sent[at : at + 180])
            logger.wait_for("No space left on device; keeping the link alive")
            ballast.unlink()
            logger.wait_for("writing again; 0 frames dropped")
            wait_until(lambda: Contents(logged(disk)).stream == sent)
            assert logger.stop(signal.SIGTERM)[0] == 0
        assert Contents(logged(disk)).all(Dropped) == []
        assert command("verify", "--strict", the_log(disk))[0] == 0


def test_find_all_lists_what_notifies(bluetooth: Bluetooth) -> None:
    serial = module(bluetooth, rssi=-50)
    ours = Peripheral(bluetooth, "Kestrel", rssi=-40)
    shy = Peripheral(bluetooth, "Shy", refuses_link=True, rssi=-60)
    status, output, errors = command("find", "--all", "--seconds", 1)
    assert (status, errors) == (0, [])
    lines = output.splitlines()[
        output.splitlines().index(f"--ble {ours.address}    Kestrel (-40 dBm)") :
    ]
    assert lines[1:4] == [
        "    sends our frames",
        f"--ble {serial.address}    BT-Serial (-50 dBm)",
        "    --characteristic ffe1",
    ]
    assert lines[4].startswith(f"--ble {shy.address}    Shy (-60 dBm)")
    assert len(lines) == 6
    assert not ours.connected()
    assert not serial.connected()
