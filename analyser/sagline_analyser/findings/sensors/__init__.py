"""What the ride itself says against its sensors, found before any answer rests on them."""

from sagline_logger.format import BoardFile

from ...load.ride import Ride
from .cells_together import check_cells_together
from .currents import check_sign, check_unmoved, check_zero
from .doubt import SensorDoubt
from .frozen import check_frozen, check_repeats
from .held import check_held
from .look import Look
from .powers import check_powers
from .speeds import check_speeds
from .still import check_still
from .sums import check_sums
from .swapped import check_swapped
from .taps import check_taps
from .temperatures import check_temperatures
from .times import check_times

__all__ = ["SensorDoubt", "judge_sensors"]

CHECKS = (
    check_times,
    check_still,
    check_temperatures,
    check_cells_together,
    check_taps,
    check_held,
    check_speeds,
    check_sign,
    check_repeats,
    check_unmoved,
    check_frozen,
    check_zero,
    check_sums,
    check_powers,
    check_swapped,
)
"""In the order in which they rest on each other: none uses what an earlier one doubted."""


def judge_sensors(ride: Ride, board: BoardFile | None = None) -> tuple[SensorDoubt, ...]:
    """Return what is doubted of the ride's sensors, in the order in which it was found."""
    look = Look(ride, board)
    if len(look.time) > 1:
        for check in CHECKS:
            check(look)
    return tuple(look.doubts)
