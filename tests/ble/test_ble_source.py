"""BleSource and discover, over unmodified bleak and a real D-Bus daemon."""

import asyncio
import os
import random
import signal
import subprocess
import sys
import textwrap
import threading
import time
from collections.abc import Iterator

import pytest
from bleak import BleakClient, BleakScanner

from sagline_logger.capture import ble_service, ble_source
from sagline_logger.capture.ble_source import BleSource, FoundDevice, discover
from sagline_logger.capture.source import LinkLost, Source
from sagline_logger.format import Board, SaglineError, decode_frame
from support.bluez_board import SimulatedBoard
from support.bluez_peripheral import (
    WITHOUT_PERMISSION,
    Bluetooth,
    Peripheral,
    dbus_daemon,
    system_bus,
)

PATIENCE = 30.0
"""Seconds a slow machine may take for what is not under test."""
SHORT = 0.3
"""Seconds to search for what is not there."""
GREETING = SimulatedBoard().greeting()


@pytest.fixture(autouse=True)
def quick(monkeypatch: pytest.MonkeyPatch) -> None:
    """The stand-in's boards tell their name twenty times a second."""
    monkeypatch.setattr(ble_source, "_NAMESAKES", 0.4)


def greet() -> bytes:
    return GREETING


@pytest.fixture
def source() -> Iterator[Source]:
    ble = BleSource("Kestrel", scan=PATIENCE)
    yield ble
    ble.close()


def read(source: Source, size: int) -> bytes:
    """Read ``size`` bytes or until nothing comes for a long time."""
    data = b""
    while len(data) < size and (more := source.read(PATIENCE)):
        data += more
    return data


def read_to_the_end(source: Source) -> bytes:
    """Read until the link is lost."""
    data = b""
    with pytest.raises(LinkLost):
        while True:
            data += source.read(PATIENCE)
    return data


def open_again(source: Source) -> None:
    """Open a source that has been open before, trying as often as it takes."""
    deadline = time.monotonic() + PATIENCE
    while True:
        try:
            source.open()
            return
        except LinkLost as problem:
            assert time.monotonic() < deadline, problem


def error_of(source: Source) -> str:
    """Return the line that says why the source cannot be opened."""
    with pytest.raises(SaglineError) as caught:
        open_again(source)
    assert "\n" not in str(caught.value)
    return str(caught.value)


@pytest.mark.parametrize("mtu", [23, 24, 185, 247, 517])
def test_every_byte_of_any_slicing_arrives_once_and_in_order(
    bluetooth: Bluetooth, source: Source, mtu: int
) -> None:
    board = Peripheral(bluetooth, "Kestrel", greeting=greet, mtu=mtu, seed=mtu)
    source.open()
    stream = SimulatedBoard(seed=mtu).frames(300)
    assert board.send(stream)
    assert read(source, len(GREETING + stream)) == GREETING + stream


def test_random_disconnects_lose_and_repeat_nothing_that_was_delivered(
    bluetooth: Bluetooth, source: Source
) -> None:
    chance = random.Random(5)
    board = Peripheral(bluetooth, "Kestrel", greeting=greet)
    kestrel = SimulatedBoard()
    received = []
    for _ in range(10):
        board.mtu = chance.randint(23, 517)
        open_again(source)
        stream = kestrel.frames(chance.randint(0, 60))
        board.send(stream[: chance.randint(0, len(stream))])  # the link goes inside a frame
        board.lose(back=True)
        received.append(read_to_the_end(source))
    assert received == board.delivered
    assert all(received)


def test_out_of_range_is_a_lost_link_and_back_in_range_it_opens_again(
    bluetooth: Bluetooth, source: Source
) -> None:
    board = Peripheral(bluetooth, "Kestrel", greeting=greet)
    source.open()
    board.lose(back=False)
    assert read_to_the_end(source) == GREETING
    with pytest.raises(LinkLost, match=r"Kestrel: not seen within 0.3 s \(boards in range: none"):
        BleSource("Kestrel", scan=SHORT).open()
    board.come_back()
    open_again(source)
    assert read(source, len(GREETING)) == GREETING


def test_a_search_that_is_under_way_finds_the_device_when_it_returns(
    bluetooth: Bluetooth, source: Source
) -> None:
    board = Peripheral(bluetooth, "Kestrel", greeting=greet)
    board.in_range = False
    opening = threading.Thread(target=source.open)
    opening.start()
    bluetooth.search_begun.wait(PATIENCE)
    board.come_back()
    opening.join(PATIENCE)
    assert read(source, len(GREETING)) == GREETING


def test_a_device_that_leaves_between_advert_and_connection_is_a_lost_link(
    bluetooth: Bluetooth, source: Source
) -> None:
    board = Peripheral(bluetooth, "Kestrel", refuses_link=True)
    with pytest.raises(LinkLost, match="Kestrel: "):
        source.open()
    assert not board.subscribed.is_set()


@pytest.mark.parametrize("wanted", ["Kestrel", "kestrel", "address", "ADDRESS"])
def test_a_device_is_found_by_name_or_address_in_any_case(
    bluetooth: Bluetooth, wanted: str
) -> None:
    Peripheral(bluetooth, "Other", greeting=lambda: b"other")
    board = Peripheral(bluetooth, "Kestrel", greeting=greet)
    wanted = {"address": board.address.lower(), "ADDRESS": board.address}.get(wanted, wanted)
    source = BleSource(wanted, scan=PATIENCE)
    source.open()
    assert read(source, len(GREETING)) == GREETING
    source.close()


def test_two_boards_of_one_name_are_told_and_the_address_decides(bluetooth: Bluetooth) -> None:
    first = Peripheral(bluetooth, "Kestrel", greeting=greet)
    second = Peripheral(bluetooth, "kestrel", greeting=lambda: b"another")
    both = ", ".join(sorted([first.address, second.address]))
    source = BleSource("Kestrel", scan=PATIENCE)
    with pytest.raises(SaglineError) as told:
        source.open()
    assert str(told.value).startswith(f"Kestrel: 2 devices bear this name: {both}; give the addr")
    assert not first.subscribed.is_set() and not second.subscribed.is_set()
    source = BleSource(first.address, scan=PATIENCE)
    source.open()
    assert read(source, len(GREETING)) == GREETING
    source.close()


def test_a_namesake_that_comes_near_later_is_neither_taken_nor_the_end(
    bluetooth: Bluetooth, source: Source
) -> None:
    board = Peripheral(bluetooth, "Kestrel", greeting=greet)
    source.open()
    assert read(source, len(GREETING)) == GREETING
    other = Peripheral(bluetooth, "Kestrel", greeting=lambda: b"another")
    board.lose(back=True)
    read_to_the_end(source)
    open_again(source)
    assert read(source, len(GREETING)) == GREETING
    assert not other.subscribed.is_set()


def test_a_name_is_enough_for_a_board_that_does_not_advertise_its_service(
    bluetooth: Bluetooth, source: Source
) -> None:
    Peripheral(bluetooth, "Kestrel", greeting=greet, advertised=False)
    source.open()
    assert read(source, len(GREETING)) == GREETING
    assert discover(SHORT) == []


def test_a_wrong_name_names_the_boards_that_are_there(bluetooth: Bluetooth) -> None:
    Peripheral(bluetooth, "Kestrel")
    Peripheral(bluetooth, "Headphones", service="0000110b-0000-1000-8000-00805f9b34fb")
    with pytest.raises(LinkLost, match=r"Kestrle: .*boards in range: Kestrel\)"):
        BleSource("Kestrle", scan=1).open()


def test_a_device_without_the_service(bluetooth: Bluetooth, source: Source) -> None:
    Peripheral(bluetooth, "Kestrel", service="0000180d-0000-1000-8000-00805f9b34fb")
    assert error_of(source) == (
        "Kestrel: the device has no Sagline telemetry service; "
        "list the boards in range with: sagline-logger find"
    )


@pytest.mark.parametrize(
    "fault",
    [
        ("org.bluez.Error.NotPermitted", "Not paired"),
        ("org.bluez.Error.Failed", "Operation failed with ATT error: 0x05 (Insufficient Auth.)"),
        ("org.bluez.Error.AuthenticationFailed", "Authentication Failed"),
    ],
)
def test_a_device_that_wants_pairing(
    bluetooth: Bluetooth, source: Source, fault: tuple[str, str]
) -> None:
    Peripheral(bluetooth, "Kestrel", fault=fault)
    assert error_of(source) == (
        "Kestrel: the device asks to be paired first; pair it once with: bluetoothctl pair ADDRESS"
    )


def test_the_adapter_is_switched_off_and_on(bluetooth: Bluetooth, source: Source) -> None:
    Peripheral(bluetooth, "Kestrel", greeting=greet)
    source.open()
    bluetooth.power(False)
    assert read_to_the_end(source) == GREETING
    assert "Bluetooth is switched off; switch it on with: bluetoothctl power on" in error_of(source)
    with pytest.raises(SaglineError, match="Bluetooth is switched off"):
        discover(SHORT)
    bluetooth.power(True)
    open_again(source)
    assert read(source, len(GREETING)) == GREETING


def test_no_adapter(source: Source) -> None:
    with dbus_daemon() as bus, Bluetooth(bus, adapter=False):
        assert "there is no Bluetooth adapter; plug one in" in error_of(source)


def test_no_bluetooth_service_on_the_bus(source: Source) -> None:
    with dbus_daemon():
        assert "sudo systemctl enable --now bluetooth" in error_of(source)


def test_no_bus(source: Source, tmp_path: object) -> None:
    with system_bus(f"unix:path={tmp_path}/none"):
        assert "the system message bus (D-Bus) cannot be reached; start it" in error_of(source)
        with pytest.raises(SaglineError, match="cannot be reached"):
            discover(SHORT)


def test_a_refusal_by_the_bus_is_told_as_missing_permission(source: Source) -> None:
    with dbus_daemon(WITHOUT_PERMISSION) as bus, Bluetooth(bus):
        assert "this program may not use Bluetooth; join the group" in error_of(source)


def test_the_bluetooth_service_crashes_under_a_link(
    source: Source, monkeypatch: pytest.MonkeyPatch
) -> None:
    monkeypatch.setattr(ble_source, "_SILENCE", 0.2)
    with dbus_daemon() as bus:
        with Bluetooth(bus) as bluetooth:
            Peripheral(bluetooth, "Kestrel", greeting=greet)
            source.open()
            assert read(source, len(GREETING)) == GREETING
        with pytest.raises(LinkLost, match=r"nothing received for 0.2 s"):
            source.read(PATIENCE)
        assert "Bluetooth service is not running" in error_of(source)


def test_the_bus_itself_dies_under_a_link(source: Source) -> None:
    with dbus_daemon() as bus, Bluetooth(bus) as bluetooth:
        Peripheral(bluetooth, "Kestrel", greeting=greet)
        source.open()
        assert read(source, len(GREETING)) == GREETING
        bus.daemon.kill()
        with pytest.raises(LinkLost):
            source.read(PATIENCE)


def test_the_link_of_a_killed_program_is_taken_over(bluetooth: Bluetooth, source: Source) -> None:
    board = Peripheral(bluetooth, "Kestrel", greeting=greet)
    script = """
        from sagline_logger.capture.ble_source import BleSource
        source = BleSource("Kestrel")
        source.open()
        while True:
            source.read(60)
    """
    with subprocess.Popen([sys.executable, "-c", textwrap.dedent(script)]) as program:
        assert board.subscribed.wait(PATIENCE)
        try:
            assert "the device is busy; another capture has it" in error_of(source)
        finally:
            os.kill(program.pid, signal.SIGKILL)
    assert board.connected()  # the system keeps the link, so the board does not advertise
    source.open()
    assert read(source, len(GREETING)) == GREETING


def test_close_from_another_thread_cuts_an_open_short(bluetooth: Bluetooth) -> None:
    source = BleSource("Kestrel", scan=3600)

    def stop() -> None:
        bluetooth.search_begun.wait(PATIENCE)
        source.close()

    stopper = threading.Thread(target=stop)
    stopper.start()
    with pytest.raises(LinkLost, match="closed"):
        source.open()
    stopper.join()
    assert "bluetooth" not in {thread.name for thread in threading.enumerate()}


def test_close_lets_the_device_go(bluetooth: Bluetooth, source: Source) -> None:
    board = Peripheral(bluetooth, "Kestrel", greeting=greet)
    source.open()
    assert board.connected()
    source.close()
    assert not board.connected()
    with pytest.raises(LinkLost, match="is not open"):
        source.read(0)
    source.close()


def test_a_reader_that_stalls_gets_all_before_the_overflow_and_then_a_lost_link(
    bluetooth: Bluetooth, source: Source, monkeypatch: pytest.MonkeyPatch
) -> None:
    monkeypatch.setattr(ble_source, "_MOST_HELD", 10_000)
    board = Peripheral(bluetooth, "Kestrel", greeting=greet)
    source.open()
    stream = random.Random(3).randbytes(20_000)
    board.send(stream)
    assert board.link_dropped.wait(PATIENCE)
    received = read_to_the_end(source)
    assert (GREETING + stream).startswith(received)
    assert 10_000 - board.mtu < len(received) <= 10_000


def test_read_returns_nothing_when_nothing_comes(bluetooth: Bluetooth, source: Source) -> None:
    Peripheral(bluetooth, "Kestrel")
    source.open()
    assert source.read(0.01) == b""


def test_discover_lists_boards_with_the_service_the_strongest_first(bluetooth: Bluetooth) -> None:
    near = Peripheral(bluetooth, "Kestrel", rssi=-40)
    far = Peripheral(bluetooth, "Plover", rssi=-85)
    Peripheral(bluetooth, "Headphones", service="0000110b-0000-1000-8000-00805f9b34fb")
    listed = [FoundDevice("Kestrel", near.address, -40), FoundDevice("Plover", far.address, -85)]
    assert discover(1) == listed


def test_a_name_from_the_air_cannot_steer_the_terminal(bluetooth: Bluetooth) -> None:
    Peripheral(bluetooth, "Kes\x1b[2Jtrel")
    (found,) = discover(1)
    assert found.name == "Kes?[2Jtrel"
    with pytest.raises(LinkLost, match=r"boards in range: Kes\?\[2Jtrel\)"):
        BleSource("Plover", scan=1).open()


def test_discover_lists_a_board_that_is_being_recorded(
    bluetooth: Bluetooth, source: Source
) -> None:
    board = Peripheral(bluetooth, "Kestrel")
    source.open()
    (found,) = discover(SHORT)
    assert found == FoundDevice("Kestrel", board.address, None)
    assert found.signal == "connected"


def test_the_board_characteristic_tells_name_and_version_before_subscribing(
    bluetooth: Bluetooth,
) -> None:
    Peripheral(bluetooth, "Kestrel", board=SimulatedBoard().board)

    async def ask() -> bytes:
        device = await BleakScanner.find_device_by_name("Kestrel", PATIENCE)
        assert device is not None
        async with BleakClient(device) as client:
            return bytes(await client.read_gatt_char(ble_service.BOARD))

    frame = asyncio.run(ask())
    assert frame[-1] == 0
    assert Board.decode(decode_frame(frame[:-1])).name == "Kestrel"


def test_importing_the_source_does_not_import_bleak() -> None:
    script = "import sys, sagline_logger.capture.ble_source; print('bleak' in sys.modules)"
    done = subprocess.run([sys.executable, "-c", script], capture_output=True, text=True)
    assert done.stdout.strip() == "False"
