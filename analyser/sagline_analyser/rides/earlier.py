"""What earlier rides of the pack that a ride ended on have to say about it."""

from pathlib import Path

from ..findings.basis import Basis
from ..findings.belief.history import PackHistory
from ..findings.readings.pack_names import pack_names
from .index import NAME
from .library import LibraryEntry, known_rides, open_library
from .pack_history import pack_history


def earlier_rides(basis: Basis, log: Path, directory: Path | None = None) -> PackHistory | None:
    """Return the earlier rides of the last pack of ``log``; None where it has none or no name.

    They come from the library of ``directory``, whose new rides are worked out; by default from
    the index that lies beside the log, as it is.  Only rides of the same board count, and only
    those that began sooner: a ride whose start is not known has none.

    Raises:
        SaglineError: there is no such directory.
    """
    beside = log.resolve().parent
    if directory is not None:
        entries = open_library(directory).rides
    elif (beside / NAME).is_file():
        entries = known_rides(beside)
    else:
        return None
    ride = basis.ride
    if ride.started_wall is None:
        return None
    name = pack_names(ride, basis.board, basis.spans)[-1]
    own = tuple(one for one in entries if _same_board(one, ride.board_name))
    found = pack_history(own, name, before=ride.started_wall)
    return found if len(found) else None


def _same_board(entry: LibraryEntry, board: str) -> bool:
    return not entry.figures.problem and entry.figures.board == board
