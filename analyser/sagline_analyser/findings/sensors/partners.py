"""Which sensors together tell what another one must read."""

import numpy as np

from ..readings.series import Array
from .look import Look, peak_of

LEAST_DUTY = 0.1
"""Duty cycle that drives a current through the resistance of a motor that hardly turns (our
choice)."""


def partners_of(look: Look) -> list[tuple[str, list[Array]]]:
    """Return each channel with the quantities that together tell what it must be."""
    cells, packs = look.all_of("cell_voltage"), look.all_of("pack_voltage")
    currents, duties = look.all_of("motor_current"), look.all_of("duty_cycle")
    turning_keys, turning = look.turning()
    battery = look.at("battery_current")
    found: list[tuple[str, list[Array]]] = []
    total = cells.sum(axis=0) if len(cells) else None
    for key in look.keys("pack_voltage"):
        parts = ([total] if total is not None else []) + (
            [battery] if np.isfinite(battery).any() else []
        )
        found.append((key, parts))
    cell_keys = look.keys("cell_voltage")
    if total is not None and len(cells) > 2:
        found += [
            (k, [(total - v) / (len(cells) - 1)]) for k, v in zip(cell_keys, cells, strict=True)
        ]
    elif len(packs):
        found += [(key, [packs[0]]) for key in cell_keys]
    power = currents * duties if currents.shape == duties.shape and len(currents) else None
    if power is not None:
        found += [(k, [power.sum(axis=0)]) for k in look.keys("battery_current")]
        for i, key in enumerate(look.keys("motor_current")):
            left = battery - np.delete(power, i, axis=0).sum(axis=0)
            with np.errstate(divide="ignore", invalid="ignore"):
                own = np.where(np.abs(duties[i]) > 0.15, left / duties[i], np.nan)
            found.append((key, [own]))
    elif len(currents):
        found += _by_controllers(look)
    speed = look.at("speed")
    for i, key in enumerate(turning_keys):
        rest = np.delete(turning, i, axis=0)
        found.append(
            (key, [speed] if np.isfinite(speed).any() else list(rest) or list(duties[i : i + 1]))
        )
    if len(turning):
        found += [(key, [turning.mean(axis=0)]) for key in look.keys("speed")]
        if len(turning) == len(duties):
            found += [(key, [v]) for key, v in zip(look.keys("duty_cycle"), turning, strict=True)]
    return [(key, parts) for key, parts in found if parts]


def _by_controllers(look: Look) -> list[tuple[str, list[Array]]]:
    """Return what the controllers' battery currents tell of the others where no duty cycle does."""
    name, found = "controller_battery_current", []
    if len(look.keys(name)) == len(look.ride.keys("motor_current")):
        total = look.all_of(name).sum(axis=0)
        found += [(key, [total]) for key in look.keys("battery_current")]
    for key in look.keys("motor_current"):
        own = look.beside(key, name)
        turns = [look.beside(key, n) for n in ("motor_speed", "motor_electrical_speed")]
        turning = next((one for one in turns if one is not None), None)
        if own is not None and turning is not None:
            found.append((key, _by_speed(look.at(own), look.at(turning))))
    return found


def _by_speed(battery: Array, turning: Array) -> list[Array]:
    """Return two terms (n,) in A of a motor's current: what is drawn from the battery, and that
    over the duty cycle, which goes as the speed: the slower, the more current for the same power.
    """
    share = np.abs(turning) / max(peak_of(turning), 1e-9)
    return [battery, battery / (share + LEAST_DUTY)]


def likes_of(look: Look) -> list[tuple[str, list[Array]]]:
    """Return each channel with the quantities it goes with: those of :func:`partners_of`, and for
    currents without duty cycles what else there is of them."""
    found = partners_of(look)
    told = {key for key, _ in found}
    battery, turning = look.at("battery_current"), look.turning()[1]
    currents, keys = look.all_of("motor_current"), look.keys("motor_current")
    if not len(currents):
        return found
    # P = k ω i + R i²: what goes into a motor is what turns it, and what warms it.
    if len(turning):
        heat, work = (currents**2).sum(axis=0), currents.sum(axis=0) * np.abs(turning).mean(axis=0)
        found += [(k, [work, heat]) for k in look.keys("battery_current") if k not in told]
    for i, key in enumerate(keys):
        rest = np.delete(currents, i, axis=0)
        if key in told:
            continue
        if len(rest):
            found.append((key, [rest.mean(axis=0)]))
        elif np.isfinite(battery).any() and len(turning):
            found.append((key, _by_speed(battery, turning[0])))
    return found
