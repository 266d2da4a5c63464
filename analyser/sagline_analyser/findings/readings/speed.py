"""Speed over ground: measured, or derived from motor speed."""

from sagline_logger.format import BoardFile, SaglineError, speed_per_rpm

from ...load.ride import Ride
from .electric import Quantity, present
from .once import once
from .series import Series, column, combine
from .unknown import NotKnown

ELECTRICAL = "motor_electrical_speed"


@once
def vehicle_speed(ride: Ride, board: BoardFile | None) -> Quantity | NotKnown:
    """Return the speed in m/s, and where it came from.

    Without a speed channel it is the mean over the motors of what
    :func:`sagline_logger.format.speed_per_rpm` makes of their speed.
    """
    if (measured := column(ride, "speed")) is not None:
        return Quantity(measured, "m/s", "speed channel")
    name, turning = _turning(ride)
    if not turning:
        return NotKnown("needs the channel speed, or motor_speed and a board file")
    if board is None:
        return NotKnown(f"needs the channel speed, or a board file to derive it from {name}")
    try:
        parts = speeds_by_motors(ride, board)
    except SaglineError as problem:
        return NotKnown(f"needs the channel speed; {problem}")
    how = f"derived from {' and '.join(key for key, _ in turning)}: π × wheel diameter "
    how += f"{board.vehicle.wheel_diameter:g} m ÷ gearing {board.vehicle.gearing:g}"
    how += " ÷ pole pairs" if name == ELECTRICAL else ""
    return Quantity(combine(parts, "mean"), "m/s", how)


def speeds_by_motors(ride: Ride, board: BoardFile) -> list[Series]:
    """Return the speed in m/s that each motor's own speed makes through wheel and gearing.

    Raises:
        SaglineError: the board file does not state what that takes.
    """
    name, turning = _turning(ride)
    parts = []
    for key, series in turning:
        factor = speed_per_rpm(board, electrical=name == ELECTRICAL, motor=ride.index(key) or 1)
        parts.append(Series(series.time, series.value * factor, series.gap))
    return parts


def _turning(ride: Ride) -> tuple[str, list[tuple[str, Series]]]:
    """Return which channel tells how fast the motors turn, and its columns that hold a reading."""
    turning = present(ride, "motor_speed")
    if turning or not ride.keys(ELECTRICAL):
        return "motor_speed", turning
    return ELECTRICAL, present(ride, ELECTRICAL)
