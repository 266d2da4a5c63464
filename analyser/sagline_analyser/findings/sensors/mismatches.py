"""The board file held against the log: where it is another vehicle's, or contradicts itself."""

from dataclasses import replace

import numpy as np

from sagline_logger.format import (
    Battery,
    BoardFile,
    SaglineError,
    board_conflicts,
    pack_conflicts,
    read_board_file,
    vocabulary,
)

from ...load.ride import Ride
from .denied import denied
from .doubt import SensorDoubt


def board_mismatches(
    ride: Ride, board: BoardFile | None, sensors: tuple[SensorDoubt, ...] = ()
) -> tuple[str, ...]:
    """Return a sentence for each thing the board file says that the log or the file denies, and one
    where the file inside the log cannot be used at all; ``ride`` is without what ``sensors`` set
    aside."""
    if board is None:
        return _unusable(ride)
    fitting = fitting_board(ride, board, sensors) or board  # one word on a pack is enough
    return (*board_conflicts(board, *_seen(ride, sensors)), *denied(ride, fitting))


def _unusable(ride: Ride) -> tuple[str, ...]:
    try:
        if ride.board_file is not None:
            read_board_file(ride.board_file, "the board file inside the log")
    except SaglineError as problem:
        return (f"No limit and no pack is known, for {problem}.",)
    return ()


def fitting_board(
    ride: Ride, board: BoardFile | None, sensors: tuple[SensorDoubt, ...] = ()
) -> BoardFile | None:
    """Return the board file without the pack that is not this ride's.

    What it says of one cell (full, alarm, stop) is kept where only their number is another, for a
    low cell is low in any pack; nothing of a pack is where its cells are of another voltage.
    """
    if board is None:
        return None
    counts, resting = _seen(ride, sensors)
    if not pack_conflicts(board, counts, resting):
        return board
    battery = board.battery
    given = counts["cell_voltage"]
    full = battery.cell_full
    if full and resting and given and resting / given > 1.05 * full:
        return replace(board, battery=Battery())
    return replace(board, battery=replace(battery, units=(), joined=None))


def _seen(ride: Ride, sensors: tuple[SensorDoubt, ...]) -> tuple[dict[str, int], float | None]:
    """Return how many columns of each counted name there are, and the highest pack voltage."""
    counts = {name: len(ride.keys(name)) for name in _COUNTED}
    resting = None
    aside = {doubt.key for doubt in sensors if doubt.set_aside}
    cells = [key for key in ride.keys("cell_voltage") if key not in aside]
    if "pack_voltage" not in aside and ride.keys("pack_voltage"):
        resting = _high(ride, "pack_voltage")
    elif cells and len(cells) == counts["cell_voltage"]:
        tops = [top for key in cells if (top := _high(ride, key)) is not None]
        resting = sum(tops) if len(tops) == len(cells) else None
    return counts, resting


_COUNTED = ("cell_voltage", *(term.name for term in vocabulary().values() if term.per_motor))


def _high(ride: Ride, key: str) -> float | None:
    """Return the voltage that only a fiftieth of the samples are above, in V."""
    stream = ride.find(key)
    if stream is None:
        return None
    values = stream.values[key]
    values = values[:: max(1, len(values) // 20_000)]
    values = values[np.isfinite(values)]
    return float(np.quantile(values, 0.98)) if len(values) else None
