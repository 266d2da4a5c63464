"""The captures below the directory of the logs, and what is known of each."""

import contextlib
import json
import os
import time
from collections.abc import Iterator, Mapping
from dataclasses import asdict, dataclass
from pathlib import Path

from ..format import FrameSplitter, Instant, RecordError, decode_record, is_host_kind

NOTES = ".sagline-captures.json"
"""File in the directory that keeps length and worst alarm; it may be deleted at any time."""
_State = tuple[str, int, float]
"""A log's file name, size in bytes, and when it was last written (s, UNIX)."""
_MOST_LENGTHS = 2000
_END = 1 << 16  # bytes at each end of a log that are looked at


@dataclass(frozen=True)
class KnownCapture:
    """What was noted while a capture ran: its length in s and its worst alarm in words."""

    seconds: float
    alarm: str = ""


@dataclass(frozen=True)
class Listed:
    """One capture: file name, size in bytes, when it was last written (s, UNIX), its length in s
    where its records tell it, and its worst alarm where one watched it: "" for none."""

    name: str
    size: int
    written: float
    seconds: float | None
    alarm: str | None


def length(path: Path) -> float | None:
    """Return the s between the first and the last of the logger's own records near both ends of a
    log, None where there are not two; cheap however long the log is."""
    with path.open("rb") as file:
        first = file.read(_END)
        file.seek(max(0, path.stat().st_size - _END))
        last = file.read(_END).partition(b"\0")[2]
    told = [at for part in (first, last) for at in _instants(part)]
    return (told[-1] - told[0]) / 1e6 if told and told[-1] > told[0] else None


def _instants(part: bytes) -> Iterator[int]:
    for piece in FrameSplitter().feed(part):
        if piece.body is None or not is_host_kind(piece.body):
            continue
        try:
            at = getattr(decode_record(piece.body), "at", None)
        except RecordError:
            continue
        if isinstance(at, Instant):
            yield at.monotonic


class Captures:
    """The ``*.sagline`` files of one directory, newest first; nothing else can be named."""

    def __init__(self, directory: Path) -> None:
        self.directory = directory
        self._notes = directory / NOTES
        self._lengths: dict[_State, float | None] = {}

    def listed(self) -> tuple[Listed, ...]:
        """Return what is there now."""
        notes = self._read()
        found = []
        for state in self._states():
            known = notes.get(state[0])
            seconds = known.seconds if known else self._length(state)
            found.append(Listed(*state, seconds, known.alarm if known else None))
        return tuple(sorted(found, key=lambda one: (-one.written, one.name)))

    def _states(self) -> Iterator[_State]:
        """Yield what the directory tells of each log in it."""
        try:
            entries = list(os.scandir(self.directory))
        except OSError:
            return
        for entry in entries:
            with contextlib.suppress(OSError):  # gone since
                if entry.name.endswith(".sagline") and entry.is_file(follow_symlinks=False):
                    state = entry.stat(follow_symlinks=False)
                    yield entry.name, state.st_size, state.st_mtime

    def _length(self, state: _State) -> float | None:
        """Return the length of a log that no capture of ours was noted for, worked out once."""
        if state not in self._lengths:
            while len(self._lengths) >= _MOST_LENGTHS:
                self._lengths.pop(next(iter(self._lengths)))
            try:
                self._lengths[state] = length(self.directory / state[0])
            except OSError:
                return None
        return self._lengths[state]

    def find(self, name: str) -> Path | None:
        """Return the file of a listed capture; a name is looked up, never joined to a path."""
        return next((self.directory / own for own, _, _ in self._states() if own == name), None)

    def note(self, name: str, known: KnownCapture) -> None:
        """Keep what is known of a capture; where it cannot be kept, the capture is what counts."""
        notes = {**self._read(), name: known}
        there = {own for own, _, _ in self._states()}
        text = json.dumps({key: asdict(one) for key, one in notes.items() if key in there})
        beside = self._notes.with_name(f"{NOTES}.{os.getpid()}-{time.monotonic_ns()}")
        try:
            beside.write_text(text, encoding="utf-8")
            beside.replace(self._notes)
        except OSError:
            beside.unlink(missing_ok=True)

    def _read(self) -> Mapping[str, KnownCapture]:
        try:
            kept = json.loads(self._notes.read_text(encoding="utf-8"))
            return {
                str(name): KnownCapture(float(one["seconds"]), str(one["alarm"]))
                for name, one in kept.items()
            }
        except (OSError, ValueError, TypeError, KeyError, AttributeError):
            return {}
