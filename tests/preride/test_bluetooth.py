"""``sagline-logger check --ble``: unmodified bleak on a real D-Bus daemon with a stand-in for the
Bluetooth service."""

from sagline_logger.format import Board, Stream, encode_frame
from support.bluez_peripheral import Bluetooth, Peripheral, dbus_daemon
from support.capture import Logger
from support.standing_board import StandingBoard


def test_a_standing_board_is_heard_over_bluetooth() -> None:
    board = StandingBoard(cells=[3.9] * 12 + [3.6])
    greeting = b"".join(
        encode_frame(record.encode())
        for _, record in board.records(1)
        if isinstance(record, Board | Stream)
    )
    with dbus_daemon() as bus, Bluetooth(bus) as bluetooth:
        peripheral = Peripheral(bluetooth, "Kestrel", greeting=lambda: greeting)
        logger = Logger("check", "--ble", "Kestrel", "--seconds", 4)
        sender = board.play(peripheral.send, lambda: logger.process.poll() is not None)
        status, text, errors = logger.finish()
        sender.join(60)
    assert (status, errors) == (1, [])
    assert "board 'Kestrel'" in text
    assert "FAIL  cell spread   0.300 V between cell_voltage_13 (3.600 V)" in text
    assert "pass  throttle" in text


def test_a_board_that_is_not_there_is_one_line() -> None:
    with dbus_daemon() as bus, Bluetooth(bus):
        status, _, errors = Logger("check", "--ble", "Kestrel").finish()
    assert status == 1
    (line,) = errors
    assert line.startswith("sagline-logger: ") and "Kestrel" in line
