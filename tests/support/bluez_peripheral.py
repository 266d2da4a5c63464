"""A stand-in for bluetoothd and the boards in its range, on a private real D-Bus daemon.

bleak runs unmodified against it: the daemon is the real ``dbus-daemon``, and the objects it finds
there (adapter, devices, services, characteristics, as BlueZ documents them in its
``doc/org.bluez.*.rst``) are served from this module, on a thread of its own.  Notifications go the
way that bleak asks for, StartNotify; it uses AcquireNotify only when a program tells it to.
"""

import asyncio
import contextlib
import os
import random
import select
import subprocess
import tempfile
import threading
from collections.abc import Callable, Coroutine, Iterator
from dataclasses import dataclass
from pathlib import Path
from typing import Any

from dbus_fast import BusType, Message, MessageType, Variant
from dbus_fast.aio import MessageBus

from sagline_logger.capture import ble_service

ADAPTER = "org.bluez.Adapter1"
DEVICE = "org.bluez.Device1"
GATT_SERVICE = "org.bluez.GattService1"
CHARACTERISTIC = "org.bluez.GattCharacteristic1"
PROPERTIES = "org.freedesktop.DBus.Properties"
OBJECTS = "org.freedesktop.DBus.ObjectManager"
HCI = "/org/bluez/hci0"
_ADVERTISING = 0.05
"""Seconds between two advertisements of a board."""

_CONFIG = """<!DOCTYPE busconfig PUBLIC "-//freedesktop//DTD D-Bus Bus Configuration 1.0//EN"
 "http://www.freedesktop.org/standards/dbus/1.0/busconfig.dtd">
<busconfig>
  <type>system</type>
  <listen>unix:path={socket}</listen>
  <auth>EXTERNAL</auth>
  <policy context="default">
    <allow own="*"/><allow send_destination="*"/><allow receive_sender="*"/><allow user="*"/>
    {rule}
  </policy>
</busconfig>
"""
WITHOUT_PERMISSION = '<deny send_destination="org.bluez" send_type="method_call"/>'

_SIGNATURES = {
    "UUIDs": "as",
    "Roles": "as",
    "Flags": "as",
    "RSSI": "n",
    "Value": "ay",
    "MTU": "q",
    "Adapter": "o",
    "Device": "o",
    "Service": "o",
}


@dataclass(frozen=True)
class Bus:
    """A running daemon."""

    address: str
    daemon: "subprocess.Popen[str]"


@contextlib.contextmanager
def dbus_daemon(rule: str = "") -> Iterator["Bus"]:
    """Run a private ``dbus-daemon`` as the system bus.

    ``rule`` is one more line of policy, so that a refusal comes from the real daemon.
    """
    with tempfile.TemporaryDirectory(prefix="bus-") as name:  # short: a socket path has 108 bytes
        config = Path(name) / "bus.conf"
        config.write_text(_CONFIG.format(socket=config.with_name("socket"), rule=rule))
        with subprocess.Popen(
            ["dbus-daemon", f"--config-file={config}", "--nofork", "--print-address=1"],
            stdout=subprocess.PIPE,
            stderr=subprocess.DEVNULL,  # it complains that it may not raise its own file limit
            text=True,
        ) as daemon:
            try:
                assert daemon.stdout is not None
                address = daemon.stdout.readline().strip()
                assert address, "dbus-daemon did not start"
                with system_bus(address):
                    yield Bus(address, daemon)
            finally:
                daemon.terminate()


@contextlib.contextmanager
def system_bus(address: str) -> Iterator[None]:
    """Make ``address`` the system bus for bleak, here and in programs started meanwhile."""
    before = os.environ.get("DBUS_SYSTEM_BUS_ADDRESS")
    os.environ["DBUS_SYSTEM_BUS_ADDRESS"] = address
    try:
        yield
    finally:
        if before is None:
            del os.environ["DBUS_SYSTEM_BUS_ADDRESS"]
        else:
            os.environ["DBUS_SYSTEM_BUS_ADDRESS"] = before


class Bluetooth:
    """The adapter and its objects; a context manager that holds the name org.bluez."""

    def __init__(self, bus: Bus, *, adapter: bool = True) -> None:
        self.objects: dict[str, dict[str, dict[str, Variant]]] = {}
        self.peripherals: dict[str, Peripheral] = {}
        self.scanning = False
        self.search_begun = threading.Event()
        self._address = bus.address
        self._loop = asyncio.new_event_loop()
        self._thread = threading.Thread(target=self._loop.run_forever, name="bluez", daemon=True)
        if adapter:
            values = _variants(Address="02:00:00:00:00:00", Powered=True, Roles=["central"])
            self.objects[HCI] = {ADAPTER: values}

    def __enter__(self) -> "Bluetooth":
        self._thread.start()
        self.run(self._start())
        return self

    def __exit__(self, *_: object) -> None:
        self.run(self._stop())
        self._loop.call_soon_threadsafe(self._loop.stop)
        self._thread.join()
        self._loop.close()

    def run(self, work: Coroutine[Any, Any, Any]) -> Any:
        """Run ``work`` on the stand-in's thread and return what it returns."""
        return asyncio.run_coroutine_threadsafe(work, self._loop).result(60)

    def do(self, action: Callable[..., None], *values: Any, **named: Any) -> None:
        """Call ``action`` on the stand-in's thread and wait until it is done."""

        async def call() -> None:
            action(*values, **named)

        self.run(call())

    def power(self, on: bool) -> None:
        """Switch the adapter; off drops every link, as BlueZ does."""
        self.do(self._power, on)

    # What follows runs on the stand-in's thread.

    def add(self, path: str, interface: str, **values: Any) -> None:
        self.objects[path] = {interface: _variants(**values)}
        self._signal("/", OBJECTS, "InterfacesAdded", "oa{sa{sv}}", [path, self.objects[path]])

    def remove(self, path: str) -> None:
        names = list(self.objects.pop(path))
        self._signal("/", OBJECTS, "InterfacesRemoved", "oas", [path, names])

    def change(self, path: str, interface: str, **values: Any) -> None:
        changed = _variants(**values)
        self.objects[path][interface].update(changed)
        self._signal(path, PROPERTIES, "PropertiesChanged", "sa{sv}as", [interface, changed, []])

    def reply(self, call: Message, signature: str = "", body: list[Any] | None = None) -> None:
        self._bus.send(Message.new_method_return(call, signature, body or []))

    def refuse(self, call: Message, error: str, text: str) -> None:
        self._bus.send(Message.new_error(call, error, text))

    def _signal(
        self, path: str, interface: str, member: str, signature: str, body: list[Any]
    ) -> None:
        # dbus-fast gives the connection up when the socket is full, so wait until it has room.
        select.select([], [self._bus._sock], [], 60)
        self._bus.send(Message.new_signal(path, interface, member, signature, body))

    def _power(self, on: bool) -> None:
        if not on:
            for peripheral in self.peripherals.values():
                peripheral._drop()
            self.scanning = False
        self.change(HCI, ADAPTER, Powered=on)

    async def _start(self) -> None:
        self._bus = await MessageBus(bus_address=self._address, bus_type=BusType.SYSTEM).connect()
        self._bus.add_message_handler(self._handle)
        await self._bus.request_name("org.bluez")
        self._advertiser = asyncio.create_task(self._advertise())

    async def _stop(self) -> None:
        self._advertiser.cancel()
        self._bus.disconnect()
        with contextlib.suppress(Exception):  # a test may have ended the daemon
            await self._bus.wait_for_disconnect()

    def _handle(self, call: Message) -> bool:
        if call.message_type is not MessageType.METHOD_CALL:
            return False
        path, member = call.path or "", call.member or ""
        if member == "GetManagedObjects":
            self.reply(call, "a{oa{sa{sv}}}", [self.objects])
        elif path not in self.objects:
            self.refuse(call, "org.freedesktop.DBus.Error.UnknownObject", f"no object {path}")
        elif call.interface == ADAPTER:
            self._adapter_call(call, member)
        else:
            self.peripherals[path.partition("/service")[0]]._call(call, member)
        return True

    def _adapter_call(self, call: Message, member: str) -> None:
        if not self.objects[HCI][ADAPTER]["Powered"].value:
            return self.refuse(call, "org.bluez.Error.NotReady", "Resource Not Ready")
        if member in ("StartDiscovery", "StopDiscovery"):
            self.scanning = member == "StartDiscovery"
            self.search_begun.set()
        self.reply(call)
        return None

    async def _advertise(self) -> None:
        """Let every board be heard again and again, as on the air: one report may come too soon."""
        while True:
            for peripheral in self.peripherals.values():
                peripheral._advertise()
            await asyncio.sleep(_ADVERTISING)


class Peripheral:
    """A board in radio range: advertises, takes one link, notifies slices of a byte stream.

    ``greeting`` gives what it sends first after each subscription (its descriptor), ``board`` the
    value of the board characteristic.  ``fault`` is the D-Bus error (name, text) that every use of
    a characteristic ends in.  Of the bytes given to :meth:`send` only those that went out over a
    link count as delivered; ``delivered`` holds them, one entry per subscription.
    """

    def __init__(
        self,
        bluetooth: Bluetooth,
        name: str,
        *,
        greeting: Callable[[], bytes] = bytes,
        board: Callable[[], bytes] = bytes,
        mtu: int = 185,
        service: str = ble_service.SERVICE,
        characteristics: dict[str, tuple[str, list[str]]] | None = None,
        advertised: bool = True,
        fault: tuple[str, str] | None = None,
        refuses_link: bool = False,
        answers_link: bool = True,
        rssi: int | None = None,
        seed: int = 1,
    ) -> None:
        # Drawn, not counted: a capture holds an address for the whole machine, and other tests run.
        self.address = f"02:{os.urandom(5).hex(':')}".upper()
        self.name = name
        self.path = f"{HCI}/dev_{self.address.replace(':', '_')}"
        self.delivered: list[bytearray] = []
        self.mtu = mtu
        self.in_range = True
        self.subscribed = threading.Event()
        self.link_dropped = threading.Event()
        self.link_asked = threading.Event()
        self._doom: tuple[int, bool] | None = None
        self._bluetooth = bluetooth
        self._greeting = greeting
        self._board = board
        self._fault = fault
        self._refuses_link = refuses_link
        self._answers_link = answers_link
        self._rssi = rssi
        self._random = random.Random(seed)
        # By UUID: (object name, flags); the stream is sent by char0002.
        self._characteristics = characteristics or {
            ble_service.STREAM: ("char0002", ["notify"]),
            ble_service.COMMAND: ("char0005", ["write"]),
            ble_service.BOARD: ("char0007", ["read"]),
        }
        self._service = service
        bluetooth.peripherals[self.path] = self
        bluetooth.do(
            bluetooth.add,
            self.path,
            DEVICE,
            Address=self.address,
            AddressType="random",
            Name=name,
            Alias=name,
            Paired=False,
            Trusted=False,
            Connected=False,
            ServicesResolved=False,
            Adapter=HCI,
            UUIDs=[service] if advertised else [],
            RSSI=-60,
        )

    def send(self, data: bytes) -> bool:
        """Notify ``data`` in random slices if a listener is subscribed; say whether one was."""
        return bool(self._bluetooth.run(self._send(data)))

    def lose(self, *, back: bool, after: int = 0) -> None:
        """Drop the link, as when the radio fades; out of range for good unless ``back``.

        It goes now, or inside the bytes being sent when ``after`` more notifications are out.
        """
        if after:
            self._bluetooth.do(setattr, self, "_doom", (after, back))
        else:
            self._bluetooth.do(self._drop, back)

    def come_back(self) -> None:
        """Be in range and advertise again."""
        self.in_range = True

    def connected(self) -> bool:
        """Whether the system holds a link to the board."""
        return bool(self._bluetooth.objects[self.path][DEVICE]["Connected"].value)

    # What follows runs on the stand-in's thread.

    @property
    def _stream_path(self) -> str:
        return f"{self.path}/service0001/char0002"

    async def _send(self, data: bytes) -> bool:
        if not self.subscribed.is_set():
            return False
        self._notify(data)
        return True

    def _notify(self, data: bytes) -> None:
        most = min(self.mtu - 3, 512)
        at = 0
        while at < len(data):
            piece = data[at : at + self._random.randint(1, most)]
            at += len(piece)
            self._bluetooth.change(self._stream_path, CHARACTERISTIC, Value=piece)
            self.delivered[-1] += piece
            if self._doom is not None:
                left, back = self._doom
                self._doom = (left - 1, back)
                if left <= 1:
                    return self._drop(back)
        return None

    def _advertise(self) -> None:
        if self._bluetooth.scanning and self.in_range and not self.connected():
            rssi = self._random.randint(-90, -40) if self._rssi is None else self._rssi
            self._bluetooth.change(self.path, DEVICE, RSSI=rssi)

    def _drop(self, back: bool = True) -> None:
        self._doom = None
        self.in_range = back
        self.subscribed.clear()
        if self.connected():
            for path in [p for p in self._bluetooth.objects if p.startswith(f"{self.path}/")]:
                self._bluetooth.remove(path)
            self._bluetooth.change(self.path, DEVICE, Connected=False, ServicesResolved=False)
            self.link_dropped.set()

    def _connect(self, call: Message) -> None:
        bluetooth = self._bluetooth
        self.link_asked.set()
        if not self._answers_link:
            return None
        if self._refuses_link or not self.in_range:
            return bluetooth.refuse(
                call, "org.bluez.Error.Failed", "Software caused connection abort"
            )
        bluetooth.change(self.path, DEVICE, Connected=True)
        service = f"{self.path}/service0001"
        bluetooth.add(service, GATT_SERVICE, UUID=self._service, Primary=True, Device=self.path)
        for uuid, (name, flags) in self._characteristics.items():
            bluetooth.add(
                f"{service}/{name}",
                CHARACTERISTIC,
                UUID=uuid,
                Service=service,
                Flags=flags,
                Notifying=False,
                Value=b"",
                MTU=self.mtu,
            )
        bluetooth.change(self.path, DEVICE, ServicesResolved=True)
        bluetooth.reply(call)
        return None

    def _call(self, call: Message, member: str) -> None:
        bluetooth = self._bluetooth
        if member == "Connect":
            self._connect(call)
        elif member == "Disconnect":
            self._drop()
            bluetooth.reply(call)
        elif self._fault is not None:
            bluetooth.refuse(call, *self._fault)
        elif member == "ReadValue":
            bluetooth.reply(call, "ay", [self._board()])
        elif member == "StartNotify" and call.path == self._stream_path:
            bluetooth.change(self._stream_path, CHARACTERISTIC, Notifying=True)
            bluetooth.reply(call)
            self.delivered.append(bytearray())
            self.subscribed.set()
            self._notify(self._greeting())
        else:
            bluetooth.refuse(call, "org.bluez.Error.NotSupported", "Operation is not supported")


def _variants(**values: Any) -> dict[str, Variant]:
    def wrap(name: str, value: Any) -> Variant:
        kind = _SIGNATURES.get(name) or ("b" if isinstance(value, bool) else "s")
        return Variant(kind, value)

    return {name: wrap(name, value) for name, value in values.items()}
