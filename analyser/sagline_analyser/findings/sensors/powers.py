"""Currents that must add up: the controllers' and the battery's, and what the motors' make of it.

Battery current, the controllers' battery currents, and duty cycle times motor current are three
ways to the same current.  Where one disagrees with the other two, it is the one that is wrong.
"""

import numpy as np

from ..readings.series import Array
from .currents import moved_together
from .doubt import Spans
from .fitted import fitted
from .look import Look, peak_of

POWER = (0.6, 1.5)
"""Battery current over the sum of duty cycle times motor current: 1 for a lossless controller
whose duty cycle is of the pack's voltage, √3/2 where it is of space-vector modulation's greatest
amplitude (power electronics textbooks); the rest is room for sensors out of trim."""

CHANGES = 5, 10
"""Changes of two currents that tell whether these go together: the fewest that do where they agree
closely, and where they do not (our choice)."""

CONTROLLERS = 0.15
"""Share by which the controllers' battery currents together may miss the battery's."""

ERRORS = 3.0
"""Standard errors by which one motor's share must be outside of :data:`POWER`, and the others'
inside (our choice)."""

APART = 20.0
"""By how much the variance of what a motor does alone exceeds its noise's (our choice: shares are
then a twentieth off at the most)."""

MEAN = 1.0
"""s of readings that are averaged for a fit: noise goes, work stays."""

BLOCK = 4.0
"""s that readings of a fit may have something in common (our choice)."""


def check_powers(look: Look) -> None:
    """Note currents that do not add up."""
    for key in look.keys("battery_current"):
        _controllers(look, key)
    for key in look.keys("battery_current"):
        _power(look, key)


def _all(look: Look) -> Spans:
    return ((float(look.time[0]), float(look.time[-1])),)


def _controllers(look: Look, battery: str) -> None:
    """Hold a battery current against the sum of the controllers' and, where these differ, both
    against the motors' power."""
    drawn = _drawn(look)
    if drawn is None:
        return
    slope, fits = _slope(look, drawn, look.at(battery))
    if not fits or abs(slope - 1) <= CONTROLLERS:
        return
    powers = _powers(look)
    if powers is not None:
        told = powers.sum(axis=0)
        (whole, known), (parts, of_parts) = (
            _slope(look, told, look.at(battery)),
            _slope(look, told, drawn),
        )
        if known and of_parts and _right(whole) and not _right(parts):
            for key in _wrong_controllers(look, powers):
                look.add(
                    key,
                    "not the motors' power",
                    f"The controllers drew {1 / slope:.2f} times the battery current together, "
                    f"which agrees with the motors' power ({whole:.2f} times it).",
                    _all(look),
                )
            return
    look.add(
        battery,
        "not the sum of the controllers' currents",
        f"It was {slope:.2f} times what the controllers drew together.",
        _all(look),
    )


def _power(look: Look, battery: str) -> None:
    """Hold a battery current, and what confirms it, against the motors' power."""
    powers = _powers(look)
    if powers is None:
        return
    slope, fits = _slope(look, powers.sum(axis=0), look.at(battery))
    if not fits:
        return
    drawn = _drawn(look)
    parts, known = _slope(look, drawn, look.at(battery)) if drawn is not None else (0.0, False)
    confirmed = known and abs(parts - 1) <= CONTROLLERS
    if confirmed:
        wrong = _by_controllers(look, powers)
        witness = "; the battery current agrees with the controllers'"
    else:
        wrong = _by_likes(look, powers, look.at(battery))
        witness = ", while the other motors' come out right"
    for key, share in wrong:
        look.add(
            key,
            "not the motors' power",
            f"Its motor drew {share:.2f} times what it and the duty cycle make of it{witness}.",
            _all(look),
        )
    if not wrong and not confirmed and not _right(slope):
        look.add(
            battery,
            "not the motors' power",
            f"It was {slope:.2f} times what duty cycle and motor current make of it; one of "
            "the three is wrong.",
            _all(look),
        )


def _drawn(look: Look) -> Array | None:
    """Return the sum (n,) in A of the controllers' battery currents; None where one is missing."""
    parts = look.all_of("controller_battery_current")
    motors = max(len(look.ride.keys("motor_current")), 1)
    return parts.sum(axis=0) if len(parts) >= motors else None


def _powers(look: Look) -> Array | None:
    """Return duty cycle times motor current (motors, n) in A; None where a motor has not both."""
    currents, duties = look.all_of("motor_current"), look.all_of("duty_cycle")
    motors = len(look.ride.keys("motor_current"))
    if not motors or currents.shape != duties.shape or len(currents) != motors:
        return None
    return np.asarray(currents * duties)


def _right(slope: float) -> bool:
    return POWER[0] <= slope <= POWER[1]


def _by_controllers(look: Look, powers: Array) -> list[tuple[str, float]]:
    """Return each motor current that is not what its own controller draws, and that controller's
    current over what it and the duty cycle make of it."""
    found = []
    for key, power in zip(look.keys("motor_current"), powers, strict=True):
        own = look.beside(key, "controller_battery_current")
        if own is not None:
            slope, fits = _slope(look, power, look.at(own))
            if fits and not _right(slope):
                found.append((key, slope))
    return found


def _wrong_controllers(look: Look, powers: Array) -> list[str]:
    """Return the controllers' battery currents that are not their motors' power."""
    wrong = [
        look.beside(key, "controller_battery_current") for key, _ in _by_controllers(look, powers)
    ]
    return [key for key in wrong if key is not None]


def _by_likes(look: Look, powers: Array, battery: Array) -> list[tuple[str, float]]:
    """Return the one motor current whose part of the battery current is not as it says, while each
    other motor's is, and by how much: motors that do unequal work tell it."""
    used = np.isfinite(powers).all(axis=0) & np.isfinite(battery)
    every = np.vstack([powers, battery])[:, used]
    count = max(1, round(MEAN / look.step))
    parts = every.shape[1] // count
    blocks = round(parts * count * look.step / BLOCK)
    if len(powers) < 2 or blocks < 5 * len(every):
        return []
    every = every[:, : parts * count]
    means = every.reshape(len(every), parts, count).mean(axis=2)
    if not _unequal(every[:-1], means[:-1]):
        return []
    fit = fitted([np.ones(parts), *means[:-1]], means[-1], blocks)
    shares, room = fit.values[1:], ERRORS * fit.errors[1:]
    low, high = shares - room, shares + room
    outside = (low > POWER[1]) | (high < POWER[0])
    inside = (low >= POWER[0]) & (high <= POWER[1])
    if np.count_nonzero(outside) != 1 or np.count_nonzero(inside) != len(powers) - 1:
        return []
    at = int(np.argmax(outside))
    return [(look.keys("motor_current")[at], float(shares[at]))]


def _unequal(powers: Array, means: Array) -> bool:
    """Return whether what each power does beside the others' is far more than noise, in the means
    (motors, m) of the readings ``powers`` (motors, n).

    Else least squares would share the battery current out by the noise of the motors, and blame any
    of them (errors in variables; textbooks on regression).
    """
    for i in range(len(powers)):
        every, rest = (np.delete(one, i, axis=0) for one in (powers, means))
        table = np.column_stack([np.ones(means.shape[1]), *rest])
        fit = np.linalg.lstsq(table, means[i], rcond=None)[0]
        change = np.diff(powers[i] - fit[1:] @ every)
        moved = change[change != 0]  # a slower stream says each reading several times
        if not len(moved):
            return False
        readings = len(moved) / means.shape[1]
        noise = float(np.mean(moved**2)) / 2 / max(readings, 1.0)
        if float(np.var(means[i] - table @ fit)) < APART * noise:
            return False
    return True


def _slope(look: Look, told: Array, value: Array) -> tuple[float, bool]:
    """Return how much of ``told`` a current is, by least squares, and whether they go together."""
    peak = peak_of(told)
    r, count = moved_together(look, told, value, max(2.0, 0.05 * peak))
    used = np.isfinite(told) & np.isfinite(value) & (np.abs(told) > 0.1 * peak)
    alike = (count >= CHANGES[1] and r >= 0.5) or (count >= CHANGES[0] and r >= 0.9)
    if not alike or np.count_nonzero(used) * look.step < 5:
        return 0.0, False
    return float(np.sum(told[used] * value[used]) / np.sum(told[used] ** 2)), True
