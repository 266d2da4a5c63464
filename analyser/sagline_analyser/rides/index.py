"""The index: figures of rides already worked out, in one SQLite file.

Two programs at once only ever add and replace whole rows under SQLite's own locks, and one that is
killed leaves a journal that the next one rolls back.  The index is a cache: what is wrong with it
is thrown away and worked out anew.
"""

import contextlib
import hashlib
import os
import sqlite3
from collections.abc import Iterable
from dataclasses import dataclass
from pathlib import Path

from .ride_figures import FORM, RideFigures

NAME = ".sagline-rides.sqlite"
PATIENCE = 1.0
"""s to wait for another program's lock."""
_ENDS = 4096  # bytes at each end of a file that are looked at

_CREATE = """
CREATE TABLE IF NOT EXISTS rides (
    path BLOB PRIMARY KEY, size INTEGER NOT NULL, modified INTEGER NOT NULL, ends BLOB NOT NULL,
    form TEXT NOT NULL, figures TEXT NOT NULL
)
"""


@dataclass(frozen=True)
class IndexState:
    """What tells a file from what it was: size, time of change in ns, and a hash of both ends."""

    size: int
    modified: int
    ends: bytes


def state_of(path: Path) -> IndexState:
    """Return the state of a file.

    Raises:
        OSError: it cannot be read.
    """
    with path.open("rb") as file:
        status = os.fstat(file.fileno())
        ends = file.read(_ENDS)
        if status.st_size > 2 * _ENDS:
            file.seek(-_ENDS, os.SEEK_END)
        ends += file.read(_ENDS)
    return IndexState(
        status.st_size, status.st_mtime_ns, hashlib.blake2b(ends, digest_size=8).digest()
    )


class Index:
    """An open index; ``notes`` says in lines what a person should know about it."""

    def __init__(self, directory: Path) -> None:
        self.notes: list[str] = []
        self.place: Path | None = None
        for place in (directory / NAME, _elsewhere(directory)):
            try:
                place.parent.mkdir(parents=True, exist_ok=True)
                self._database = self._open(place)
            except (OSError, sqlite3.Error) as problem:
                if "locked" not in str(problem):
                    continue
                # Another program is at work on it: what it holds is read, and nothing written.
                self._database = _reading(place)
                self.notes.append(f"another program is writing the index {place}; it is only read")
            self.place = place
            if place.parent != directory:
                self.notes.append(f"cannot write to {directory}; the index is {place}")
            return
        self.notes.append(
            f"the index can be written neither to {directory} nor to {place.parent}; "
            "every ride is worked out anew each time"
        )
        self._database = _prepared(sqlite3.connect(":memory:"))

    def _open(self, place: Path) -> sqlite3.Connection:
        try:
            return _connected(place)
        except sqlite3.OperationalError:
            raise  # no permission, no space, or locked for too long: it is not the file's fault
        except sqlite3.DatabaseError:
            _discard(place)
            self.notes.append(f"the index {place} was damaged and is made anew")
            return _connected(place)

    def close(self) -> None:
        """Close the file."""
        self._database.close()

    def rides(self) -> dict[str, tuple[IndexState, RideFigures]]:
        """Return the rides by path, those that this program made and that can be read."""
        found = {}
        rows: list[tuple[bytes, int, int, bytes, str]] = []
        try:
            rows = self._database.execute(
                "SELECT path, size, modified, ends, figures FROM rides WHERE form = ?", (FORM,)
            ).fetchall()
        except sqlite3.OperationalError as problem:  # locked wholly: it is not the file's fault
            self.notes.append(
                f"the index cannot be read ({problem}); every ride is worked out anew"
            )
        except sqlite3.DatabaseError:
            self._restart()
        for path, size, modified, ends, text in rows:
            with contextlib.suppress(ValueError, TypeError, KeyError):  # damaged: made anew
                found[os.fsdecode(path)] = (
                    IndexState(size, modified, ends),
                    RideFigures.from_text(text),
                )
        return found

    def store(
        self, rides: Iterable[tuple[str, IndexState, RideFigures]], gone: Iterable[str] = ()
    ) -> None:
        """Add or replace rides and remove those that are ``gone``, all or nothing."""
        rows = [
            (os.fsencode(path), s.size, s.modified, s.ends, FORM, figures.as_text())
            for path, s, figures in rides
        ]
        lost = [(os.fsencode(path),) for path in gone]
        for attempt in range(2):
            try:
                with self._database:
                    self._database.execute("BEGIN IMMEDIATE")
                    self._database.executemany(
                        "INSERT OR REPLACE INTO rides VALUES (?, ?, ?, ?, ?, ?)", rows
                    )
                    self._database.executemany("DELETE FROM rides WHERE path = ?", lost)
                return
            except sqlite3.OperationalError as problem:
                self.notes.append(f"the index cannot be written ({problem}); the list is complete")
                return
            except sqlite3.DatabaseError:
                if attempt == 0:
                    self._restart()

    def _restart(self) -> None:
        """Begin again with an empty index, the present one being damaged."""
        self._database.close()
        if self.place is None:
            return
        self.notes.append(f"the index {self.place} was damaged and is made anew")
        with contextlib.suppress(OSError):
            _discard(self.place)
        self._database = _connected(self.place)


def _connected(place: Path) -> sqlite3.Connection:
    database = sqlite3.connect(place, timeout=PATIENCE, isolation_level=None)
    try:
        return _prepared(database)
    except BaseException:
        database.close()
        raise


def _reading(place: Path) -> sqlite3.Connection:
    return sqlite3.connect(
        f"{place.absolute().as_uri()}?mode=ro", uri=True, timeout=PATIENCE, isolation_level=None
    )


def _prepared(database: sqlite3.Connection) -> sqlite3.Connection:
    # A rollback journal, not WAL: that needs memory shared between programs, which network disks
    # lack, and one transaction for many rides is fast enough.
    with database:
        database.execute("BEGIN IMMEDIATE")  # fails at once where nothing can be written
        database.execute(_CREATE)
        columns = [row[1] for row in database.execute("PRAGMA table_info(rides)")]
        if columns != ["path", "size", "modified", "ends", "form", "figures"]:
            database.execute("DROP TABLE rides")
            database.execute(_CREATE)
    return database


def _discard(place: Path) -> None:
    """Remove an index and the journal that would be rolled into the next one of its name."""
    for path in (place, place.with_name(place.name + "-journal")):
        path.unlink(missing_ok=True)


def _elsewhere(directory: Path) -> Path:
    """Return where the index of a directory lies that cannot be written to."""
    cache = os.environ.get("XDG_CACHE_HOME") or Path("~/.cache").expanduser()
    name = hashlib.blake2b(os.fsencode(directory.resolve()), digest_size=8).hexdigest()
    return Path(cache) / "sagline" / f"rides-{name}.sqlite"
