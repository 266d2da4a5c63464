"""Pack current and voltage of a ride, from whichever channels it has."""

from dataclasses import dataclass

from ...load.ride import Ride
from .once import once
from .series import KEEP, Series, column, combine


@dataclass(frozen=True)
class Quantity:
    """A series, its unit, and in one line where it came from."""

    series: Series
    unit: str
    how: str


def present(ride: Ride, name: str) -> list[tuple[str, Series]]:
    """Return (column name, series) of every column of a channel that holds a reading."""
    found = ((key, column(ride, key)) for key in ride.keys(name))
    return [(key, series) for key, series in found if series is not None]


def cells_together(ride: Ride, how: str) -> Series:
    """Return the "min" or "max" of all cells that hold a reading, of which there is one at least;
    of a long ride it is not kept."""
    cells = present(ride, "cell_voltage")
    return _together(ride, how) if len(cells[0][1]) <= KEEP else _combined(ride, how)


def _combined(ride: Ride, how: str) -> Series:
    return combine([series for _, series in present(ride, "cell_voltage")], how)


_together = once(_combined)


@once
def battery_current(ride: Ride) -> Quantity | None:
    """Return the pack's current in A, positive discharging; summed over controllers if need be."""
    if (whole := column(ride, "battery_current")) is not None:
        return Quantity(whole, "A", "battery_current")
    parts = present(ride, "controller_battery_current")
    if not parts or len(parts) < len(ride.keys("controller_battery_current")):
        return None  # without one controller the sum is not the pack's
    names = " + ".join(key for key, _ in parts)
    whole = combine([series for _, series in parts], "sum")
    return Quantity(whole, "A", names) if len(whole) else None  # never read at the same time


@once
def pack_voltage(ride: Ride) -> Quantity | None:
    """Return the pack's voltage in V; the sum of the cells when it is not measured itself."""
    if (whole := column(ride, "pack_voltage")) is not None:
        return Quantity(whole, "V", "pack_voltage")
    cells = present(ride, "cell_voltage")
    if not cells or len(cells) < len(ride.keys("cell_voltage")):
        return None  # with a cell that gives no reading the sum is not the pack's
    total = combine([series for _, series in cells], "sum")
    if not len(total):
        return None
    return Quantity(total, "V", f"sum of the {len(cells)} cell_voltage channels")
