"""What went wrong with Bluetooth, as one line a person can act on."""

import sys
from enum import Enum

from ..format.errors import SaglineError
from .source import LinkLost


class Trouble(Enum):
    """What only the user can mend: what happened, and what to do on each platform."""

    NO_BUS = (
        "the system message bus (D-Bus) cannot be reached",
        {
            "linux": "start it with: sudo systemctl start dbus (in a container, pass in "
            "/run/dbus/system_bus_socket)"
        },
    )
    NO_SERVICE = (
        "the system's Bluetooth service is not running",
        {
            "linux": "start it with: sudo systemctl enable --now bluetooth (package bluez)",
            "darwin": "switch Bluetooth off and on, or restart the computer",
            "win32": "start the Bluetooth Support Service in services.msc",
        },
    )
    NO_ADAPTER = (
        "there is no Bluetooth adapter",
        {
            "linux": "plug one in, or free a blocked one with: sudo rfkill unblock bluetooth",
            "darwin": "use a computer with Bluetooth LE",
            "win32": "plug one in and look for it in Device Manager under Bluetooth",
        },
    )
    NO_CENTRAL = (
        "the Bluetooth adapter cannot connect to Bluetooth LE devices",
        dict.fromkeys(("linux", "darwin", "win32"), "use an adapter for Bluetooth 4.0 or later"),
    )
    OFF = (
        "Bluetooth is switched off",
        {
            "linux": "switch it on with: bluetoothctl power on (if that fails: "
            "sudo rfkill unblock bluetooth)",
            "darwin": "switch it on in System Settings > Bluetooth",
            "win32": "switch it on in Settings > Bluetooth & devices",
        },
    )
    DENIED = (
        "this program may not use Bluetooth",
        {
            "linux": 'join the group with: sudo usermod -aG bluetooth "$USER", then log in again',
            "darwin": "allow your terminal in System Settings > Privacy & Security > Bluetooth",
            "win32": "allow Bluetooth for desktop apps in Settings > Privacy & security",
        },
    )
    UNPAIRED = (
        "the device asks to be paired first",
        {
            "linux": "pair it once with: bluetoothctl pair ADDRESS",
            "darwin": "try again and accept the pairing request that macOS shows",
            "win32": "pair it in Settings > Bluetooth & devices > Add device",
        },
    )

    def error(self, where: str, platform: str) -> SaglineError:
        """Return the error with the remedy for ``platform`` (a value of ``sys.platform``)."""
        what, remedies = self.value
        return SaglineError(what, where=where, remedy=remedies.get(platform, remedies["linux"]))


_DBUS = {
    "org.freedesktop.DBus.Error.ServiceUnknown": Trouble.NO_SERVICE,
    "org.freedesktop.DBus.Error.NameHasNoOwner": Trouble.NO_SERVICE,
    "org.freedesktop.DBus.Error.AccessDenied": Trouble.DENIED,
    "org.bluez.Error.NotReady": Trouble.OFF,
    "org.bluez.Error.NotPermitted": Trouble.UNPAIRED,
    "org.bluez.Error.NotAuthorized": Trouble.UNPAIRED,
}
_DBUS_FAMILIES = {
    "org.freedesktop.DBus.Error.Spawn.": Trouble.NO_SERVICE,
    "org.freedesktop.systemd1.": Trouble.NO_SERVICE,
    "org.bluez.Error.Authentication": Trouble.UNPAIRED,
}


def explain(problem: Exception, where: str, platform: str = sys.platform) -> Exception:
    """Return the ``SaglineError`` or ``LinkLost`` that tells ``problem`` in one line.

    ``problem`` is whatever bleak or the operating system raised.  A ``SaglineError`` needs the
    user; everything that may pass by itself (range, interference, a busy adapter) is ``LinkLost``.
    """
    if isinstance(problem, SaglineError | LinkLost):
        return problem
    if isinstance(problem, ImportError):
        return SaglineError(
            f"the Bluetooth library cannot be loaded ({problem})",
            where=where,
            remedy="install it with: python -m pip install --upgrade bleak",
        )
    trouble = _trouble(problem)
    if trouble is not None:
        return trouble.error(where, platform)
    if isinstance(problem, TimeoutError):
        return LinkLost(f"{where}: no answer in time")
    text = " ".join(str(problem).split()) or type(problem).__name__
    return LinkLost(f"{where}: {text}")


def _trouble(problem: Exception) -> Trouble | None:
    from bleak.exc import (  # imported by now: it raised ``problem``
        BleakBluetoothNotAvailableError,
        BleakBluetoothNotAvailableReason,
        BleakDBusError,
        BleakGATTProtocolError,
        BleakGATTProtocolErrorCode,
    )

    if isinstance(problem, BleakBluetoothNotAvailableError):
        reasons = BleakBluetoothNotAvailableReason
        return {
            reasons.NO_BLUETOOTH: Trouble.NO_ADAPTER,
            reasons.NO_BLE_CENTRAL_ROLE: Trouble.NO_CENTRAL,
            reasons.POWERED_OFF: Trouble.OFF,
            reasons.DENIED_BY_USER: Trouble.DENIED,
            reasons.DENIED_BY_SYSTEM: Trouble.DENIED,
            reasons.DENIED_BY_UNKNOWN: Trouble.DENIED,
        }.get(problem.reason)
    if isinstance(problem, BleakGATTProtocolError):
        codes = BleakGATTProtocolErrorCode
        unpaired = (
            codes.INSUFFICIENT_AUTHENTICATION,
            codes.INSUFFICIENT_AUTHORIZATION,
            codes.INSUFFICIENT_ENCRYPTION,
            codes.INSUFFICIENT_ENCRYPTION_KEY_SIZE,
        )
        return Trouble.UNPAIRED if problem.code in unpaired else None
    if isinstance(problem, BleakDBusError):
        name = problem.dbus_error
        families = (found for start, found in _DBUS_FAMILIES.items() if name.startswith(start))
        return _DBUS.get(name) or next(families, None)
    if isinstance(problem, FileNotFoundError | ConnectionRefusedError | PermissionError):
        return Trouble.NO_BUS
    return None
