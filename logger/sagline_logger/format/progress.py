"""How far a long task is: one line at the bottom of a terminal, drawn over itself.

Only a command shows it (:func:`shown`), and only where standard error is a terminal; nothing is
drawn for whoever calls the same functions from Python.
"""

import contextlib
import os
import shutil
import time
from collections.abc import Callable, Iterable, Iterator
from typing import TextIO, TypeVar

from .errors import printable

Thing = TypeVar("Thing")

_EVERY = 0.2  # s between two updates, and before the first
_WIDE = 24  # signs of the bar


class _Line:
    def __init__(self, stream: TextIO) -> None:
        self._stream = stream
        self._next = time.monotonic() + _EVERY
        self._written = False
        self._process = os.getpid()

    def draw(self, what: str, share: float | None) -> None:
        if time.monotonic() < self._next or os.getpid() != self._process:
            return
        bar = " ..."
        if share is not None:
            share = min(max(share, 0.0), 1.0)
            bar = f" [{'█' * int(share * _WIDE):{_WIDE}}] {int(100 * share):3d} %"
        room = max(shutil.get_terminal_size().columns - len(bar) - 1, 0)
        self._put(f"\r{printable(what)[:room]}{bar}\x1b[K")
        self._written = True
        self._next = time.monotonic() + _EVERY

    def clear(self) -> None:
        if self._written and os.getpid() == self._process:
            self._written = False
            self._put("\r\x1b[K")

    def _put(self, text: str) -> None:
        with contextlib.suppress(OSError):  # a terminal that went away is told by what is printed
            self._stream.write(text)
            self._stream.flush()


_line: _Line | None = None


@contextlib.contextmanager
def shown(stream: TextIO) -> Iterator[None]:
    """Let long tasks say on ``stream`` how far they are while the block runs, if it is a terminal
    that can draw."""
    global _line
    before = _line
    draws = stream.isatty() and os.environ.get("TERM", "dumb") != "dumb"
    _line = _Line(stream) if draws else None
    try:
        yield
    finally:
        clear()
        _line = before


def tell(what: str, done: float, total: float) -> None:
    """Show that ``done`` of ``total`` is done, unless something was shown just now; a ``total`` of
    0 is not known."""
    if _line is not None:
        _line.draw(what, done / total if total > 0 else None)


def counted(
    things: Iterable[Thing], what: str, total: float, size: Callable[[Thing], float] = lambda _: 1
) -> Iterable[Thing]:
    """Return ``things`` again, which tell how far they are as they are taken: each is ``size`` of
    ``total`` (0: not known)."""
    return things if _line is None else _telling(things, what, total, size)


def _telling(
    things: Iterable[Thing], what: str, total: float, size: Callable[[Thing], float]
) -> Iterator[Thing]:
    done = 0.0
    for thing in things:
        yield thing
        done += size(thing)
        tell(what, done, total)


def clear() -> None:
    """Take the line away before something else is printed there."""
    if _line is not None:
        _line.clear()
