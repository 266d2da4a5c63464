"""The acceptance of "any board in an evening": from an empty directory to a report.

The sketch is the one of docs/any_board.md, compiled and run as it is printed there.
"""

import contextlib
import subprocess
import sys
import threading
from collections.abc import Iterator
from pathlib import Path

import pytest

from support.bluez_peripheral import Bluetooth, Peripheral, dbus_daemon
from support.can_bus import DBC, drive, multicast_bus
from support.capture import command, the_log
from support.sketch import Sketch, compile_sketch, page_sketch

MODULE = {
    "0000ffe1-0000-1000-8000-00805f9b34fb": ("char0002", ["notify", "write-without-response"])
}


def plot(directory: Path) -> str:
    """Make the report of the one log and return its text."""
    log = the_log(directory)
    done = subprocess.run(
        [sys.executable, "-m", "sagline_analyser.cli", "plot", log],
        capture_output=True,
        text=True,
        timeout=280,
    )
    assert done.returncode == 0, done.stderr
    (page,) = directory.glob("*.html")
    return page.read_text()


def report_by_lines(directory: Path, *source: object) -> None:
    """Go the way of the page, in three commands."""
    plan, rides = directory / "map.toml", directory / "rides"
    status, text, errors = command("listen", *source, "--seconds", 4, "--map", plan)
    assert (status, errors) == (0, []), text
    assert "4 values, separated by commas, with a line of titles" in text
    assert "GUESS" in plan.read_text()
    status, text, errors = command(
        "record", *source, "--lines", plan, "--out", rides, "--seconds", 4, "--quiet"
    )
    assert status == 0, errors
    assert "could not be read" not in text
    assert command("verify", "--strict", the_log(rides))[0] == 0
    page = plot(rides)
    for words in ("pack_voltage", "battery_current", "motor_temperature"):
        assert words in page


def test_a_sketch_of_twenty_lines_on_a_serial_port(tmp_path: Path) -> None:
    text = page_sketch()
    assert len([line for line in text.splitlines() if line.strip()]) <= 20
    sketch = Sketch(tmp_path, text)
    try:
        report_by_lines(tmp_path, "--serial", sketch.port)
    finally:
        sketch.close()


@contextlib.contextmanager
def through(peripheral: Peripheral, program: Path) -> Iterator[None]:
    """Pass on by radio what a program prints, as a serial module does, until the block ends."""
    with subprocess.Popen([program], stdout=subprocess.PIPE) as sketch:
        assert sketch.stdout is not None
        pipe = sketch.stdout

        def pass_on() -> None:
            while data := pipe.read1(4096):  # type: ignore[attr-defined]
                peripheral.send(data)

        sender = threading.Thread(target=pass_on)
        sender.start()
        try:
            yield
        finally:
            sketch.kill()
            sender.join()


def test_the_same_through_a_bluetooth_serial_module(tmp_path: Path) -> None:
    program = compile_sketch(tmp_path, page_sketch())
    with dbus_daemon() as bus, Bluetooth(bus) as bluetooth:
        peripheral = Peripheral(
            bluetooth,
            "BT-Serial",
            service="0000ffe0-0000-1000-8000-00805f9b34fb",
            characteristics=MODULE,
        )
        with through(peripheral, program):
            report_by_lines(tmp_path, "--ble", "BT-Serial", "--characteristic", "ffe1")


def test_the_same_through_can(tmp_path: Path) -> None:
    with multicast_bus() as bus:
        stop = threading.Event()

        def send() -> None:
            n = 0
            while not stop.wait(0.02):
                bus.send([drive(n)])
                n += 1

        sender = threading.Thread(target=send)
        sender.start()
        try:
            status, _, errors = command(
                "record", *bus.arguments, "--dbc", DBC, "--out", tmp_path, "--seconds", 4, "--quiet"
            )
        finally:
            stop.set()
            sender.join()
    assert status == 0, errors
    assert command("verify", "--strict", the_log(tmp_path))[0] == 0
    page = plot(tmp_path)
    for words in ("pack_voltage", "battery_current", "duty_cycle"):
        assert words in page


@pytest.mark.parametrize("arguments", [("--lines", "none.toml")])
def test_a_map_that_is_not_there(tmp_path: Path, arguments: tuple[str, ...]) -> None:
    status, _, errors = command("record", "--serial", "x", *arguments, "--out", tmp_path)
    assert status == 1
    assert errors[0].startswith("sagline-logger: none.toml: cannot read the map")
