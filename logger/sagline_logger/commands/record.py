"""``sagline-logger record``: capture a run into a log file."""

import argparse
import contextlib
import shlex
import signal
import sys
import time
from collections import deque
from collections.abc import Sequence
from pathlib import Path
from types import FrameType
from typing import TYPE_CHECKING

from ..capture.desk import CaptureDesk, Ended
from ..capture.recorder import Request
from ..capture.sources import add_source_arguments, choose_source
from ..capture.state import CaptureState
from ..format import (
    Limit,
    RecordError,
    UsageError,
    board_conflicts,
    derive_limits,
    load_board_file,
)
from ..format.arguments import positive_number, setting
from ..format.caution import CAUTION
from ..format.counting import several, several_of
from ..format.limits import MAX_NAME, MAX_TEXT
from ..format.program import raw
from ..format.stop_flag import StopFlag
from ..format.wire import put_text
from ..live.layout import size
from ..live.screen import Screen, wants_colour, wants_screen
from ..live.watch import STALE, AlarmWatch
from ..phone.options import add_phone_arguments, phone_screen

if TYPE_CHECKING:
    from ..phone.server import PhoneScreen

_STATUS_EVERY = 5.0  # s between status lines
SHOWN = 6
"""Alarms told at the end, the gravest."""
EXAMPLES = (
    "record --serial /dev/ttyUSB0 --out rides",
    "record --serial COM3 --out rides --board my_board.toml",
    "record --ble Kestrel --out rides --wait",
)


def add_arguments(parser: argparse.ArgumentParser) -> None:
    """Add the command's options."""
    add_source_arguments(parser)
    add = parser.add_argument
    add("--out", type=Path, required=True, metavar="DIR", help="directory for the log")
    add("--board", type=Path, metavar="FILE", help="board file; a copy goes into the log")
    add(
        "--setting",
        type=setting,
        action="append",
        default=[],
        metavar="NAME=VALUE",
        help="a controller setting in force; may be given again",
    )
    add("--pack", default="", metavar="NAME", help="what the pack is called, kept as a setting")
    add("--note", default="", metavar="TEXT", help="a note for the log")
    add("--seconds", type=positive_number, metavar="N", help="stop after N seconds")
    add("--wait", action="store_true", help="wait for the device when it is not there yet")
    add("--quiet", action="store_true", help="a line every few seconds, no live view")
    add_phone_arguments(parser)


def run(arguments: argparse.Namespace) -> int:
    """Record until stopped; 0 when everything received is in the file."""
    board, text = load_board_file(arguments.board) if arguments.board else (None, None)
    for conflict in board_conflicts(board) if board else ():
        _print(f"board file: {conflict}")
    source, translation = choose_source(arguments)
    request = Request(
        directory=arguments.out,
        board_file=text,
        settings=(*arguments.setting, *([("pack", arguments.pack)] if arguments.pack else [])),
        note=arguments.note,
        seconds=arguments.seconds,
        wait=arguments.wait,
        translation=translation,
    )
    _check_lengths(request)
    messages = Messages()
    desk = CaptureDesk(source, request, messages.tell)
    ending = _stop_on_signals(desk)
    limits = derive_limits(board) if board else ()
    phone = phone_screen(arguments, desk, board, limits, messages.tell)
    screen = None
    if not arguments.quiet and wants_screen(sys.stdout):
        screen = Screen(desk, limits, raw(sys.stdout), wants_colour())
        desk.at_end = screen.keep_text
    if phone is not None:
        phone.start()
        _invite(phone, desk, screen)
    try:
        while True:
            status = _capture(desk, screen, messages, limits)
            if phone is None or not phone.resting(ending):
                return status
    finally:
        if phone is not None:
            phone.stop()


def _invite(phone: "PhoneScreen", desk: CaptureDesk, screen: Screen | None) -> None:
    """Say where the page is.  Before the live view hides a secret that is shown only once, there is
    time to read it; the capture does not wait for that."""
    shown_once = phone.has_secret
    print(phone.invitation(), file=sys.stderr, flush=True)
    if shown_once and screen is not None:
        desk.start()
        print("press Enter for the live view", file=sys.stderr, flush=True)
        with contextlib.suppress(OSError):
            sys.stdin.readline()


def _capture(
    desk: CaptureDesk, screen: Screen | None, messages: "Messages", limits: Sequence[Limit]
) -> int:
    """Run one capture to its end and return its exit status."""
    alarms = AlarmWatch(limits)
    # Capture has its own thread: a terminal that blocks (Ctrl-S, a stuck pipe) holds up only us.
    if not desk.running:
        desk.start()
    # A terminal that goes away takes the picture with it, not the capture.
    with contextlib.suppress(OSError):
        if screen is not None:
            screen.watch(lambda: desk.running, alarms)
        else:
            _print_status(desk, messages, alarms)
    desk.join()
    with contextlib.suppress(OSError):
        messages.print()
    return _summarise(desk.ended, alarms if limits else None) if desk.ended else 1


class Messages:
    """Lines about the capture, kept until this side of the program prints them."""

    def __init__(self) -> None:
        self._lines: deque[str] = deque(maxlen=1000)
        self.tell = self._lines.append
        """Take a line, from any thread, without ever waiting for the terminal."""

    def print(self) -> None:
        """Print what has come, on standard error."""
        while self._lines:
            print(self._lines.popleft(), file=sys.stderr, flush=True)


def _print_status(desk: CaptureDesk, messages: Messages, alarms: AlarmWatch) -> None:
    """Print messages as they come and a status line every few seconds, until the capture ends."""
    due = time.monotonic() + _STATUS_EVERY
    while desk.running:
        messages.print()
        desk.join(0.1)
        state = desk.snapshot()
        if state.link_up or state.link_since < STALE:
            alarms.update(state.elapsed, state.values, state.channels)
        if desk.running and time.monotonic() >= due:
            due += _STATUS_EVERY
            _print(_status(state))


def _status(state: CaptureState) -> str:
    link = "up" if state.link_up else f"DOWN {state.link_since:.0f} s"
    return (
        f"{state.elapsed:.0f} s  link {link}  {state.rate / 1000:.1f} kB/s  {state.frames} frames  "
        f"{state.lost} samples lost  {state.foreign} foreign bytes  log {size(state.size)}  "
        f"free {size(state.free)}"
        + (f"  {state.unread} {state.unread_of} not read" if state.unread else "")
        + (f"  DROPPED {state.dropped_frames} frames" if state.dropped_bytes else "")
    )


def _summarise(ended: Ended, alarms: AlarmWatch | None) -> int:
    """Say what was captured, what alarmed and what to do next; ``alarms`` None without limits.

    Raises what kept the capture from running, or its log from being whole.
    """
    state = ended.state
    if state is None:
        if ended.problem is not None:
            raise ended.problem
        _print("stopped while waiting for the device; nothing was recorded")
        return 0
    lines = [
        f"recorded {state.elapsed:.1f} s to {state.path} ({size(state.size)})",
        f"{several(state.frames, 'frame')}, {several(state.lost, 'sample')} lost, "
        f"{several(state.foreign, 'foreign byte')}, link lost and found "
        f"{several(state.reconnects, 'time')}, {several(state.restarts, 'device restart')}, "
        f"{several(state.marks, 'mark')}",
    ]
    if state.unread:
        lines.append(
            f"{several_of(state.unread, state.unread_of)} could not be read by the "
            "map, but kept as sent: mend it, then "
            f"sagline-logger reread {shlex.quote(str(state.path))}"
        )
    if alarms is not None:
        lines += [f"alarmed: {words}" for words in alarms.past[:SHOWN]] or ["nothing alarmed"]
        if len(alarms.past) > SHOWN:
            lines.append(f"and {several(len(alarms.past) - SHOWN, 'more alarm')}")
    if state.dropped_bytes:
        lines.append(f"the disk did not take {several(state.dropped_frames, 'frame')}")
    _print("\n".join([*lines, *ended.after_words, CAUTION]))
    if ended.problem is not None:
        raise ended.problem
    if state.frames:
        _print(f"next: sagline-analyser plot {shlex.quote(str(state.path))}")
    return 1 if state.dropped_bytes else 0


def _print(text: str) -> None:
    print(text, flush=True)


def _stop_on_signals(desk: CaptureDesk) -> StopFlag:
    """Let signals end the capture; the event then says so."""
    ending = StopFlag()

    def stop(number: int, frame: FrameType | None) -> None:
        ending.set()
        desk.stop(f"stopped by {signal.Signals(number).name}")
        signal.signal(number, signal.SIG_DFL)  # a second one ends us at once

    for name in ("SIGINT", "SIGTERM", "SIGHUP"):
        # What is ignored stays so: that is how nohup keeps a capture running.
        if hasattr(signal, name) and signal.getsignal(getattr(signal, name)) != signal.SIG_IGN:
            signal.signal(getattr(signal, name), stop)
    return ending


def _check_lengths(request: Request) -> None:
    """Refuse what a record cannot hold before anything is opened."""
    texts = [("--note", request.note, MAX_TEXT)]
    for name, value in request.settings:
        texts += [("--setting", name, MAX_NAME), ("--setting", value, MAX_TEXT)]
    for where, text, limit in texts:
        try:
            put_text(text, limit, "this text")
        except RecordError as problem:
            shown = text[:20].encode(errors="replace").decode()
            raise UsageError(
                str(problem), where=f"{where} {shown}…", remedy="change it and start again"
            ) from None
