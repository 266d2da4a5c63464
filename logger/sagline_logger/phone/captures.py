"""The captures below the directory of the logs, and what is known of each."""

import json
import os
import time
from collections.abc import Mapping
from dataclasses import asdict, dataclass, replace
from pathlib import Path

NOTES = ".sagline-captures.json"
"""File in the directory that keeps length and worst alarm; it may be deleted at any time."""


@dataclass(frozen=True)
class Known:
    """What was noted while a capture ran: its length in s and its worst alarm in words."""

    seconds: float
    alarm: str = ""


@dataclass(frozen=True)
class Listed:
    """One capture: file name, size in bytes, when it was last written (s, UNIX), what is known."""

    name: str
    size: int
    written: float
    known: Known | None


class Captures:
    """The ``*.sagline`` files of one directory, newest first; nothing else can be named."""

    def __init__(self, directory: Path) -> None:
        self.directory = directory
        self._notes = directory / NOTES

    def listed(self) -> tuple[Listed, ...]:
        """Return what is there now."""
        notes = self._read()
        found = []
        try:
            entries = list(os.scandir(self.directory))
        except OSError:
            entries = []
        for entry in entries:
            try:
                if not entry.name.endswith(".sagline") or not entry.is_file(follow_symlinks=False):
                    continue
                state = entry.stat(follow_symlinks=False)
            except OSError:
                continue
            found.append(Listed(entry.name, state.st_size, state.st_mtime, notes.get(entry.name)))
        return tuple(sorted(found, key=lambda one: (-one.written, one.name)))

    def find(self, name: str) -> Path | None:
        """Return the file of a listed capture; a name is looked up, never joined to a path."""
        return next((self.directory / one.name for one in self.listed() if one.name == name), None)

    def note(self, name: str, known: Known) -> None:
        """Keep what is known of a capture; where it cannot be kept, the capture is what counts."""
        notes = {**self._read(), name: known}
        there = {one.name for one in self.listed()}
        text = json.dumps({key: asdict(one) for key, one in notes.items() if key in there})
        beside = self._notes.with_name(f"{NOTES}.{os.getpid()}-{time.monotonic_ns()}")
        try:
            beside.write_text(text, encoding="utf-8")
            beside.replace(self._notes)
        except OSError:
            beside.unlink(missing_ok=True)

    def _read(self) -> Mapping[str, Known]:
        try:
            kept = json.loads(self._notes.read_text(encoding="utf-8"))
            return {
                str(name): replace(Known(float(one["seconds"])), alarm=str(one["alarm"]))
                for name, one in kept.items()
            }
        except (OSError, ValueError, TypeError, KeyError, AttributeError):
            return {}
