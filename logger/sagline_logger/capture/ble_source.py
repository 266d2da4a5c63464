"""Bluetooth LE as a source of bytes: bleak, asynchronous, behind the synchronous interface."""

import asyncio
import contextlib
import errno
import logging
import socket
import sys
import threading
from collections.abc import Iterator
from dataclasses import dataclass
from typing import TYPE_CHECKING

from ..format.errors import SaglineError
from . import ble_service
from .ble_errors import explain
from .source import Advice, LinkLost, Option, SourceKind

if TYPE_CHECKING:  # importing bleak takes longer than the rest of the logger; wait until it is used
    from bleak.backends.characteristic import BleakGATTCharacteristic
    from bleak.backends.device import BLEDevice
    from bleak.backends.scanner import AdvertisementData

_SCAN = 5.0
"""Seconds the first attempt to open looks for the device."""
_SCAN_AGAIN = 2.0
"""Seconds later ones do: a capture cannot be stopped meanwhile, and it tries again anyway."""
_CONNECT = 30.0
"""Seconds a found device has to connect, list its services and start notifying; on some systems
the user is asked to pair meanwhile."""
_SILENCE = 10.0
"""Seconds without a byte that count as a lost link: a Bluetooth service that crashed tells nobody,
and a board describes itself at least every 5 s (``protocol_docs/frame_format.md`` §5.1)."""
_FAREWELL = 5.0
"""Seconds the system has to drop the link."""
_MOST_HELD = 8 << 20
"""Most bytes that wait to be read: half a minute at 250 kB/s, faster than any LE radio."""


@dataclass(frozen=True, slots=True)
class FoundDevice:
    """A device that offers our service.

    ``address`` is what ``--ble`` takes: the Bluetooth address, on macOS the UUID it gives instead.
    ``rssi`` is the received signal strength in dBm, None for a device that is already connected.
    """

    name: str
    address: str
    rssi: int | None

    @property
    def signal(self) -> str:
        """The strength in words."""
        return "connected" if self.rssi is None else f"{self.rssi} dBm"


class BleSource:
    """A board reached by Bluetooth LE, named by its advertised name or its address.

    Every open searches anew, the first for up to ``scan`` s, because an address may change.
    """

    silence = 3.0
    advice = Advice("is the board sending?", "does it send another protocol?")

    def __init__(self, device: str, *, scan: float = _SCAN) -> None:
        self._device = device
        self._scan = scan
        self._link: _Link | None = None
        self._met = False

    @property
    def description(self) -> str:
        """One line for people and the CAPTURE record."""
        return f"Bluetooth LE device {self._device}"

    def open(self) -> None:
        """Find the device, connect and subscribe (see ``Source``)."""
        self.close()
        self._link = _Link(self._device, min(self._scan, _SCAN_AGAIN) if self._met else self._scan)
        try:
            self._link.wait_up()
        except BaseException:  # Ctrl-C too must not leave a search running
            self.close()
            raise
        self._met = True

    def read(self, timeout: float) -> bytes:
        """Return the bytes of the notifications that have come (see ``Source``)."""
        if self._link is None:
            raise LinkLost(f"{self.description} is not open")
        return self._link.read(timeout)

    def close(self) -> None:
        """Drop the link; another thread may call this to cut short an open that is under way."""
        link, self._link = self._link, None
        if link is not None:
            link.close()


def discover(seconds: float) -> list[FoundDevice]:
    """Return the devices in range that offer our service, the strongest signal first.

    Raises:
        SaglineError: Bluetooth cannot be used; the line says what to do.
    """
    try:
        return asyncio.run(_discover(seconds))
    except Exception as problem:
        told = explain(problem, "Bluetooth")
        raise told if isinstance(told, SaglineError) else SaglineError(str(told)) from None


async def _discover(seconds: float) -> list[FoundDevice]:
    _quieten()
    from bleak import BleakScanner

    found = [FoundDevice(_plain(d.name), d.address, None) for d in await _connected()]
    heard = await BleakScanner.discover(
        seconds, return_adv=True, service_uuids=[ble_service.SERVICE]
    )
    known = {device.address for device in found}
    for address, (device, advert) in sorted(heard.items(), key=lambda i: (-i[1][1].rssi, i[0])):
        if address not in known:
            name = _plain(advert.local_name or device.name)
            found.append(FoundDevice(name, address, advert.rssi))
    return found


def _plain(name: str | None) -> str:
    """Return a name from the air without what could steer a terminal."""
    return "".join(sign if sign.isprintable() else "?" for sign in name or "")


async def _connected() -> "list[BLEDevice]":
    """Return the devices with our service that the system holds a link to.

    On Linux the system keeps the link of a program that was killed; the device then does not
    advertise and no search would ever find it again.
    """
    if sys.platform != "linux":
        return []
    from bleak import BleakAdapter

    adapter = await BleakAdapter.get()
    return await adapter.get_connected_devices([ble_service.SERVICE])


def _quieten() -> None:
    """Keep the libraries' own warnings off the screen: what matters comes as an error."""
    for name in ("bleak", "dbus_fast"):
        logging.getLogger(name).addHandler(logging.NullHandler())


class _Link:
    """One link from search to end, on its own thread with its own event loop."""

    def __init__(self, device: str, scan: float) -> None:
        self._device = device
        self._scan = scan
        self._changed = threading.Condition()  # guards what follows
        self._held = bytearray()
        self._heard = 0
        self._up = False
        self._end: Exception | None = None
        self._task: asyncio.Task[None] | None = None
        self._loop: asyncio.AbstractEventLoop | None = None
        self._closing = False
        self._thread = threading.Thread(target=self._run, name="bluetooth", daemon=True)
        self._thread.start()

    def wait_up(self) -> None:
        with self._changed:
            # In slices: an endless wait for a lock cannot be interrupted by Ctrl-C on Windows.
            while not self._changed.wait_for(lambda: self._up or self._end, 0.2):
                pass
            if not self._up and self._end is not None:
                raise self._end

    def read(self, timeout: float) -> bytes:
        with self._changed:
            self._changed.wait_for(lambda: self._held or self._end, timeout)
            if self._held:
                data = bytes(self._held)
                self._held.clear()
                return data
            if self._end is not None:
                raise self._end
            return b""

    def close(self) -> None:
        with self._changed:
            self._closing = True
            if self._task is not None and self._loop is not None:
                with contextlib.suppress(RuntimeError):  # the loop has ended by itself
                    self._loop.call_soon_threadsafe(self._task.cancel)
        # A Bluetooth service that hangs must not hang us: its thread is left behind.
        self._thread.join(2 * _FAREWELL)

    def _run(self) -> None:
        try:
            asyncio.run(self._hold())
        except asyncio.CancelledError:
            self._finish(LinkLost(f"{self._device}: closed"))
        except Exception as problem:
            self._finish(explain(problem, self._device))

    def _finish(self, end: Exception) -> None:
        with self._changed:
            self._end = self._end or end
            self._changed.notify_all()

    async def _hold(self) -> None:
        """Search, connect, subscribe, and stay until the link is lost or cancelled."""
        _quieten()
        self._loop = asyncio.get_running_loop()
        with self._changed:
            if self._closing:
                return
            self._task = asyncio.current_task()
        from bleak import BleakClient

        lost: asyncio.Future[str] = self._loop.create_future()

        def lose(reason: str) -> None:
            if not lost.done():
                lost.set_result(reason)

        def receive(_: "BleakGATTCharacteristic", data: bytearray) -> None:
            with self._changed:
                if lost.done():
                    return  # after bytes are left out, none may follow as if nothing were missing
                if len(self._held) + len(data) > _MOST_HELD:
                    lose(f"the logger fell {_MOST_HELD >> 20} MiB behind; starting afresh")
                    return
                self._held += data
                self._heard += len(data)
                self._changed.notify_all()

        found = await self._find()
        with _claim(found.address):
            client = BleakClient(found, lambda _: lose("the link to the device was lost"))
            try:
                async with asyncio.timeout(_CONNECT):
                    await client.connect()
                    service = client.services.get_service(ble_service.SERVICE)
                    stream = service and service.get_characteristic(ble_service.STREAM)
                    if not stream:
                        raise SaglineError(
                            "the device has no Sagline telemetry service",
                            where=self._device,
                            remedy="list the boards in range with: sagline-logger find",
                        )
                    await client.start_notify(stream, receive)
                with self._changed:
                    self._up = True
                    self._changed.notify_all()
                heard = -1
                while not lost.done() and heard != self._heard:
                    heard = self._heard
                    await asyncio.wait([lost], timeout=_SILENCE)
                lose(f"nothing received for {_SILENCE:g} s")
                # Told now, not after the farewell.
                self._finish(LinkLost(f"{self._device}: {lost.result()}"))
            finally:
                with contextlib.suppress(Exception):
                    async with asyncio.timeout(_FAREWELL):
                        await client.disconnect()

    async def _find(self) -> "BLEDevice":
        from bleak import BleakScanner

        boards: set[str] = set()
        sought = self._device.casefold()

        def matches(device: "BLEDevice", advert: "AdvertisementData | None" = None) -> bool:
            names = {device.address, device.name, advert and advert.local_name}
            if advert and ble_service.SERVICE in advert.service_uuids:
                boards.add(_plain(advert.local_name or device.address))
            return sought in {name.casefold() for name in names if name}

        for device in await _connected():
            if matches(device):
                return device
        # Not limited to our service: a device without it deserves its own message.
        found = await BleakScanner.find_device_by_filter(matches, timeout=self._scan)
        if found is None:
            seen = ", ".join(sorted(boards)) or "none"
            raise LinkLost(
                f"{self._device}: not seen within {self._scan:g} s (boards in range: {seen})"
            )
        return found


@contextlib.contextmanager
def _claim(address: str) -> Iterator[None]:
    """Hold a device for this process; the system frees it even after ``kill -9``."""
    if sys.platform != "linux":  # elsewhere the system keeps the links of programs apart
        yield
        return
    with socket.socket(socket.AF_UNIX, socket.SOCK_DGRAM) as claim:
        try:
            claim.bind(f"\0sagline-ble-{address}")
        except OSError as problem:
            if problem.errno == errno.EADDRINUSE:  # where such sockets are forbidden we do without
                raise SaglineError(
                    "the device is busy",
                    where=address,
                    remedy="another capture has it; stop that first",
                ) from None
        yield


KIND = SourceKind(
    Option("--ble", "NAME", "a Bluetooth LE device, by name or address"),
    lambda given: BleSource(given["ble"]),
)
