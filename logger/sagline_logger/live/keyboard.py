"""Single key presses without waiting for Enter: the thin edge to the terminal."""

import contextlib
import os
import sys
from collections.abc import Iterator
from typing import Protocol


class Keyboard(Protocol):
    """Where key presses come from."""

    def read(self) -> str:
        """Return the characters typed since the last call, without waiting."""


class _Posix:
    def __init__(self, descriptor: int) -> None:
        self._descriptor = descriptor

    def read(self) -> str:
        import select

        if not select.select([self._descriptor], [], [], 0)[0]:
            return ""
        return os.read(self._descriptor, 256).decode(errors="ignore")


class _Windows:
    def read(self) -> str:
        import msvcrt

        typed = ""
        while msvcrt.kbhit():  # type: ignore[attr-defined,unused-ignore]
            typed += msvcrt.getwch()  # type: ignore[attr-defined,unused-ignore]
        return typed


@contextlib.contextmanager
def keyboard() -> Iterator[Keyboard]:
    """Give key presses from standard input for a while; the terminal is put back afterwards.

    Ctrl-C keeps its meaning (the terminal's own signal), so stopping works in every mode.
    """
    if os.name == "nt":
        yield _Windows()
        return
    import termios
    import tty

    descriptor = sys.stdin.fileno()
    before = termios.tcgetattr(descriptor)
    try:
        tty.setcbreak(descriptor, termios.TCSANOW)
        yield _Posix(descriptor)
    finally:
        termios.tcsetattr(descriptor, termios.TCSANOW, before)
