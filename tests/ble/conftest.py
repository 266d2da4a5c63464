"""A Bluetooth stand-in on a private real D-Bus daemon, for one test."""

from collections.abc import Iterator

import pytest

from support.bluez_peripheral import Bluetooth, dbus_daemon


@pytest.fixture
def bluetooth() -> Iterator[Bluetooth]:
    with dbus_daemon() as bus, Bluetooth(bus) as stand_in:
        yield stand_in
