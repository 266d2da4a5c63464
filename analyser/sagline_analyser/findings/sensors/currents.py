"""Currents that do not stop with the vehicle, with an offset at standstill, of the wrong sign."""

import numpy as np

from ..readings.series import Array
from .doubt import Spans, how_long, runs, spans_of, spans_seen
from .look import Look, peak_of, spread

DRAWN, DRAWN_SHARE = 2.0, 0.025
"""A and share of the ride's peak that may flow at standstill: controllers, lamps, a converter
(common practice, no source)."""

BACK, BACK_SHARE = 0.7, 0.01
"""A and share of the peak that may seem to flow *into* the pack at standstill, where nothing
charges: what a sensor's zero is trimmed to (common practice, no source)."""

MOTOR, MOTOR_SHARE = 3.0, 0.03
"""The same for a motor that does not turn and is not asked to."""

LAG = 0.5
"""s over which changes are held against each other."""

AGREE = 0.5
"""Correlation of changes from which two quantities are said to move against each other."""

CHANGES = 10
"""Changes needed to say so."""


CURRENTS = "battery_current", "controller_battery_current", "motor_current"

STOOD, DROVE = 3.0, 6.0
"""s of standing still and of driving through which a current has to read the very same, to be one
that no longer follows (our choice)."""

PULLS = 0.2
"""Share of its peak from which another current shows that the vehicle drives."""


def check_unmoved(look: Look) -> None:
    """Note every current that reads the very same, and not nothing, driving and standing still."""
    still = look.standing()
    if np.count_nonzero(still) * look.step < STOOD:
        return
    columns = {key: look.at(key) for name in CURRENTS for key in look.keys(name)}
    pulls = {key: np.abs(v) > PULLS * peak_of(v) for key, v in columns.items()}
    for key, value in columns.items():
        drives = ~still & np.any([p for k, p in pulls.items() if k != key], axis=0)
        least = max(2.5 * look.step_of(key), 0.01 * peak_of(value))
        gone = np.zeros(len(value), bool)
        for first, last in runs(np.diff(value, prepend=np.nan) == 0, round(DROVE / look.step)):
            part = slice(first - 1, last + 1)
            stood = np.count_nonzero(still[part]) * look.step
            drove = np.count_nonzero(drives[part]) * look.step
            if stood >= STOOD and drove >= DROVE and abs(value[first]) > least:
                gone[part] = True
        rest = np.isfinite(value) & ~gone
        other = value[still & rest]
        if not gone.any() or not rest.any() or float(np.ptp(value[rest])) <= 4 * least:
            continue
        at = float(np.median(value[gone]))
        if len(other) and abs(float(np.median(other)) - at) <= least:
            continue  # what it reads wherever it stands is its zero, of a motor that is off
        seen = spans_seen(look.time, gone, look.step, 2.0)
        look.add(
            key,
            "frozen",
            f"It held still at {at:.1f} A {how_long(seen)}, from {seen[0][0]:.0f} s "
            "on, driving and standing still alike.",
            spans_of(look.time, gone, look.step, 2.0),
        )


def check_zero(look: Look) -> None:
    """Note every current that reads what cannot flow while the vehicle stands."""
    still = look.standing()
    if np.count_nonzero(still) * look.step < 3.0:
        return
    for name in CURRENTS:
        for key in look.keys(name):
            values = look.at(key)
            known = values[still & np.isfinite(values)]
            if len(known) * look.step < 3.0:
                continue
            off, peak = float(np.median(known)), peak_of(values)
            most, least = (
                (max(MOTOR, MOTOR_SHARE * peak),) * 2
                if name == "motor_current"
                else (max(DRAWN, DRAWN_SHARE * peak), max(BACK, BACK_SHARE * peak))
            )
            if -least <= off <= most or spread(known) > abs(off):
                continue
            look.add(
                key,
                "offset at standstill",
                f"It read {off:+.1f} A in {len(known) * look.step:.0f} s of standing still with "
                f"nothing asked of it (the ride's peak: {peak:.0f} A): its zero is off, or "
                "something draws that current.",
                _all(look),
            )


def _all(look: Look) -> Spans:
    return ((float(look.time[0]), float(look.time[-1])),)


def check_sign(look: Look) -> None:
    """Note a battery current that lifts the voltage, and motor currents that drive backwards."""
    voltages = look.all_of("pack_voltage")
    volts = voltages[0] if len(voltages) else _mean_cell(look)
    for key in [*look.keys("battery_current"), *look.keys("controller_battery_current")]:
        current = look.at(key)
        r, count = moved_together(look, current, volts, max(2.0, 0.05 * peak_of(current)))
        if r > 0.2 and count >= CHANGES and _beyond_chance(r, count):
            look.add(
                key,
                "wrong sign",
                f"The voltage rose whenever it rose and fell whenever it fell (correlation {r:+.2f}"
                f" over {count} changes); a pack that gives current loses voltage.",
                _all(look),
            )
    battery = look.at("battery_current")
    turning = dict(zip(*_directions(look), strict=True))
    for key in look.keys("motor_current"):
        current = look.at(key)
        forward = current * turning.get(look.ride.index(key), np.ones(len(current)))
        least = max(2.0, 0.05 * peak_of(current))
        r, count = moved_together(look, forward, battery, least)
        against = "the battery current"
        if not np.isfinite(battery).any():
            r, count = moved_together(look, forward, _acceleration(look), least)
            against = "the acceleration"
        if r < -AGREE and count >= CHANGES:
            pushed, pushes = moved_together(look, forward, _acceleration(look), least)
            if pushed > 0.2 and pushes >= CHANGES and _beyond_chance(pushed, pushes, 4.0):
                # The vehicle says that the motor drove: it is the battery's that is turned round.
                if not any(d.key == "battery_current" for d in look.doubts):
                    look.add(
                        "battery_current",
                        "wrong sign",
                        f"It fell whenever the motor current rose (correlation {r:+.2f} over "
                        f"{count} changes), and the vehicle sped up.",
                        _all(look),
                    )
                continue
            look.add(
                key,
                "wrong sign",
                f"It fell whenever {against} rose (correlation {r:+.2f} over {count} changes): it "
                "reads driving as braking.",
                _all(look),
            )


def _beyond_chance(r: float, count: int, times: float = 6.0) -> bool:
    """Return whether a correlation is so many times its standard error (Student's t of it)."""
    return abs(r) * float(np.sqrt((count - 2) / max(1 - r * r, 1e-9))) > times


def _mean_cell(look: Look) -> Array:
    cells = look.all_of("cell_voltage")
    return cells.mean(axis=0) if len(cells) else np.full(len(look.time), np.nan)


def _directions(look: Look) -> tuple[list[int], list[Array]]:
    """Return the motors' indices and the sign of what each turns, from duty or speed."""
    keys, values = look.keys("duty_cycle"), list(look.all_of("duty_cycle"))
    if not keys:
        keys, turning = look.turning()
        values = list(turning)
    return [look.ride.index(key) for key in keys], [np.where(v < 0, -1.0, 1.0) for v in values]


def _acceleration(look: Look) -> Array:
    speed = look.at("speed")
    if not np.isfinite(speed).any():
        turning = look.turning()[1]
        speed = turning.mean(axis=0) if len(turning) else speed
    width = max(1, round(LAG / look.step))
    found = np.full(len(speed), np.nan)
    found[width:-width] = (speed[2 * width :] - speed[: -2 * width]) / (2 * width * look.step)
    return found


def moved_together(look: Look, one: Array, other: Array, least: float) -> tuple[float, int]:
    """Return the correlation of the changes over :data:`LAG` s of two quantities, where the first
    changes by at least ``least``, and how many such changes there are."""
    lag = max(1, round(LAG / look.step))
    first, second = one[lag:] - one[:-lag], other[lag:] - other[:-lag]
    used = np.isfinite(first) & np.isfinite(second)
    used &= np.abs(np.where(used, first, 0.0)) >= least
    first, second = first[used][::lag], second[used][::lag]
    if len(first) < 3:
        return 0.0, len(first)
    below = float(np.sqrt(np.sum(first**2) * np.sum(second**2)))
    return (float(np.sum(first * second)) / below if below > 0 else 0.0), len(first)
