"""The board file held against the log: where it is another vehicle's, or contradicts itself."""

import numpy as np

from sagline_logger.format import BoardFile, board_conflicts

from ...load.ride import Ride
from .doubt import SensorDoubt


def board_mismatches(
    ride: Ride, board: BoardFile | None, sensors: tuple[SensorDoubt, ...] = ()
) -> tuple[str, ...]:
    """Return a sentence for each thing the board file says that the log or the file denies."""
    if board is None:
        return ()
    counts = {name: len(ride.keys(name)) for name in _COUNTED}
    resting = None
    aside = {doubt.key for doubt in sensors if doubt.set_aside}
    cells = [key for key in ride.keys("cell_voltage") if key not in aside]
    if "pack_voltage" not in aside and ride.keys("pack_voltage"):
        resting = _high(ride, "pack_voltage")
    elif cells and len(cells) == counts["cell_voltage"]:
        tops = [top for key in cells if (top := _high(ride, key)) is not None]
        resting = sum(tops) if len(tops) == len(cells) else None
    return board_conflicts(board, counts, resting)


_COUNTED = (
    "cell_voltage", "motor_current", "motor_speed", "motor_electrical_speed", "duty_cycle",
    "motor_temperature", "controller_temperature", "controller_battery_current",
)  # fmt: skip


def _high(ride: Ride, key: str) -> float | None:
    """Return the voltage that only a fiftieth of the samples are above, in V."""
    stream = ride.find(key)
    if stream is None:
        return None
    values = stream.values[key]
    values = values[:: max(1, len(values) // 20_000)]
    values = values[np.isfinite(values)]
    return float(np.quantile(values, 0.98)) if len(values) else None
