"""A line on the terminal that says how far a long task is."""

import sys
import time

_EVERY = 0.2  # s between two updates


class Progress:
    """Rewrites one line of standard error; silent where that is no terminal."""

    def __init__(self, what: str, total: int) -> None:
        self._what = what
        self._total = max(total, 1)
        self._shown = sys.stderr.isatty()
        self._next = time.monotonic() + _EVERY
        self._written = False

    def at(self, done: int) -> None:
        """Show that ``done`` of the total is done, unless the line was written just now."""
        if self._shown and time.monotonic() >= self._next:
            share = min(100 * done // self._total, 100)
            print(f"\r{self._what}: {share} %", end="", file=sys.stderr, flush=True)
            self._next = time.monotonic() + _EVERY
            self._written = True

    def clear(self) -> None:
        """Take the line away, for a message or at the end."""
        if self._written:
            print("\r\x1b[K", end="", file=sys.stderr, flush=True)
            self._written = False
