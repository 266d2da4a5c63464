"""The one line that tells a Bluetooth trouble, on the platforms we cannot run here.

The exceptions are bleak's own classes; which of them its macOS and Windows back ends raise was
read in bleak 3.1's source (``CentralManagerDelegate.py`` and ``winrt/scanner.py``).
"""

import pytest
from bleak.exc import (
    BleakBluetoothNotAvailableError,
    BleakBluetoothNotAvailableReason,
    BleakDBusError,
    BleakDeviceNotFoundError,
    BleakError,
    BleakGATTProtocolError,
    BleakGATTProtocolErrorCode,
)

from sagline_logger.capture.ble_errors import Trouble, explain
from sagline_logger.capture.source import LinkLost
from sagline_logger.format import SaglineError

PLATFORMS = ("linux", "darwin", "win32")


def not_available(reason: str) -> BleakBluetoothNotAvailableError:
    return BleakBluetoothNotAvailableError("-", BleakBluetoothNotAvailableReason[reason])


@pytest.mark.parametrize("platform", PLATFORMS)
@pytest.mark.parametrize(
    ("reason", "trouble"),
    [
        ("NO_BLUETOOTH", Trouble.NO_ADAPTER),
        ("NO_BLE_CENTRAL_ROLE", Trouble.NO_CENTRAL),
        ("POWERED_OFF", Trouble.OFF),
        ("DENIED_BY_USER", Trouble.DENIED),
        ("DENIED_BY_SYSTEM", Trouble.DENIED),
        ("DENIED_BY_UNKNOWN", Trouble.DENIED),
    ],
)
def test_unusable_bluetooth_is_told_with_the_remedy_of_the_platform(
    reason: str, trouble: Trouble, platform: str
) -> None:
    error = explain(not_available(reason), "Kestrel", platform)
    what, remedies = trouble.value
    assert isinstance(error, SaglineError)
    assert str(error) == f"Kestrel: {what}; {remedies[platform]}"
    assert "\n" not in str(error)


@pytest.mark.parametrize("platform", PLATFORMS)
@pytest.mark.parametrize(
    "code",
    [
        BleakGATTProtocolErrorCode.INSUFFICIENT_AUTHENTICATION,
        BleakGATTProtocolErrorCode.INSUFFICIENT_AUTHORIZATION,
        BleakGATTProtocolErrorCode.INSUFFICIENT_ENCRYPTION,
        BleakGATTProtocolErrorCode.INSUFFICIENT_ENCRYPTION_KEY_SIZE,
    ],
)
def test_a_device_that_wants_pairing_says_how_to_pair(
    code: BleakGATTProtocolErrorCode, platform: str
) -> None:
    error = explain(BleakGATTProtocolError(code), "Kestrel", platform)
    assert isinstance(error, SaglineError)
    assert error.remedy == Trouble.UNPAIRED.value[1][platform]


@pytest.mark.parametrize(
    "name",
    [
        "org.freedesktop.DBus.Error.Spawn.ExecFailed",
        "org.freedesktop.systemd1.NoSuchUnit",
        "org.freedesktop.DBus.Error.ServiceUnknown",
    ],
)
def test_a_bluetooth_service_that_cannot_be_started(name: str) -> None:
    error = explain(BleakDBusError(name, ["-"]), "Kestrel", "linux")
    assert isinstance(error, SaglineError)
    assert error.what == Trouble.NO_SERVICE.value[0]


@pytest.mark.parametrize(
    "problem",
    [
        TimeoutError(),
        BleakDeviceNotFoundError("02:00:00:00:00:01", "Device was not found."),
        BleakError("failed to discover services,\n device disconnected"),
        BleakDBusError("org.bluez.Error.Failed", ["le-connection-abort-by-local"]),
        BleakDBusError("org.bluez.Error.InProgress", ["Operation already in progress"]),
        BleakGATTProtocolError(BleakGATTProtocolErrorCode.UNLIKELY_ERROR),
        not_available("UNKNOWN"),  # macOS: the system service is restarting
        ConnectionResetError("the bus went away"),
    ],
    ids=repr,
)
def test_what_may_pass_by_itself_is_a_lost_link_in_one_line(problem: Exception) -> None:
    error = explain(problem, "Kestrel", "linux")
    assert isinstance(error, LinkLost)
    assert str(error).startswith("Kestrel: ") and len(str(error)) > len("Kestrel: ")
    assert "\n" not in str(error)


def test_a_missing_library_is_no_reason_to_try_for_ever() -> None:
    error = explain(ImportError("No module named 'bleak'"), "Kestrel", "win32")
    assert isinstance(error, SaglineError)
    assert "pip install" in str(error)
