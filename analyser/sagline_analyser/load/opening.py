"""A ride and its board file, as every command opens them."""

from pathlib import Path

from sagline_logger.format import BoardFile, SaglineError, load_board_file, read_board_file

from .loader import load_ride
from .ride import Ride


def open_ride(path: Path) -> Ride:
    """Load a log that holds samples.

    Raises:
        SaglineError: it cannot be loaded, or holds no samples that a description explains.
    """
    ride = load_ride(path)
    if not any(len(stream.time) for stream in ride.streams.values()):
        found = ride.quality.undescribed_samples
        raise SaglineError(
            f"no description of the channels came for its {found} sample frames"
            if found
            else "no samples in it",
            where=str(path),
            remedy="capture again until the board has described itself (a few seconds)",
        )
    return ride


def board_for(ride: Ride, path: Path | None = None) -> BoardFile | None:
    """Return the board file ``path``, else the one inside the log; None where that is not usable:
    the log matters more than the file that came with it (the ride's mismatches tell of it).

    Raises:
        SaglineError: ``path`` cannot be used.
    """
    if path is not None:
        return load_board_file(path)[0]
    try:
        return board_inside(ride)
    except SaglineError:
        return None


def board_inside(ride: Ride) -> BoardFile | None:
    """Return the board file inside the log, None if there is none.

    Raises:
        SaglineError: it is not valid.
    """
    if ride.board_file is None:
        return None
    return read_board_file(ride.board_file, f"board file inside {ride.path}")
