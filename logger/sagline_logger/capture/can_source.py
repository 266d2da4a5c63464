"""A CAN bus as a source, over python-can: whatever interface that package drives.

Nothing is ever sent; the controller acknowledges what it hears, unless it was set to listen only.
What is delivered are the frames as a RAW record holds them (frame_format.md §6.6, form 2).
"""

import contextlib
import os
import socket
import struct
import sys
import time
from collections.abc import Mapping
from pathlib import Path
from typing import TYPE_CHECKING, Any

from ..format import SaglineError
from ..format.arguments import positive_whole
from .source import Advice, LinkLost, Option
from .source_kind import SourceKind
from .translator import Translation

if TYPE_CHECKING:  # imported when a bus is opened
    import can

HEAD = struct.Struct("<iIB")
"""µs to the frame's arrival, identifier with flags, data bytes that follow."""
EXTENDED, REMOTE, ERROR = 1 << 31, 1 << 30, 1 << 29
"""Flags of the identifier, as of Linux's ``linux/can.h``."""
BUS_OFF = 0x40
"""Of an error frame's identifier: the controller left the bus (``linux/can/error.h``)."""
_MOST = 1 << 15
"""Bytes taken by one read."""
_BUFFER = 1 << 21  # bytes; the system grants what it allows
_FEW = 200  # frames
_PACE = 0.005  # s left for more frames to gather before the next read: see serial_source
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

    def read(self, timeout: float) -> bytes:
        """Return the frames that have come; see :class:`Source`."""
        bus = self._bus
        if bus is None:
            raise LinkLost(f"{self._channel} is not open")
        if self._off:
            raise LinkLost(f"{self._channel}: bus-off, the controller left the bus after errors")
        if self._pause:
            time.sleep(_PACE)
        can = _package()
        messages: list[Any] = []
        size = 0
        try:
            message = bus.recv(timeout)
            while message is not None:
                messages.append(message)
                size += HEAD.size + len(message.data)
                # What came before is given first, with the frame that says so.
                self._off = message.is_error_frame and bool(message.arbitration_id & BUS_OFF)
                if size > _MOST or self._off:
                    break
                message = bus.recv(0)
        except (can.CanError, OSError, ValueError) as problem:
            if not messages:
                raise LinkLost(f"{self._channel}: {_line(problem)}") from None
        self._pause = 0 < len(messages) < _FEW
        return _packed(messages)

    def close(self) -> None:
        """Leave the bus."""
        bus, self._bus = self._bus, None
        if bus is not None:
            with contextlib.suppress(Exception):
                bus.shutdown()


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


def missing(name: str) -> SaglineError:
    """Return what to say where a package of the extra ``can`` is not installed."""
    return SaglineError(
        f"needs the package {name}",
        where="--can",
        remedy='install it with: pip install "sagline[can]"',
    )


def _line(problem: Exception) -> str:
    return " ".join(str(problem).split()) or type(problem).__name__


def _make(given: Mapping[str, Any]) -> CanSource:
    interface = given["can_interface"]
    if interface is None:
        if sys.platform != "linux":
            raise SaglineError(
                "there is no usual interface on this system",
                where="--can",
                remedy="name python-can's driver of the adapter with --can-interface",
            )
        interface = "socketcan"
    return CanSource(given["can"], interface, given["bitrate"])


def _translation(given: Mapping[str, Any]) -> Translation:
    if given["dbc"] is None:
        raise SaglineError(
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
