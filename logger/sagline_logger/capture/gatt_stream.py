"""Which characteristic of a Bluetooth LE device notifies the byte stream: ours, or any other's."""

import argparse
import re
from dataclasses import dataclass
from typing import TYPE_CHECKING

from ..format import SaglineError
from . import ble_service

if TYPE_CHECKING:  # importing bleak takes long
    from bleak import BleakClient
    from bleak.backends.characteristic import BleakGATTCharacteristic

_BASE = "-0000-1000-8000-00805f9b34fb"
"""The rest of a UUID of 16 or 32 bits (Bluetooth Core Specification, vol. 3, part B, §2.5.1; from
memory)."""
_NOTIFIES = ("notify", "indicate")


def uuid(text: str) -> str:
    """Return a full UUID of its 4, 8 or 32 digits."""
    plain = text.strip().lower()
    if re.fullmatch(r"(?:0x)?([0-9a-f]{4}|[0-9a-f]{8})", plain):
        return plain.removeprefix("0x").rjust(8, "0") + _BASE
    if re.fullmatch(r"[0-9a-f]{8}(-[0-9a-f]{4}){3}-[0-9a-f]{12}", plain):
        return plain
    raise argparse.ArgumentTypeError(f"{text!r} is no UUID, such as ffe1 or one of 32 digits")


def short(text: str) -> str:
    """Return a UUID in the fewest digits that say it."""
    if text.lower().endswith(_BASE):
        return text.lower().removesuffix(_BASE).removeprefix("0000")
    return text.lower()


@dataclass(frozen=True)
class GattStream:
    """The characteristic that notifies, and its ``service`` where that must be told."""

    characteristic: str = ble_service.STREAM
    service: str | None = ble_service.SERVICE

    @property
    def ours(self) -> bool:
        """Whether it is that of our own service."""
        return self.characteristic == ble_service.STREAM

    def find(self, client: "BleakClient", device: str) -> "BleakGATTCharacteristic":
        """Return the characteristic of a connected device.

        Raises:
            SaglineError: it has none such, or it cannot notify.
        """
        found = [
            one
            for service in client.services
            if self.service is None or service.uuid == self.service
            for one in service.characteristics
            if one.uuid == self.characteristic
        ]
        if not found and self.ours:
            raise SaglineError(
                "the device has no Sagline telemetry service",
                where=device,
                remedy="list the boards in range with: sagline-logger find",
            )
        notifying = [one for one in found if set(one.properties) & set(_NOTIFIES)]
        if len(notifying) == 1:
            return notifying[0]
        what = f"no characteristic {short(self.characteristic)}"
        if found:
            what = f"the characteristic {short(self.characteristic)} does not notify"
        if len(notifying) > 1:
            what = f"several characteristics are {short(self.characteristic)}; name the --service"
        offered = ", ".join(short(one) for one in notifying_of(client)) or "none"
        raise SaglineError(
            f"{what} (these notify: {offered})",
            where=device,
            remedy="choose another with --characteristic",
        )


def notifying_of(client: "BleakClient") -> list[str]:
    """Return the UUIDs of all characteristics of a connected device that notify."""
    return [
        one.uuid
        for service in client.services
        for one in service.characteristics
        if set(one.properties) & set(_NOTIFIES)
    ]
