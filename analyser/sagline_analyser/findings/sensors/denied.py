"""What the readings of a ride deny of its board file: its wheels, its capacity, its cells."""

import numpy as np

from sagline_logger.format import BoardFile, SaglineError

from ...load.ride import Ride
from ..readings.electric import battery_current, pack_voltage
from ..readings.packs import during, pack_capacity, pack_spans
from ..readings.series import Array, column, integral, interpolate
from ..readings.speed import speeds_by_motors

OTHER_WHEELS = 1.25
"""Times by which the speed may be another than that of the motors through the board file's wheel
and gearing: a worn or soft tyre makes some hundredths, a slipping one more for moments (our
choice)."""

ROLLING, ENOUGH = 2.0, 20.0
"""m/s from which the vehicle rolls, and the s that it has to (our choice)."""

MORE_GIVEN = 1.3
"""Times the stated capacity that no pack gives: cells hold some hundredths more than is printed,
and a current may read a tenth too large (our choice)."""

FLAT_TOP, FLAT_GIVEN = 3.47, 0.2
"""V that a lithium-ion cell of 4.1 V and more shows at rest with a tenth of its charge or less
(published discharge curves of NMC, NCA and LCO), and the share of the capacity given from there on
that tells that it is another cell (our choice)."""

FULL_OF_ION = 4.1
"""V of a full cell from which on it is called lithium-ion here (data sheets)."""


def denied(ride: Ride, board: BoardFile) -> tuple[str, ...]:
    """Return a sentence for each thing the board file says that the readings deny."""
    return tuple(filter(None, (_wheels(ride, board), *_pack(ride, board))))


def _wheels(ride: Ride, board: BoardFile) -> str:
    speed = column(ride, "speed")
    if speed is None:
        return ""
    try:
        motors = speeds_by_motors(ride, board)
    except SaglineError:
        return ""  # it states no wheel that could be another one
    over = np.abs(speed.value)
    found = [_ratio(speed.time, over, np.abs(interpolate(one, speed.time))) for one in motors]
    ratios = [one for one in found if one is not None]
    if not ratios or len(ratios) < len(motors):
        return ""
    # One motor may spin or stand; a wheel of another size is another for all.
    if not (min(ratios) > OTHER_WHEELS or max(ratios) < 1 / OTHER_WHEELS):
        return ""
    times = float(np.median(ratios))
    vehicle = board.vehicle
    return (
        f"The speed is {times:.2g} times what the motors' speed makes with wheel_diameter = "
        f"{vehicle.wheel_diameter:g} m and gearing = {vehicle.gearing:g}: is one of them another "
        "vehicle's, or a pole pair count?"
    )


def _ratio(time: Array, over: Array, made: Array) -> float | None:
    """Return the ratio of two speeds while both show that the vehicle rolls; None where it does not
    for long enough."""
    with np.errstate(invalid="ignore"):
        rolls = (over > ROLLING) & (made > 0.05 * np.nanmax(made, initial=0.0)) & (made > 0)
    step = float(np.median(np.diff(time))) if len(time) > 1 else 0.0
    if np.count_nonzero(rolls) * step < ENOUGH:
        return None
    return float(np.median(over[rolls] / made[rolls]))


def _pack(ride: Ride, board: BoardFile) -> list[str]:
    """Return what the charge given denies, of the first pack for which it does."""
    capacity, flow, voltage = (
        pack_capacity(board.battery),
        battery_current(ride),
        pack_voltage(ride),
    )
    if capacity is None or flow is None:
        return []
    for span in pack_spans(ride):
        current = during(flow.series, span)
        if not len(current):
            continue
        given = integral(current) / 3600
        if given > MORE_GIVEN * capacity:
            return [
                f"The pack gave {given:.3g} Ah, the board file states {capacity:.3g} Ah: is it the "
                "file of this pack?"
            ]
        full, cells = board.battery.cell_full, board.battery.cells
        if voltage is None or not full or not cells or full < FULL_OF_ION:
            continue
        own = during(voltage.series, span)
        if not len(own):
            continue
        top = float(np.quantile(own.value, 0.98)) / cells
        if top < FLAT_TOP and given > FLAT_GIVEN * capacity:
            return [
                f"Cells gave {given:.3g} Ah from {top:.2f} V on, where a lithium-ion cell that is "
                f"full at {full:g} V has hardly a tenth left: are they of iron phosphate (full at "
                "3.65 V)?"
            ]
    return []
