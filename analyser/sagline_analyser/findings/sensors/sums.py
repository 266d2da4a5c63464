"""Sums that must come out: cells and pack, controllers and battery, battery power and motors'."""

import numpy as np

from ..readings.series import Array
from .currents import moved_together
from .doubt import Spans
from .look import Look, peak_of

SUM = 0.03
"""Share by which pack voltage may stand off the sum of the cells (common practice, no source; the
check before a ride fails there too)."""

ALWAYS = 0.9
"""Share of a ride's readings that must be off for the sensor to be so (our choice)."""

POWER = (0.6, 1.5)
"""Battery current over the sum of duty cycle times motor current: 1 for a lossless controller
whose duty cycle is of the pack's voltage, √3/2 where it is of space-vector modulation's greatest
amplitude (power electronics textbooks); the rest is room for sensors out of trim."""

SEEN = 2.0
"""s for which pack and cells must be known side by side (our choice)."""

CHANGES = 5, 10
"""Changes of two currents that tell whether these go together: the fewest that do where they agree
closely, and where they do not (our choice)."""

CONTROLLERS = 0.15
"""Share by which the controllers' battery currents together may miss the battery's."""


def check_sums(look: Look) -> None:
    """Note a pack voltage that is not its cells' sum, and currents that do not add up."""
    _pack(look)
    _controllers(look)
    _power(look)


def _all(look: Look) -> Spans:
    return ((float(look.time[0]), float(look.time[-1])),)


def _pack(look: Look) -> None:
    keys = [key for key in look.ride.keys("cell_voltage") if look.native(key) is not None]
    cells = look.all_of("cell_voltage")
    if len(cells) < 2 or len(cells) < len(keys):
        return
    total = cells.sum(axis=0)
    stated = look.board.battery.cells if look.board else 0
    current = look.at("battery_current")
    for key in look.keys("pack_voltage"):
        pack = look.at(key)
        with np.errstate(divide="ignore", invalid="ignore"):
            ratio = pack / total
            light = ~(np.abs(current) > 0.2 * peak_of(current))
        used = ratio[np.isfinite(ratio) & light]
        if len(used) * look.step < SEEN:
            used = ratio[np.isfinite(ratio)]
        if len(used) * look.step < SEEN:
            continue
        middle = float(np.median(used))
        # A sensor out of trim is so all along; a supply that went away was right before.
        away = np.mean(np.sign(middle - 1) * (used - 1) > SUM)
        if abs(middle - 1) <= SUM or away < ALWAYS:
            continue
        lacking = (middle - 1) * len(cells)
        # More volts than the cells add up to may be whole cells that are not sent.
        whole = lacking > 0.8 and abs(lacking - round(lacking)) < 0.15
        if whole and stated != len(cells):
            continue
        look.add(
            key,
            "not the sum of its cells",
            f"It was {100 * (middle - 1):+.1f} % against the sum of the {len(cells)} cells "
            f"({np.nanmedian(pack):.2f} against {np.nanmedian(total):.2f} V).",
            _all(look),
        )


def _controllers(look: Look) -> None:
    parts = look.all_of("controller_battery_current")
    for key in look.keys("battery_current"):
        whole = look.at(key)
        motors = max(len(look.ride.keys("motor_current")), 1)
        if len(parts) < motors or len(parts) < 1:
            return
        slope, fits = _slope(look, parts.sum(axis=0), whole)
        if fits and abs(slope - 1) > CONTROLLERS:
            look.add(
                key,
                "not the sum of the controllers' currents",
                f"It was {slope:.2f} times what the controllers drew together.",
                _all(look),
            )


def _power(look: Look) -> None:
    currents, duties = look.all_of("motor_current"), look.all_of("duty_cycle")
    motors = len(look.ride.keys("motor_current"))
    if not motors or currents.shape != duties.shape or len(currents) != motors:
        return
    power = (currents * duties).sum(axis=0)
    for key in look.keys("battery_current"):
        slope, fits = _slope(look, power, look.at(key))
        if fits and not POWER[0] <= slope <= POWER[1]:
            look.add(
                key,
                "not the motors' power",
                f"It was {slope:.2f} times what duty cycle and motor current make of it; one of "
                "the three is wrong.",
                _all(look),
            )


def _slope(look: Look, told: Array, value: Array) -> tuple[float, bool]:
    """Return how much of ``told`` a current is, by least squares, and whether they go together."""
    peak = peak_of(told)
    r, count = moved_together(look, told, value, max(2.0, 0.05 * peak))
    used = np.isfinite(told) & np.isfinite(value) & (np.abs(told) > 0.1 * peak)
    alike = (count >= CHANGES[1] and r >= 0.5) or (count >= CHANGES[0] and r >= 0.9)
    if not alike or np.count_nonzero(used) * look.step < 5:
        return 0.0, False
    return float(np.sum(told[used] * value[used]) / np.sum(told[used] ** 2)), True
