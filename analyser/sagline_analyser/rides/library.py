"""The rides below a directory, each worked out once."""

import time
from collections.abc import Callable, Iterator
from contextlib import contextmanager
from dataclasses import dataclass
from pathlib import Path

from sagline_logger.format import ARCHIVE_SUFFIX, SUFFIX, SaglineError
from sagline_logger.format.progress import clear, tell

from .engine import run
from .index import Index, IndexState, state_of
from .ride_figures import RideFigures, figures_of

_STORE_EVERY = 1.0
"""s of work that a kill may cost."""


@dataclass(frozen=True)
class LibraryEntry:
    """One ride: its ``path`` below the library's directory, and its figures."""

    path: str
    figures: RideFigures


@dataclass
class Library:
    """The rides in order of their start; those that cannot be read or dated stand last.

    ``worked`` counts the rides that were worked out now, ``notes`` are lines for a person.
    """

    directory: Path
    rides: tuple[LibraryEntry, ...]
    worked: int
    removed: int
    notes: tuple[str, ...]


def open_library(
    directory: str | Path,
    engine: str = "",
    processes: int = 0,
    work: Callable[[str], RideFigures] = figures_of,
) -> Library:
    """Return the rides below ``directory``; only those new or changed are worked out.

    Raises:
        SaglineError: there is no such directory, or the engine cannot be used.
    """
    directory = Path(directory)
    if not directory.is_dir():
        raise SaglineError("is no directory", where=str(directory), remedy="name one with logs")
    files = {str(path.relative_to(directory)): path for path in _logs(directory)}
    with _index(directory) as index:
        known = index.rides()
        states: dict[str, IndexState] = {}
        found: dict[str, RideFigures] = {}
        for name, path in files.items():
            try:
                states[name] = state_of(path)
            except OSError as problem:  # cannot be told from its next state, so not remembered
                found[name] = RideFigures(problem=f"cannot be read ({problem.strerror})")
                continue
            if name in known and known[name][0] == states[name]:
                found[name] = known[name][1]
        gone = known.keys() - files.keys()
        if gone:
            index.store((), gone)
        names = {str(files[name]): name for name in files if name not in found}
        done: list[tuple[str, IndexState, RideFigures]] = []
        stored = time.monotonic()
        try:
            for count, (path_text, figures) in enumerate(
                run(work, list(names), engine, processes), 1
            ):
                name = names[path_text]
                found[name] = figures
                done.append((name, states[name], figures))
                tell(f"working out {len(names)} rides", count, len(names))
                if time.monotonic() - stored >= _STORE_EVERY:
                    index.store(done)
                    done.clear()
                    stored = time.monotonic()
        finally:
            clear()
            if done:
                index.store(done)
        notes = tuple(index.notes)
    rides = sorted((LibraryEntry(name, figures) for name, figures in found.items()), key=_order)
    return Library(directory, tuple(rides), len(names), len(gone), notes)


def known_rides(directory: Path) -> tuple[LibraryEntry, ...]:
    """Return what the index of ``directory`` knows of files that are as they were then; nothing is
    worked out."""
    found = []
    with _index(directory) as index:
        for name, (state, figures) in index.rides().items():
            try:
                same = state_of(directory / name) == state
            except OSError:
                continue
            if same:
                found.append(LibraryEntry(name, figures))
    return tuple(sorted(found, key=_order))


@contextmanager
def _index(directory: Path) -> Iterator[Index]:
    index = Index(directory)
    try:
        yield index
    finally:
        index.close()


def _logs(directory: Path) -> Iterator[Path]:
    """Yield the logs and archives; an archive beside its log is the same ride once more."""
    yield from (path for path in directory.rglob(f"*{SUFFIX}") if path.is_file())
    for path in directory.rglob(f"*{SUFFIX}{ARCHIVE_SUFFIX}"):
        if path.is_file() and not path.with_suffix("").is_file():
            yield path


def _order(entry: LibraryEntry) -> tuple[bool, float, str]:
    started = entry.figures.started
    return bool(entry.figures.problem) or started is None, started or 0.0, entry.path
