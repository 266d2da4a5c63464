"""What two motors say of each other's plugs: Ohm's law, the rise of copper's resistance, heat.

A motor's duty cycle d at pack voltage V is that of its back-EMF and its resistance,
``V d = k ω + R (1 + α (T - T₀)) i`` (Ohm's law and induction; α of copper, IEC 60028).  Between two
motors the duty cycles differ therefore by what their own speeds, currents and temperatures differ,
each with a positive factor; crosswise the factor is negative.  A part's temperature follows its own
squared current; crosswise, the other's.
"""

from dataclasses import dataclass

import numpy as np

from ..readings.copper import COPPER
from ..readings.series import Array
from .fitted import Fitted, fitted
from .look import Look, peak_of

LEAST = 20.0
"""s of driving needed for Ohm's law."""

BLOCK, HEAT_BLOCK = 4.0, 8.0
"""s that readings of an electrical and of a thermal fit may have something in common."""

BRAKES = 0.02
"""Share of the largest current below zero by which the currents have a sign."""

FEWEST = 120
"""Readings, one a second, needed of both temperatures: ten terms are fitted."""

WEAKER = (-0.0005, 0.0007)
"""1/K, mean and standard deviation: how a magnet's flux changes as the motor warms.  Ferrites lose
0.2 %/K, neodymium 0.12 %/K, samarium 0.04 %/K (textbooks), of a rotor that lags its winding."""

RISES = 0.2
"""Share of copper's rise that a swap must at the least seem to turn round: part of what resists is
no copper, and not every sensor sits in its winding."""

OWN_RISE, OWN_SHARE = 0.08, 0.1
"""Least doubt of a measured rise, as a share of copper's, and of the other's share of a heating: no
motor is as simple as its equation (our choice, on rides of two families)."""

MOST = 8.0
"""Logarithm of the likelihood ratio that one witness may give: equations are never exact."""

OF_HEAT = 3.0
"""Standard errors by which current must be seen to heat a part."""


@dataclass(frozen=True)
class Ohm:
    """How duty cycles differ with the motors' own readings.

    ``speed`` and ``current`` are (share of what the motors' own law asks for, standard errors),
    positive where each belongs to its duty cycle.  ``rise`` is the logarithm of the likelihood
    ratio by which resistance rises with the own temperature, negative for the other's; 0 where no
    temperatures are known.
    """

    speed: tuple[float, float]
    current: tuple[float, float]
    rise: float


def by_ohm(look: Look) -> Ohm | None:
    """Return what Ohm's law says of two motors; None where it cannot be asked."""
    turning = look.turning()[0]
    names = [look.keys("duty_cycle"), turning, look.keys("motor_current")]
    if any(len(keys) != 2 for keys in names):
        return None
    duties, speeds, currents = ([look.at(key) for key in keys] for keys in names)
    volts = look.at("pack_voltage")
    if not np.isfinite(volts).any():
        volts = np.ones(len(look.time))
    warm = [look.at(key) for key in look.keys("motor_temperature")]
    hot = len(warm) == 2 and bool(np.isfinite(warm[0] + warm[1]).any())
    if not hot:
        warm = [np.zeros(len(look.time))] * 2
    every = np.array([volts, *duties, *speeds, *currents, *warm])
    with np.errstate(invalid="ignore"):
        used = np.isfinite(every).all(axis=0)
        size = np.abs(duties)
        used &= (size.min(axis=0) > 0.03) & (size.max(axis=0) < 0.9)
        if np.nanmin(currents) > -BRAKES * peak_of(np.concatenate(currents)):
            # A braking current without its sign would turn the law round.
            used &= ~(look.at("throttle") <= 0.03) & ~(look.at("brake") > 0.03)
    lasts = float(np.count_nonzero(used) * look.step)
    if lasts < LEAST:
        return None
    volts = volts[used]
    duty, speed, current, heat = (
        (pair[0][used], pair[1][used]) for pair in (duties, speeds, currents, warm)
    )
    return _told(volts, duty, speed, current, heat, round(lasts / BLOCK), hot)


Pair = tuple[Array, Array]


def _mean(pair: Pair) -> Array:
    return (pair[0] + pair[1]) / 2


def _told(
    volts: Array, duty: Pair, speed: Pair, current: Pair, heat: Pair, blocks: int, hot: bool
) -> Ohm | None:
    one = np.ones(len(volts))
    turns, flows = _mean(speed), _mean(current)
    warmth = _mean(heat)
    flows = flows * (1 + COPPER * (warmth - warmth.mean()))
    both = fitted([one, turns, flows], volts * _mean(duty), blocks)
    constant, resistance = float(both.values[1]), float(both.values[2])
    apart = heat[0] - heat[1]
    apart = apart - apart.mean()
    columns = [one, speed[0] - speed[1], turns, current[0] - current[1], flows]
    if hot:
        columns += [_mean(current) * apart, turns * apart]
    if not min(float(np.ptp(columns[1])), float(np.ptp(columns[3]))) > 0:
        return None
    found = fitted(columns, volts * (duty[0] - duty[1]), blocks)
    if hot:
        found = found.known(6, WEAKER[0] * constant, WEAKER[1] * abs(constant))
    return Ohm(
        _share(found, 1, constant),
        _share(found, 3, resistance),
        _rise(found, 5, COPPER * resistance) if hot and resistance > 0 else 0.0,
    )


def _share(found: Fitted, at: int, whole: float) -> tuple[float, float]:
    value, error = float(found.values[at]), float(found.errors[at])
    return value / max(abs(whole), 1e-12), value / error


def _rise(found: Fitted, at: int, whole: float) -> float:
    """Return the logarithm of the likelihood ratio: at least :data:`RISES` of copper's rise with
    the own temperature, against as much with the other's."""
    share = float(found.values[at]) / whole
    error = float(np.hypot(found.errors[at] / whole, OWN_RISE))
    against, for_it = max(0.0, share + RISES), max(0.0, RISES - share)
    return _bounded((against**2 - for_it**2) / (2 * error**2))


def _bounded(ratio: float) -> float:
    return float(np.clip(ratio, -MOST, MOST))


def by_heat(look: Look, keys: list[str], currents: list[str]) -> tuple[float, float] | None:
    """Return for each of two temperatures the logarithm of the likelihood ratio by which it follows
    its own side's squared current, negative for the other's; None where it cannot be asked.

    A part with ``dT/dt = a i² (1 + α (T - T₀)) - (b + c v) (T - T₀)`` behind a case of its own has
    the integrals of these terms; the other's share s of the heating is 0, or 1 where swapped.
    """
    flows = [look.at(key) for key in currents]
    if min(float(np.isfinite(flow).mean()) for flow in flows) < 0.9:
        return None  # its heat is not known
    squares = [np.nan_to_num(flow) ** 2 for flow in flows]
    every = max(1, round(1.0 / look.step))
    values = [look.at(key) for key in keys]
    known = np.isfinite(values[0] + values[1])[::every]
    if np.count_nonzero(known) < FEWEST:
        return None
    speed = np.abs(np.nan_to_num(look.at("speed")))[::every][known]
    ratios = []
    for side, value in enumerate(values):
        full = np.where(np.isfinite(value), value, np.nanmean(value))
        heats = [
            np.cumsum(square * (1 + COPPER * (full - 20.0)))[::every][known] * look.step
            for square in (squares[side], squares[1 - side])
        ]
        ratios.append(_other(value[::every][known], heats[0], heats[1], speed))
    return ratios[0], ratios[1]


def _other(value: Array, own: Array, other: Array, speed: Array) -> float:
    """Return the logarithm of the likelihood ratio of the own current against the other's."""
    count = len(value)
    above, time = value - value[0], np.linspace(0, 1, count)
    cooled = np.cumsum(above)
    columns = [np.ones(count), time, time**2, own, other - own, cooled]
    columns += [np.cumsum(cooled), np.cumsum(own + other), np.cumsum(speed)]
    columns += [np.cumsum(speed * above)]
    found = fitted(columns, value, round(count / HEAT_BLOCK))
    heating, error = float(found.values[3]), found.errors
    if not heating > OF_HEAT * float(error[3]):
        return 0.0
    share = float(found.values[4]) / heating
    doubt = float(np.hypot(error[4] / heating, OWN_SHARE))
    return _bounded((1 - 2 * share) / (2 * doubt**2))
