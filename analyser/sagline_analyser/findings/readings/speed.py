"""Speed over ground: measured, or derived from motor speed."""

from sagline_logger.format import BoardFile, SaglineError, speed_per_rpm

from ...load.ride import Ride
from .electric import Quantity, present
from .once import once
from .series import Series, column, combine
from .unknown import NotKnown


@once
def vehicle_speed(ride: Ride, board: BoardFile | None) -> Quantity | NotKnown:
    """Return the speed in m/s, and where it came from.

    Without a speed channel it is the mean over the motors of what
    :func:`sagline_logger.format.speed_per_rpm` makes of their speed.
    """
    if (measured := column(ride, "speed")) is not None:
        return Quantity(measured, "m/s", "speed channel")
    turning = present(ride, "motor_speed")
    electrical = not turning and bool(ride.keys("motor_electrical_speed"))
    name = "motor_electrical_speed" if electrical else "motor_speed"
    if electrical:
        turning = present(ride, name)
    if not turning:
        return NotKnown("needs the channel speed, or motor_speed and a board file")
    if board is None:
        return NotKnown(f"needs the channel speed, or a board file to derive it from {name}")
    parts = []
    for key, series in turning:
        stream = ride.find(key)
        motor = stream.channels[key].index if stream else 0
        try:
            factor = speed_per_rpm(board, electrical=electrical, motor=motor or 1)
        except SaglineError as problem:
            return NotKnown(f"needs the channel speed; {problem}")
        parts.append(Series(series.time, series.value * factor, series.gap))
    how = f"derived from {' and '.join(key for key, _ in turning)}: π × wheel diameter "
    how += f"{board.vehicle.wheel_diameter:g} m ÷ gearing {board.vehicle.gearing:g}"
    how += " ÷ pole pairs" if electrical else ""
    return Quantity(combine(parts, "mean"), "m/s", how)
