"""The live view on a terminal: looks at a capture a few times a second, never holds it up."""

import os
import shutil
import sys
import time
from collections.abc import Callable, Mapping, Sequence
from typing import Protocol, TextIO

from ..format import Channel, Limit
from ..format.errors import printable
from .glance import numbers
from .keyboard import keyboard
from .layout import Line, Status, Style, draw
from .watch import STALE, AlarmWatch

_EVERY = 0.25  # s between two pictures

_CODES: dict[Style, str] = {
    "dim": "2",
    "bold": "1",
    "good": "32",
    "warn": "1;33",
    "alarm": "1;37;41",
}

_ENTER, _LEAVE = "\x1b[?1049h\x1b[?25l", "\x1b[?25h\x1b[?1049l"  # other screen, cursor off; back
_HOME, _CLEAR_LINE, _CLEAR_REST = "\x1b[H", "\x1b[K", "\x1b[J"
_ERASE = ("\x7f", "\x08")


class ScreenState(Protocol):
    """What the view reads of a capture's state (see ``capture.state.CaptureState``)."""

    @property
    def elapsed(self) -> float: ...
    @property
    def board_name(self) -> str: ...
    @property
    def link_up(self) -> bool: ...
    @property
    def link_since(self) -> float: ...
    @property
    def rate(self) -> float: ...
    @property
    def lost(self) -> int: ...
    @property
    def size(self) -> int: ...
    @property
    def free(self) -> int: ...
    @property
    def values(self) -> Mapping[str, float]: ...
    @property
    def channels(self) -> Mapping[str, Channel]: ...
    @property
    def warnings(self) -> tuple[str, ...]: ...


class Subject(Protocol):
    """The capture being watched."""

    def snapshot(self) -> ScreenState: ...
    def mark(self, text: str = "") -> int: ...
    def name_mark(self, number: int, text: str) -> None: ...
    def stop(self, reason: str) -> None: ...


class Screen:
    """Draws one capture.  ``colour`` False gives the same words and layout without any colour."""

    def __init__(
        self, subject: Subject, limits: Sequence[Limit], out: TextIO, colour: bool = True
    ) -> None:
        self._subject = subject
        self._limits = limits
        self._watch = AlarmWatch(limits)
        self._out = out
        self._colour = colour
        self._mark = 0
        self._typing: str | None = None

    def watch(self, running: Callable[[], bool], alarms: AlarmWatch | None = None) -> None:
        """Draw until ``running`` is False, then give the terminal back as it was.

        ``alarms`` follows this capture's alarms where the caller wants to know of them afterwards.
        """
        self._watch = alarms or AlarmWatch(self._limits)
        with keyboard() as keys:
            self._out.write(_ENTER)
            try:
                while running():
                    self.press(keys.read())
                    self.refresh(*shutil.get_terminal_size())
                    time.sleep(_EVERY)
            finally:
                self.keep_text()
                self._out.write(_LEAVE)
                self._out.flush()

    def press(self, typed: str) -> None:
        """Act on key presses: ``m`` marks at once, what follows up to Enter becomes its text."""
        for sign in typed:
            if self._typing is not None:
                if sign in "\r\n":
                    self.keep_text()
                elif sign in _ERASE:
                    self._typing = self._typing[:-1]
                elif sign.isprintable():
                    self._typing += sign
            elif sign in "mM":
                self._mark = self._subject.mark()
                self._typing = ""
            elif sign in "qQ":
                self._subject.stop("stopped by the q key")

    def refresh(self, width: int, height: int) -> None:
        """Draw once, and ring the terminal's bell when an alarm is newly raised."""
        state = self._subject.snapshot()
        fresh = state.link_up or state.link_since < STALE
        values = state.values if fresh else {}
        rings = self._watch.update(state.elapsed, values, state.channels)
        link = "link up" if state.link_up else f"LINK DOWN {state.link_since:.0f} s"
        status = Status(
            state.board_name,
            state.elapsed,
            link,
            state.link_up,
            state.rate,
            state.lost,
            state.size,
            state.free,
            self._mark,
            state.warnings,
            self._typing,
        )
        lines = draw(numbers(values, state.channels), self._watch.alarms, status, width, height)
        page = "\r\n".join(self._paint(line) + _CLEAR_LINE for line in lines)
        self._out.write(_HOME + page + _CLEAR_REST + ("\a" if rings else ""))
        self._out.flush()

    def keep_text(self) -> None:
        """Give the last mark the text typed so far; from any thread."""
        typed, self._typing = self._typing, None
        if typed:
            self._subject.name_mark(self._mark, typed)

    def _paint(self, line: Line) -> str:
        if not self._colour:
            return "".join(printable(span.text) for span in line)
        return "".join(
            f"\x1b[{_CODES[span.style]}m{printable(span.text)}\x1b[0m"
            if span.style
            else printable(span.text)
            for span in line
        )


def wants_screen(out: TextIO) -> bool:
    """Whether the view can be shown: a terminal on both ends that can move its cursor."""
    return out.isatty() and sys.stdin.isatty() and os.environ.get("TERM", "") != "dumb"


def wants_colour() -> bool:
    """Whether to use colour: the NO_COLOR convention (no-color.org) turns it off."""
    return not os.environ.get("NO_COLOR")
