"""Bluetooth LE as a source of bytes: bleak, asynchronous, behind the synchronous interface."""

import contextlib
import errno
import logging
import socket
import sys
import threading
from collections.abc import Iterator, Mapping
from dataclasses import dataclass, replace
from typing import TYPE_CHECKING, Any

from ..format.errors import SaglineError, UsageError
from . import ble_service
from .ble_errors import explain
from .gatt_stream import GattStream, notifying_of, short, uuid
from .source import Advice, LinkLost, Option
from .source_kind import LINES, SourceKind

if TYPE_CHECKING:  # asyncio and bleak take longer and more memory than the rest of the logger
    import asyncio

    from bleak.backends.characteristic import BleakGATTCharacteristic
    from bleak.backends.device import BLEDevice
    from bleak.backends.scanner import AdvertisementData

_SCAN = 5.0
"""Seconds the first attempt to open looks for the device."""
_SCAN_AGAIN = 2.0
"""Seconds later ones do: a capture cannot be stopped meanwhile, and it tries again anyway."""
_NAMESAKES = 1.2
"""Seconds for which others of the same name are waited for: a board in range tells its name every
0.1 to 1 s (common practice, no source; the radio's standard allows 10 s)."""
_CONNECT = 30.0
"""Seconds a found device has to connect, list its services and start notifying; on some systems
the user is asked to pair meanwhile."""
_SILENCE = 10.0
"""Seconds without a byte that count as a lost link: a Bluetooth service that crashed tells nobody,
and a board describes itself at least every 5 s (``protocol_docs/frame_format.md`` §5.1)."""
_SILENCE_OF_OTHERS = 60.0
"""The same of a device that promises no description."""
_OURS = GattStream()
_ASK, _MOST_ASKED = 10.0, 20
"""Seconds that a device has to connect and list its services, and how many of those in range are
asked for them, the nearest first."""
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
    advice = Advice(
        "is the board sending?", "does it send lines of text (--lines) or another protocol?"
    )

    def __init__(self, device: str, *, scan: float = _SCAN, stream: GattStream = _OURS) -> None:
        self._device = device
        self._stream = stream
        self._scan = scan
        self._link: _Link | None = None
        self._met = ""  # the address that the name led to

    @property
    def description(self) -> str:
        """One line for people and the CAPTURE record."""
        stream = "" if self._stream.ours else f", {short(self._stream.characteristic)}"
        return f"Bluetooth LE device {self._device}{stream}"

    def open(self) -> None:
        """Find the device, connect and subscribe (see ``Source``)."""
        self.close()
        scan = min(self._scan, _SCAN_AGAIN) if self._met else self._scan
        self._link = _Link(self._device, scan, self._stream, self._met)
        try:
            self._link.wait_up()
        except BaseException:  # Ctrl-C too must not leave a search running
            self.close()
            raise
        self._met = self._link.address

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
    import asyncio

    try:
        return asyncio.run(_discover(seconds))
    except Exception as problem:
        told = explain(problem, "Bluetooth")
        raise told if isinstance(told, SaglineError) else SaglineError(str(told)) from None


@dataclass(frozen=True, slots=True)
class AnyDevice:
    """A device in range, ours or not: the UUIDs of its characteristics that notify, in full.

    ``problem`` says why they cannot be told.
    """

    name: str
    address: str
    rssi: int
    notifying: tuple[str, ...] = ()
    problem: str = ""


def discover_all(seconds: float) -> list[AnyDevice]:
    """Return all devices in range, the strongest signal first, with what each of them notifies.

    Each is connected to for a moment.

    Raises:
        SaglineError: Bluetooth cannot be used; the line says what to do.
    """
    import asyncio

    try:
        return asyncio.run(_discover_all(seconds))
    except Exception as problem:
        told = explain(problem, "Bluetooth")
        raise told if isinstance(told, SaglineError) else SaglineError(str(told)) from None


async def _discover_all(seconds: float) -> list[AnyDevice]:
    _quieten()
    from bleak import BleakScanner

    heard = await BleakScanner.discover(seconds, return_adv=True)
    nearest = sorted(heard.items(), key=lambda item: (-item[1][1].rssi, item[0]))
    found = []
    for at, (address, (device, advert)) in enumerate(nearest):
        name = _plain(advert.local_name or device.name)
        one = AnyDevice(name, address, advert.rssi, problem=f"not asked, {_MOST_ASKED} are nearer")
        found.append(await _ask(device, one) if at < _MOST_ASKED else one)
    return found


async def _ask(device: "BLEDevice", one: AnyDevice) -> AnyDevice:
    """Connect for a moment and see what notifies."""
    import asyncio

    from bleak import BleakClient

    client = BleakClient(device)
    try:
        with _claim(one.address):
            async with asyncio.timeout(_ASK):
                await client.connect()
                return replace(one, notifying=tuple(notifying_of(client)), problem="")
    except Exception as problem:
        return replace(one, problem=str(explain(problem, one.address)))
    finally:
        with contextlib.suppress(Exception):
            async with asyncio.timeout(_FAREWELL):
                await client.disconnect()


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


async def _connected(service: str | None = ble_service.SERVICE) -> "list[BLEDevice]":
    """Return the devices with ``service`` that the system holds a link to.

    On Linux the system keeps the link of a program that was killed; the device then does not
    advertise and no search would ever find it again.
    """
    if sys.platform != "linux" or service is None:
        return []
    from bleak import BleakAdapter

    adapter = await BleakAdapter.get()
    return await adapter.get_connected_devices([service])


def _quieten() -> None:
    """Keep the libraries' own warnings off the screen: what matters comes as an error."""
    for name in ("bleak", "dbus_fast"):
        logging.getLogger(name).addHandler(logging.NullHandler())


class _Link:
    """One link from search to end, on its own thread with its own event loop."""

    def __init__(self, device: str, scan: float, stream: GattStream, met: str) -> None:
        """``met`` is the address that the device had when it was met before, if it was."""
        self.address = ""  # of the device found
        self._met = met
        self._device = device
        self._stream = stream
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
        import asyncio

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
        import asyncio

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
                    stream = self._stream.find(client, self._device)
                    await client.start_notify(stream, receive)
                with self._changed:
                    self._up = True
                    self._changed.notify_all()
                heard = -1
                silence = _SILENCE if self._stream.ours else _SILENCE_OF_OTHERS
                while not lost.done() and heard != self._heard:
                    heard = self._heard
                    await asyncio.wait([lost], timeout=silence)
                lose(f"nothing received for {silence:g} s")
                # Told now, not after the farewell.
                self._finish(LinkLost(f"{self._device}: {lost.result()}"))
            finally:
                with contextlib.suppress(Exception):
                    async with asyncio.timeout(_FAREWELL):
                        await client.disconnect()

    async def _find(self) -> "BLEDevice":
        """Return the device, which must be the only one of its name unless the address tells it.

        Raises:
            LinkLost: it is not in range.
            SaglineError: several devices in range bear the name.
        """
        import asyncio

        from bleak import BleakScanner

        boards: set[str] = set()
        alike: dict[str, BLEDevice] = {}  # by address
        sought = self._device.casefold()
        named, certain = asyncio.Event(), asyncio.Event()

        def hear(device: "BLEDevice", advert: "AdvertisementData | None" = None) -> None:
            name = advert and advert.local_name
            if advert and ble_service.SERVICE in advert.service_uuids:
                boards.add(_plain(name or device.address))
            by_address = device.address.casefold() == sought
            if not certain.is_set() and (
                by_address or sought in {one.casefold() for one in (device.name, name) if one}
            ):
                alike[device.address] = device
                named.set()
                if by_address or device.address == self._met:
                    self.address = device.address
                    certain.set()

        for device in await _connected(self._stream.service):
            hear(device)
        if not certain.is_set():
            # Not limited to our service: a device without it deserves its own message.
            async with BleakScanner(hear):
                with contextlib.suppress(TimeoutError):
                    async with asyncio.timeout(self._scan):
                        await named.wait()
                    async with asyncio.timeout(_NAMESAKES):
                        await certain.wait()
        if certain.is_set():
            return alike[self.address]
        if len(alike) > 1:
            raise SaglineError(  # which ends no capture that runs: the keeper tries again
                f"{len(alike)} devices bear this name: {', '.join(sorted(alike))}",
                where=self._device,
                remedy="give the address of one; sagline-logger find tells how near each is",
            )
        if not alike:
            seen = ", ".join(sorted(boards)) or "none"
            told = f"boards in range: {seen}"
            if not self._stream.ours:
                told = "sagline-logger find --all lists what is in range"
                if self._stream.service is None and sys.platform == "linux":
                    told += "; if a program that was killed had it, name its --service too"
            raise LinkLost(f"{self._device}: not seen within {self._scan:g} s ({told})")
        self.address, found = next(iter(alike.items()))
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


def _make(given: Mapping[str, Any]) -> BleSource:
    if given["characteristic"] is None:
        if given["service"] is not None:
            raise UsageError(
                "names no characteristic",
                where="--service",
                remedy="say which of its characteristics notifies with --characteristic",
            )
        return BleSource(given["ble"])
    return BleSource(given["ble"], stream=GattStream(given["characteristic"], given["service"]))


KIND = SourceKind(
    Option("--ble", "NAME", "a Bluetooth LE device, by name or address"),
    _make,
    (
        Option("--characteristic", "UUID", "the one that notifies, of a serial module", uuid),
        Option("--service", "UUID", "the service it belongs to", uuid),
        LINES,
    ),
)
