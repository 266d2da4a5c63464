"""A serial port as a source, over pyserial."""

import contextlib
import errno
import os
import time
from typing import TYPE_CHECKING

from ..format import SaglineError
from ..format.arguments import positive_whole
from .source import Advice, LinkLost, Option
from .source_kind import LINES, SourceKind

try:
    from termios import error as TerminalError
except ImportError:  # no such system calls on Windows, and so no such error
    TerminalError = OSError  # type: ignore[misc,assignment]

if TYPE_CHECKING:  # imported when a port is opened, so that help is quick
    import serial

_FEW = 1024
_PACE = 0.005
"""After a read of fewer than ``_FEW`` bytes, s left for more to arrive before the next: a hundred
small reads cost a small computer more than all the rest of the capture.  At 3 Mbaud 1.5 kB pile up
meanwhile, well inside the 4 kB of a Linux port's own buffer.  The pause comes before waiting, so
that bytes which arrive after a silence are timed at once."""


class SerialSource:
    """A serial port that only one capture at a time may hold."""

    silence = 3.0
    advice = Advice(
        "is the board on and its transmit line connected?",
        "wrong speed (--baud), lines of text (--lines) or another protocol? See with: "
        "sagline-logger listen.",
    )

    def __init__(self, port: str, baud: int) -> None:
        self._name = port
        self._baud = baud
        self._port: serial.Serial | None = None
        self._pause = False

    @property
    def description(self) -> str:
        """The port and its speed."""
        return f"serial {self._name} at {self._baud}"

    def open(self) -> None:
        """Open the port and lock it against a second capture; see :class:`Source`."""
        import serial

        try:
            self._port = serial.Serial(self._name, self._baud, timeout=0.25, exclusive=True)
        except (ValueError, OverflowError) as problem:
            raise SaglineError(
                f"the port does not take this speed ({problem})",
                where=self._name,
                remedy="choose another with --baud",
            ) from None
        except serial.SerialException as problem:
            raise self._explain(problem) from None
        except OSError as problem:  # not a serial port at all, or gone while it was opened
            if problem.errno == errno.ENOTTY:
                raise self._no_port() from None
            raise LinkLost(f"{self._name}: {problem.strerror}") from None
        except TerminalError as problem:  # gone while it was set up
            raise LinkLost(f"{self._name}: {problem.args[-1]}") from None

    def read(self, timeout: float) -> bytes:
        """Return what has arrived; see :class:`Source`."""
        port = self._port
        if port is None:
            raise LinkLost(f"{self._name} is not open")
        data = b""
        try:
            if port.timeout != timeout:
                port.timeout = timeout
            if self._pause:
                time.sleep(_PACE)
            data = port.read(1)
            if data:
                data += port.read(port.in_waiting)
            self._pause = 0 < len(data) < _FEW
        except (OSError, TypeError) as problem:  # TypeError: pyserial when closed under a read
            if not data:
                raise LinkLost(f"{self._name} went away ({problem})") from None
        return bytes(data)

    def close(self) -> None:
        """Let the port go."""
        if self._port is not None:
            port, self._port = self._port, None
            with contextlib.suppress(OSError):  # it may have gone away by itself
                port.close()

    def _no_port(self) -> SaglineError:
        return SaglineError(
            "not a serial port", where=self._name, remedy="'sagline-logger find' lists the ports"
        )

    def _explain(self, problem: "serial.SerialException") -> Exception:
        """Return what a failure to open means for a person."""
        text, number = str(problem), problem.errno
        if number in (errno.EBUSY, errno.EAGAIN):
            return SaglineError(
                "the port is busy",
                where=self._name,
                remedy="another program or another capture holds it; stop that one first",
            )
        if number in (errno.EACCES, errno.EPERM) or "PermissionError" in text:
            return SaglineError(
                "no permission to open the port, or another program holds it"
                if os.name == "nt"
                else "no permission to open the port",
                where=self._name,
                remedy="close other programs that use it"
                if os.name == "nt"
                else "on Linux: sudo usermod -aG dialout $USER, then log in again",
            )
        if number in (errno.ENOENT, errno.ENXIO, errno.ENODEV) or "FileNotFoundError" in text:
            return SaglineError(
                "there is no such port",
                where=self._name,
                remedy="plug the board in; 'sagline-logger find' lists the ports",
            )
        # pyserial hides the number when the port refuses its settings
        if number in (errno.ENOTTY, errno.EISDIR) or "configure port" in text:
            return self._no_port()
        return LinkLost(f"{self._name}: {os.strerror(number) if number else text}")


def ports() -> list[tuple[str, str]]:
    """Return (name, description) of the serial ports of this machine, by name."""
    from serial.tools.list_ports import comports

    return sorted((port.device, port.description or "") for port in comports())


KIND = SourceKind(
    Option("--serial", "PORT", "a serial port, such as /dev/ttyUSB0, COM3"),
    lambda given: SerialSource(given["serial"], given["baud"]),
    (Option("--baud", "N", "speed of the port", positive_whole, 115200), LINES),
)
