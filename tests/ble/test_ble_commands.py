"""``record --ble`` and ``find`` as real programs, over unmodified bleak and a real D-Bus daemon."""

import random
import signal
from pathlib import Path

import pytest

from sagline_logger.format import End, Link, LinkState
from support.bluez_board import Ride, SimulatedBoard
from support.bluez_disconnects import disconnect_often
from support.bluez_peripheral import (
    WITHOUT_PERMISSION,
    Bluetooth,
    Peripheral,
    dbus_daemon,
    system_bus,
)
from support.capture import Contents, Logger, command, logged, recording, the_log, wait_until


def test_random_disconnects_leave_every_delivered_byte_in_the_log_once(
    bluetooth: Bluetooth, tmp_path: Path
) -> None:
    disconnect_often(bluetooth, tmp_path, 4, random.Random(6), away=1.0)


def test_a_lost_radio_link_is_told_from_a_restart(bluetooth: Bluetooth, tmp_path: Path) -> None:
    kestrel = SimulatedBoard()
    peripheral = Peripheral(bluetooth, "Kestrel", greeting=kestrel.greeting)
    with recording("--ble", "kestrel", "--out", tmp_path) as logger:
        with Ride(kestrel, peripheral):
            wait_until(lambda: Contents(logged(tmp_path)).frames)
            peripheral.lose(back=False)
            logger.wait_for("link down: kestrel: the link to the device was lost")
            peripheral.come_back()
            logger.wait_for("link up")
        status, output, _ = logger.stop(signal.SIGINT)
    assert status == 0
    assert "link lost and found 1 time, 0 device restarts" in output
    contents = Contents(logged(tmp_path))
    states = [link.state for link in contents.all(Link)]
    assert states == [LinkState.UP, LinkState.DOWN, LinkState.UP]
    assert "device clock carried on" in contents.all(Link)[-1].evidence
    assert len(contents.all(End)) == 1
    assert command("verify", the_log(tmp_path))[0] == 0


def test_a_killed_logger_starts_again_although_the_system_kept_its_link(
    bluetooth: Bluetooth, tmp_path: Path
) -> None:
    kestrel = SimulatedBoard()
    peripheral = Peripheral(bluetooth, "Kestrel", greeting=kestrel.greeting)
    with Ride(kestrel, peripheral):
        with recording("--ble", "Kestrel", "--out", tmp_path / "first") as logger:
            wait_until(lambda: Contents(logged(tmp_path / "first")).frames)
            logger.process.send_signal(signal.SIGKILL)
            logger.process.wait()
        assert peripheral.connected()
        with recording("--ble", "Kestrel", "--out", tmp_path / "second") as logger:
            wait_until(lambda: Contents(logged(tmp_path / "second")).frames)
            assert logger.stop(signal.SIGTERM)[0] == 0
    assert not peripheral.connected()


def test_a_second_capture_of_the_same_board_is_refused(
    bluetooth: Bluetooth, tmp_path: Path
) -> None:
    kestrel = SimulatedBoard()
    peripheral = Peripheral(bluetooth, "Kestrel", greeting=kestrel.greeting)
    with recording("--ble", "Kestrel", "--out", tmp_path), Ride(kestrel, peripheral):
        status, _, errors = command("record", "--ble", "Kestrel", "--out", tmp_path)
    assert status == 1
    assert "the device is busy; another capture has it; stop that first" in errors[-1]


def test_two_boards_of_one_name_are_told_and_the_address_asked_for(
    bluetooth: Bluetooth, tmp_path: Path
) -> None:
    boards = [Peripheral(bluetooth, "Kestrel") for _ in range(2)]
    status, _, (line,) = command("record", "--ble", "Kestrel", "--out", tmp_path)
    assert status == 1
    both = ", ".join(sorted(board.address for board in boards))
    assert f"Kestrel: 2 devices bear this name: {both}; give the address of one" in line
    listed = command("find", "--seconds", 1)[1]
    assert all(f"--ble {board.address}    Kestrel" in listed for board in boards)
    logger = Logger("record", "--ble", "Kestrel", "--wait", "--out", tmp_path)
    try:
        logger.wait_for("2 devices bear this name")
        boards[0].in_range = False
        assert boards[1].subscribed.wait(30)
    finally:
        logger.kill()


def test_wait_begins_when_the_board_comes_into_range(bluetooth: Bluetooth, tmp_path: Path) -> None:
    kestrel = SimulatedBoard()
    peripheral = Peripheral(bluetooth, "Kestrel", greeting=kestrel.greeting)
    peripheral.in_range = False
    logger = Logger("record", "--ble", "Kestrel", "--out", tmp_path, "--wait")
    try:
        assert bluetooth.search_begun.wait(60)
        peripheral.come_back()
        logger.wait_for("recording Bluetooth LE device Kestrel")
        wait_until(lambda: Contents(logged(tmp_path)).frames)
        assert logger.stop(signal.SIGINT)[0] == 0
    finally:
        logger.kill()


def test_a_connection_that_hangs_is_given_up_when_asked_to_stop(
    bluetooth: Bluetooth, tmp_path: Path
) -> None:
    silent = Peripheral(bluetooth, "Kestrel", answers_link=False)
    logger = Logger("record", "--quiet", "--ble", "Kestrel", "--out", tmp_path)
    try:
        assert silent.link_asked.wait(60)
        # Left alone it would end by itself after half a minute, with an error and status 1.
        status, output, errors = logger.stop(signal.SIGINT)
    finally:
        logger.kill()
    assert (status, errors) == (0, [])
    assert "stopped while waiting for the device; nothing was recorded" in output
    assert list(tmp_path.iterdir()) == []


def refused(tmp_path: Path) -> str:
    """Try to record; return the one line that the program gives up with."""
    status, _, errors = command("record", "--quiet", "--ble", "Kestrel", "--out", tmp_path)
    assert status == 1
    (line,) = errors
    assert list(tmp_path.iterdir()) == []
    return line


def test_out_of_range_without_wait(bluetooth: Bluetooth, tmp_path: Path) -> None:
    assert refused(tmp_path) == (
        "sagline-logger: Kestrel: not seen within 5 s (boards in range: none); "
        "check the device, or add --wait to keep trying"
    )


def test_a_device_without_the_service(bluetooth: Bluetooth, tmp_path: Path) -> None:
    Peripheral(bluetooth, "Kestrel", service="0000180d-0000-1000-8000-00805f9b34fb")
    assert "no Sagline telemetry service; list the boards" in refused(tmp_path)


def test_a_device_that_wants_pairing(bluetooth: Bluetooth, tmp_path: Path) -> None:
    Peripheral(bluetooth, "Kestrel", fault=("org.bluez.Error.NotPermitted", "Not paired"))
    assert "pair it once with: bluetoothctl pair" in refused(tmp_path)


def test_the_adapter_is_off(bluetooth: Bluetooth, tmp_path: Path) -> None:
    bluetooth.power(False)
    assert "switch it on with: bluetoothctl power on" in refused(tmp_path)


def test_there_is_no_adapter(tmp_path: Path) -> None:
    with dbus_daemon() as bus, Bluetooth(bus, adapter=False):
        assert "there is no Bluetooth adapter" in refused(tmp_path)


def test_the_bluetooth_service_is_not_running(tmp_path: Path) -> None:
    with dbus_daemon():
        assert "sudo systemctl enable --now bluetooth" in refused(tmp_path)


def test_there_is_no_bus(tmp_path: Path) -> None:
    with system_bus(f"unix:path={tmp_path}/none"):
        assert "(D-Bus) cannot be reached; start it with" in refused(tmp_path)


def test_the_user_has_no_permission(tmp_path: Path) -> None:
    with dbus_daemon(WITHOUT_PERMISSION) as bus, Bluetooth(bus):
        assert "may not use Bluetooth; join the group" in refused(tmp_path)


def test_find_lists_the_boards_in_range(bluetooth: Bluetooth) -> None:
    near = Peripheral(bluetooth, "Kestrel", rssi=-40)
    far = Peripheral(bluetooth, "Plover", rssi=-85)
    Peripheral(bluetooth, "Headphones", service="0000110b-0000-1000-8000-00805f9b34fb")
    status, output, _ = command("find", "--seconds", 1)
    assert status == 0
    assert [line for line in output.splitlines() if line.startswith("--ble")] == [
        f"--ble {near.address}    Kestrel (-40 dBm)",
        f"--ble {far.address}    Plover (-85 dBm)",
    ]


@pytest.mark.parametrize(
    ("on", "line"), [(True, "no Bluetooth LE device"), (False, "switched off")]
)
def test_find_without_a_board_says_so(bluetooth: Bluetooth, on: bool, line: str) -> None:
    bluetooth.power(on)
    _, output, errors = command("find", "--seconds", 0.3)
    assert line in output
    assert errors == []
