"""Which rides to show, and the list in text."""

from collections.abc import Iterable, Sequence
from dataclasses import dataclass
from datetime import UTC, datetime

from ..page.units import duration_text, figure_text
from .library import LibraryEntry


@dataclass(frozen=True)
class Filter:
    """What a ride must be to be shown; the empty filter shows all, damaged ones included.

    ``since`` is in s since 1970 UTC.  ``fault`` is a fault's number or a part of its text; "any".
    """

    board: str = ""
    settings: tuple[tuple[str, str], ...] = ()
    since: float | None = None
    fault: str = ""

    def shows(self, entry: LibraryEntry) -> bool:
        """Whether the ride passes."""
        figures = entry.figures
        if self == Filter():
            return True
        if figures.problem or (self.board and figures.board.casefold() != self.board.casefold()):
            return False
        if self.since is not None and (figures.started is None or figures.started < self.since):
            return False
        stated = dict(figures.settings)
        if any(not _same(stated.get(name), value) for name, value in self.settings):
            return False
        wanted = self.fault.casefold()
        return not wanted or any(
            wanted == "any"
            or wanted == str(number)
            or (not wanted.isdigit() and wanted in text.casefold())
            for number, text, _ in figures.faults
        )


def _same(stated: str | None, wanted: str) -> bool:
    """Whether a setting has a value: as a number (40 is 40.0), else as text."""
    if stated is None:
        return False
    try:
        return float(stated) == float(wanted)
    except ValueError:
        return stated == wanted


COLUMNS = (
    "start (UTC)",
    "board",
    "length",
    "distance",
    "energy",
    "per km",
    "faults",
    "quality",
    "file",
)


def row(entry: LibraryEntry) -> tuple[str, ...]:
    """Return a ride in words, in the order of :data:`COLUMNS`."""
    ride = entry.figures
    if ride.problem:
        return ("damaged", "", "", "", "", "", "", ride.problem, entry.path)
    faults = ", ".join(
        (f"{number}" if number else text[:24]) + (f"×{count}" if count > 1 else "")
        for number, text, count in ride.faults[:4]
    )
    return (
        date_text(ride.started),
        ride.board or "unnamed",
        duration_text(ride.duration),
        figure_text(ride.distance, "m"),
        figure_text(ride.energy, "Wh"),
        figure_text(ride.per_km, "Wh/km"),
        faults or "–",
        ride.quality,
        entry.path,
    )


def date_text(started: float | None) -> str:
    """Return a start as date and time in UTC."""
    try:
        return "—" if started is None else f"{datetime.fromtimestamp(started, UTC):%Y-%m-%d %H:%M}"
    except (ValueError, OverflowError, OSError):  # a host's clock gone mad
        return "—"


def table(entries: Sequence[LibraryEntry]) -> Iterable[str]:
    """Yield the lines of the list; what a board sent cannot move the cursor."""
    rows = [COLUMNS, *(tuple(_plain(cell) for cell in row(entry)) for entry in entries)]
    widths = [max(len(cells[at]) for cells in rows) for at in range(len(COLUMNS))]
    right = {2, 3, 4, 5}
    for cells in rows:
        shown = (
            cell.rjust(width) if at in right else cell.ljust(width)
            for at, (cell, width) in enumerate(zip(cells, widths, strict=True))
        )
        yield "  ".join(shown).rstrip()


def _plain(text: str) -> str:
    return "".join(c if c.isprintable() or c in "\u202f\u2009" else "\ufffd" for c in text)
