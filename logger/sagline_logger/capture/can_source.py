"""A CAN bus as a source, over python-can: whatever interface that package drives.

Nothing is ever sent; the controller acknowledges what it hears, unless it was set to listen only.
What is delivered are the frames as a RAW record holds them (frame_format.md §6.6, form 2).
"""

import contextlib
import os
import socket
import struct
import sys
import threading
import time
from collections import deque
from collections.abc import Mapping
from pathlib import Path
from typing import TYPE_CHECKING, Any

from ..format import SaglineError, UsageError
from ..format.arguments import positive_whole
from .can_bytes import BUS_OFF, ERROR, EXTENDED, HEAD, OVERFLOW, REMOTE, missing
from .source import Advice, LinkLost, Option
from .source_kind import SourceKind
from .translator import Translation

if TYPE_CHECKING:  # imported when a bus is opened
    import can

_MOST = 2000
"""Frames given by one read."""
_HELD = 20_000
"""Frames that wait to be read, at most: five seconds of a full bus of 500 kbit/s."""
_MEMINFO, _DROPS = 55, 8
"""``SO_MEMINFO`` of Linux's ``asm-generic/socket.h`` and the place of the count of what the system
itself dropped in it (``linux/sock_diag.h``; both from memory)."""
_BUFFER = 1 << 21  # bytes; the system grants what it allows
_FEW = 200  # frames
_PACE = 0.005  # s left for more frames to gather before the next read: see serial_source
_PATIENCE = 0.2  # s after which the thread looks whether it has to stop
_LATE = 1.0  # s by which a frame's own time may lie before the read to be believed


class CanSource:
    """One bus; ``interface`` is python-can's name of its driver."""

    silence = 3.0
    advice = Advice(
        "is the bus wired, ended with its resistors, and does another node acknowledge?",
        "does the DBC belong to this bus?",
    )

    def __init__(self, channel: str, interface: str, bitrate: int | None) -> None:
        self._channel = channel
        self._interface = interface
        self._bitrate = bitrate
        self._bus: can.BusABC | None = None
        self._taker: _Taker | None = None
        self._pause = self._off = False

    @property
    def description(self) -> str:
        """Interface and channel."""
        speed = f" at {self._bitrate}" if self._bitrate else ""
        return f"CAN {self._interface} {self._channel}{speed}"

    def open(self) -> None:
        """Join the bus; see :class:`Source`."""
        self.close()
        self._pause = self._off = False
        can = _package()
        options: dict[str, Any] = {"bitrate": self._bitrate} if self._bitrate else {}
        if self._interface == "socketcan":
            options["receive_own_messages"] = False
        try:
            self._bus = can.Bus(interface=self._interface, channel=self._channel, **options)
        except can.CanInterfaceNotImplementedError as problem:
            raise SaglineError(
                f"this interface cannot be used here ({_line(problem)})",
                where=self._interface,
                remedy="name one that python-can drives, and install what it needs",
            ) from None
        except (ValueError, TypeError, ImportError) as problem:
            raise SaglineError(
                f"the interface does not take this ({_line(problem)})",
                where=self.description,
                remedy="see python-can's documentation of it",
            ) from None
        except (can.CanError, OSError) as problem:
            raise LinkLost(f"{self._channel}: {_line(problem)}") from None
        _widen(self._bus)
        self._taker = _Taker(self._bus)

    def read(self, timeout: float) -> bytes:
        """Return the frames that have come; see :class:`Source`."""
        taker = self._taker
        if taker is None:
            raise LinkLost(f"{self._channel} is not open")
        if self._off:
            raise LinkLost(f"{self._channel}: bus-off, the controller left the bus after errors")
        if self._pause:
            time.sleep(_PACE)
        messages = taker.take(timeout)
        for place, message in enumerate(messages):
            # What came before is given first, with the frame that says so.
            if message.is_error_frame and message.arbitration_id & BUS_OFF:
                self._off = True
                del messages[place + 1 :]
                break
        if not messages and taker.problem:
            raise LinkLost(f"{self._channel}: {taker.problem}")
        self._pause = 0 < len(messages) < _FEW
        return _packed(messages) + _told(taker.lost())

    def close(self) -> None:
        """Leave the bus."""
        bus, self._bus = self._bus, None
        taker, self._taker = self._taker, None
        if taker is not None:
            taker.stop()
        if bus is not None:
            with contextlib.suppress(Exception):
                bus.shutdown()


class _Taker:
    """Takes frames from a bus on a thread of its own, so that what else this program does keeps
    none of them waiting, and counts those that were lost all the same."""

    def __init__(self, bus: "can.BusABC") -> None:
        self._bus = bus
        self._held: deque[can.Message] = deque()
        self._came = threading.Condition()
        self._stopped = False
        self._full = 0  # frames for which there was no room
        self._socket: socket.socket | None = None
        with contextlib.suppress(Exception):  # not every driver has a socket
            self._socket = socket.socket(fileno=os.dup(bus.fileno()))
        self._dropped = self._by_system()
        self.problem = ""
        """Why nothing more comes; empty while the bus is well."""
        self._thread = threading.Thread(target=self._run, name="can", daemon=True)
        self._thread.start()

    def take(self, timeout: float) -> "list[can.Message]":
        """Return what has come, after waiting for it up to ``timeout`` s."""
        with self._came:
            if not self._held and not self.problem:
                self._came.wait(timeout)
            return [self._held.popleft() for _ in range(min(len(self._held), _MOST))]

    def lost(self) -> int:
        """Return how many frames were lost since this was asked last."""
        with self._came:
            full, self._full = self._full, 0
        before, self._dropped = self._dropped, self._by_system()
        return full + (self._dropped - before) % (1 << 32)

    def stop(self) -> None:
        """Take no more; the bus may be left then."""
        self._stopped = True
        self._thread.join()
        if self._socket is not None:
            self._socket.close()

    def _run(self) -> None:
        can = _package()
        try:
            while not self._stopped:
                message = self._bus.recv(_PATIENCE)
                if message is None:
                    continue
                with self._came:
                    if len(self._held) < _HELD:
                        self._held.append(message)
                    else:
                        self._full += 1
                    self._came.notify()
        except (can.CanError, OSError, ValueError) as problem:
            with self._came:
                self.problem = _line(problem)
                self._came.notify()

    def _by_system(self) -> int:
        """Return how many frames the system had no room for so far; 0 where it does not say."""
        if self._socket is None or sys.platform != "linux":
            return 0
        try:
            told = self._socket.getsockopt(socket.SOL_SOCKET, _MEMINFO, 4 * (_DROPS + 1))
        except OSError:
            return 0
        return struct.unpack_from("=I", told, 4 * _DROPS)[0] if len(told) > 4 * _DROPS else 0


def _told(lost: int) -> bytes:
    """Return the error frame that says so, where frames were lost."""
    if not lost:
        return b""
    return HEAD.pack(0, OVERFLOW, 8) + struct.pack("<4BI", 0, 1, 0, 0, min(lost, 2**32 - 1))


def _widen(bus: "can.BusABC") -> None:
    """Ask the system to hold more frames for us than usual: at full load its usual few hundred are
    a tenth of a second, and those it drops nobody counts."""
    with contextlib.suppress(Exception):  # not every driver has a socket
        number = os.dup(bus.fileno())
        with socket.socket(fileno=number) as link:
            link.setsockopt(socket.SOL_SOCKET, socket.SO_RCVBUF, _BUFFER)


def _packed(messages: "list[can.Message]") -> bytes:
    """Return frames as a RAW record holds them, each with when it came against now."""
    if not messages:
        return b""
    now, last = time.time(), messages[-1].timestamp
    # Most drivers stamp by the host's clock; of the others only the differences say something.
    zero = now if -0.01 < now - last < _LATE else last
    parts = []
    for message in messages:
        word = message.arbitration_id & 0x1FFFFFFF
        word |= EXTENDED * message.is_extended_id | REMOTE * message.is_remote_frame
        word |= ERROR * message.is_error_frame
        data = b"" if message.is_remote_frame else bytes(message.data)[:64]
        ago = max(min(round((message.timestamp - zero) * 1e6), 0), -(1 << 31))
        parts.append(HEAD.pack(ago, word, len(data)) + data)
    return b"".join(parts)


def _package() -> Any:
    """Return the package python-can, which the base installation does without."""
    try:
        import can
    except ModuleNotFoundError as problem:
        raise missing(problem.name or "can") from None
    return can


def _line(problem: Exception) -> str:
    return " ".join(str(problem).split()) or type(problem).__name__


def _make(given: Mapping[str, Any]) -> CanSource:
    interface = given["can_interface"]
    if interface is None:
        if sys.platform != "linux":
            raise UsageError(
                "there is no usual interface on this system",
                where="--can",
                remedy="name python-can's driver of the adapter with --can-interface",
            )
        interface = "socketcan"
    return CanSource(given["can"], interface, given["bitrate"])


def _translation(given: Mapping[str, Any]) -> Translation:
    if given["dbc"] is None:
        raise UsageError(
            "says nothing of what its frames mean",
            where="--can",
            remedy="give the bus's DBC with --dbc FILE",
        )
    from .can_frames import frames_by  # whoever has no bus does not wait for it

    return frames_by(given["dbc"], given["map"])


DBC = Option("--dbc", "FILE", "what the bus's frames mean", Path)
CAN_MAP = Option("--map", "MAP.toml", "which signals become which channels", Path)
KIND = SourceKind(
    Option("--can", "CHANNEL", "a CAN bus, such as can0"),
    _make,
    (
        Option("--can-interface", "NAME", "python-can's driver (default on Linux: socketcan)"),
        Option("--bitrate", "N", "bits a second, where the driver sets them", positive_whole),
        DBC,
        CAN_MAP,
    ),
    _translation,
    live=False,
)
