"""Left and right swapped: a motor's reading that follows the other motor."""

import numpy as np

from ..readings.series import Array
from .doubt import Spans
from .look import Look, peak_of

FEWEST = 60
"""Readings, one a second, needed of both."""

BETTER, SURE = 0.95, 12.0
"""Share of its squared error that may be left of each of two temperatures taken crosswise, and the
logarithm of the likelihood ratio (times two, for normal errors) by which both together must fit
better: the readings of a second after each other are not independent, so more than the usual 4.
Where only one of the two fits better, no plug was swapped: the motors are unequal."""


def check_swapped(look: Look) -> None:
    """Note pairs of channels that fit better crosswise than straight."""
    pair = [look.keys(name) for name in ("motor_current", "duty_cycle")]
    turning = look.turning()[0]
    if len(pair[0]) != 2:
        return
    if len(pair[1]) == 2 and len(turning) == 2:
        _by_ohm(look, pair[0], pair[1], turning)
    controllers = look.keys("controller_battery_current")
    if len(controllers) == 2 and len(pair[1]) == 2:
        told = [look.at(c) * look.at(d) for c, d in zip(*pair, strict=True)]
        _crosswise(look, controllers, told, "the motors' currents and duty cycles")
    currents = [look.at(key) for key in pair[0]]
    if min(np.isfinite(current).mean() for current in currents) < 0.9:
        return  # its heat is not known
    squares = [np.nan_to_num(current) ** 2 for current in currents]
    for name in ("motor_temperature", "controller_temperature"):
        keys = look.keys(name)
        if len(keys) == 2:
            _warming(look, keys, squares)


def _all(look: Look) -> Spans:
    return ((float(look.time[0]), float(look.time[-1])),)


def _note(look: Look, keys: list[str], evidence: str) -> None:
    for key in keys:
        look.add(key, "left and right swapped", evidence, _all(look))


def _crosswise(look: Look, keys: list[str], told: list[Array], words: str) -> None:
    """Note two channels whose difference goes against the difference of what tells them."""
    own = [look.at(key) for key in keys]
    own = [v / max(peak_of(np.concatenate(own)), 1e-9) for v in own]
    told = [v / max(peak_of(np.concatenate(told)), 1e-9) for v in told]
    one, two = own[0] - own[1], told[0] - told[1]
    used = np.isfinite(one) & np.isfinite(two)
    if np.count_nonzero(used) * look.step < 10 or min(np.std(one[used]), np.std(two[used])) < 0.02:
        return
    r = float(np.corrcoef(one[used], two[used])[0, 1])
    if r < -0.6:
        _note(
            look,
            keys,
            f"Where one was above the other, {words} said the other way round (correlation of the "
            f"differences {r:+.2f}).",
        )


def _by_ohm(look: Look, currents: list[str], duties: list[str], turning: list[str]) -> None:
    """Note motor currents, or motor speeds, that belong to the other duty cycle.

    A motor's duty cycle is (k ω + R i) / V, so between the two motors it differs by what their
    speeds and their currents differ, each with a positive factor (Ohm's law and induction).
    """
    parts = [[look.at(key) for key in keys] for keys in (duties, turning, currents)]
    apart = [a - b for a, b in parts]
    size = np.minimum(np.abs(parts[0][0]), np.abs(parts[0][1]))
    used = np.all(np.isfinite(apart), axis=0) & (size > 0.03) & (size < 0.9)
    if np.count_nonzero(used) * look.step < 20:
        return
    few = np.flatnonzero(used)[:: max(1, round(0.5 / look.step))]
    wanted, *told = [value[few] for value in apart]
    # Motors of unequal make differ in proportion to what both do.
    common = [(a + b)[few] for a, b in parts[1:]]
    common = [value / max(float(np.std(value)), 1e-12) for value in common]
    scales = [max(float(np.std(value)), 1e-12) for value in told]
    table = np.column_stack(
        [np.ones(len(few)), *(t / s for t, s in zip(told, scales, strict=True)), *common]
    )
    fit = np.linalg.lstsq(table, wanted, rcond=None)[0]
    left = float(np.var(wanted - table @ fit))
    if left >= 0.8 * float(np.var(wanted)) or len(few) < 20:
        return
    error = np.sqrt(left * np.diag(np.linalg.pinv(table.T @ table)))
    both = zip((turning, currents), fit[1:3], error[1:3], parts[1:], told, strict=True)
    for keys, factor, doubt, pair, differ in both:
        # What differs by no more than the sensors' own steps and noise tells nothing.
        if factor < -8 * doubt and np.std(differ) > 0.02 * peak_of(np.concatenate(pair)):
            what = "speed" if keys is turning else "current"
            _note(
                look,
                keys,
                f"Where one had more {what}, its duty cycle was the lower one "
                f"({abs(factor) / max(doubt, 1e-12):.0f} times the standard error).",
            )


def _warming(look: Look, keys: list[str], squares: list[Array]) -> None:
    """Note two temperatures each of which follows the other motor's current.

    A part with dT/dt = a i² - b (T - T₀) has T = T(0) + a ∫i² dt - b ∫T dt + b T₀ t; each is fitted
    so by least squares with the one current and with the other.
    """
    every = max(1, round(1.0 / look.step))
    values = [look.at(key)[::every] for key in keys]
    known = np.isfinite(values[0]) & np.isfinite(values[1])
    if np.count_nonzero(known) < FEWEST:
        return
    heat = [np.cumsum(s)[::every][known] * look.step for s in squares]
    values = [value[known] for value in values]
    straight = [_unexplained(values[i], heat[i]) for i in range(2)]
    cross = [_unexplained(values[i], heat[1 - i]) for i in range(2)]
    ratio = sum(cross) / max(sum(straight), 1e-12)
    whole = sum(float(np.sum((value - value.mean()) ** 2)) for value in values)
    both = all(c < BETTER * s for c, s in zip(cross, straight, strict=True))
    if both and -len(values[0]) * np.log(ratio) > SURE and sum(cross) < 0.5 * whole:
        rms = [float(np.sqrt(sum(left) / 2 / len(values[0]))) for left in (straight, cross)]
        _note(
            look,
            keys,
            f"Each followed the other side's squared current to {rms[1]:.1f} K, its own side's only"
            f" to {rms[0]:.1f} K.",
        )


def _unexplained(value: Array, heat: Array) -> float:
    """Return the sum of squares that the fit of one part by one current leaves."""
    cooled = np.cumsum(value - value[0])
    time = np.linspace(0, 1, len(value))
    table = np.column_stack(
        [
            np.ones(len(value)),
            time,
            heat / max(float(heat[-1]), 1e-9),
            cooled / max(float(np.abs(cooled).max()), 1e-9),
        ]
    )
    fit = np.linalg.lstsq(table, value, rcond=None)[0]
    if fit[2] <= 0:
        return float(np.sum((value - value.mean()) ** 2))
    return float(np.sum((value - table @ fit) ** 2))
