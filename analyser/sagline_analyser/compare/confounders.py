"""What else differed between the sides, and how much of a difference that could make by itself."""

import math
from collections.abc import Callable, Sequence
from dataclasses import dataclass

import numpy as np

from ..findings.series import Array
from .measures import Goal
from .runs import GRID, Run
from .statistics import Difference, difference

COPPER = 0.00393
"""Rise of copper's resistance for each K, from 20 °C (IEC 60028)."""

GRAVITY = 9.80665
"""m/s² (ISO 80000-3)."""

WINDOW = 0.25
"""s over which a change of speed is held against the currents that made it (our choice)."""

FIRST = 2.0
"""s of a run over which the rider's hand is averaged (our choice)."""


@dataclass(frozen=True)
class Confounder:
    """One condition that was not the setting.

    ``difference`` is B less A in ``unit``; ``effect`` is what that could make of the time to a
    speed, as a share of it (positive: B slower); ``real`` is True where the difference stands out
    from the scatter, and only then does it count against a verdict.
    """

    key: str
    label: str
    unit: str
    a: float
    b: float
    difference: Difference
    effect: float
    real: bool
    how: str


def confounders(a: Sequence[Run], b: Sequence[Run], goal: Goal) -> tuple[Confounder, ...]:
    """Return every condition that the logs show, largest effect first."""
    both = [*a, *b]
    slopes = apparent_slopes(both, goal)
    pull = _mean_acceleration(both, goal)
    copper = copper_share(both, goal)
    hand = {id(run): _hand(run) for run in both}
    rise = {id(run): value for run, value in zip(both, slopes, strict=True)}
    found: list[Confounder] = []

    def add(
        key: str, label: str, unit: str, value: Callable[[Run], float],
        effect: Callable[[float, float], float], how: str,
    ) -> None:  # fmt: skip
        va, vb = (np.array([value(run) for run in side]) for side in (a, b))
        if not (np.isfinite(va).all() and np.isfinite(vb).all()):
            return
        by = difference(va, vb)
        middle = float(np.mean(np.r_[va, vb]))
        real = by.low > 0 or by.high < 0 or (
            not math.isfinite(by.low) and abs(by.value) > 3 * (by.scatter or 0.0)
        )  # fmt: skip
        found.append(
            Confounder(
                key, label, unit, float(va.mean()), float(vb.mean()), by,
                effect(by.value, middle), bool(real), how,
            )
        )  # fmt: skip

    add("rest_voltage", "Pack voltage before it", "V",
        lambda run: run.before.get("rest_voltage", math.nan),
        lambda d, middle: -d / middle,
        "at a given current power goes with voltage, so time at most in proportion")  # fmt: skip
    add("winding", "Motor temperature before it", "°C",
        lambda run: run.before.get("motor_temperature", math.nan),
        lambda d, _: COPPER * d * copper,
        f"copper's resistance rises by 0.393 %/K (IEC 60028); {copper:.0%} of the power here heats "
        "copper")  # fmt: skip
    add("air", "Air temperature", "°C",
        lambda run: run.before.get("ambient_temperature", math.nan),
        lambda d, _: 0.0,
        "no force to speak of; it shows in the pack and the motors")  # fmt: skip
    add("hand", f"Throttle in the first {FIRST:.0f} s", "1",
        lambda run: hand[id(run)],
        lambda d, middle: -d / middle,
        "where the throttle decides the current, time goes at most in proportion")  # fmt: skip
    add("slope", "Slope and wind, apparent", "m/s²",
        lambda run: rise[id(run)],
        lambda d, _: d / pull if pull > 0 else 0.0,
        f"the pull-back that the motor currents do not explain; 1 % of slope is "
        f"{GRAVITY / 100:.3f} m/s²")  # fmt: skip
    return tuple(sorted(found, key=lambda one: -abs(one.effect)))


def apparent_slopes(runs: Sequence[Run], goal: Goal) -> Array:
    """Return for each run the steady pull-back in m/s² that its currents do not explain.

    Least squares of Newton's law, one row for each :data:`WINDOW`: Δv = k·∫ΣI dt − c·∫v² dt − s·Δt
    with k and c common to all runs and s each run's own.
    """
    rows, changes = [], []
    for number, run in enumerate(runs):
        for first, last in windows(run, goal):
            part = slice(first, last)
            own = np.zeros(len(runs))
            own[number] = -WINDOW
            rows.append(
                np.r_[GRID * run.currents[:, part].sum(), -GRID * np.sum(run.speed[part] ** 2), own]
            )
            changes.append(run.speed[last] - run.speed[first])
    matrix, change = np.array(rows), np.array(changes)
    if len(matrix) < len(runs) + 4:
        return np.full(len(runs), np.nan)
    fitted = np.linalg.lstsq(matrix, change, rcond=None)[0]
    if fitted[1] < 0:  # no drag can push
        fitted = np.r_[0.0, 0.0, np.linalg.lstsq(matrix[:, [0, *range(2, len(matrix[0]))]], change,
                                                 rcond=None)[0][1:]]  # fmt: skip
    return np.asarray(fitted[2:])


def windows(run: Run, goal: Goal) -> list[tuple[int, int]]:
    """Return (first, last) indices of a run's pieces, :data:`WINDOW` long, up to its goal."""
    whole = round(WINDOW / GRID)
    inside = np.flatnonzero((run.time >= 0) & run.inside & (run.speed <= 1.02 * goal.high))
    known = np.isfinite(run.speed) & np.isfinite(run.currents).all(axis=0)
    pairs = zip(inside[::whole].tolist(), inside[whole::whole].tolist(), strict=False)
    return [(i, j) for i, j in pairs if j - i == whole and known[i : j + 1].all()]


def copper_share(runs: Sequence[Run], goal: Goal) -> float:
    """Return the share of the electric power that heats copper, 0 where duty is not measured.

    The resistance of a motor and its leads is what duty × pack voltage shows at standstill for
    each ampere, where there is no back-EMF.
    """
    ohms, heat, power = [], 0.0, 0.0
    for run in runs:
        slow = run.inside & (run.speed < 0.3) & (run.currents > 5).all(axis=0)
        if slow.any():
            volts = (run.duties * run.voltage)[:, slow]
            ohms.append(float(np.median(volts / run.currents[:, slow])))
        moving = run.inside & (run.speed <= goal.high)
        heat += float(np.sum(run.currents[:, moving] ** 2))
        power += float(np.sum((run.voltage * run.battery)[moving]))
    share = float(np.median(ohms)) * heat / power if ohms and power > 0 else 0.0
    return share if 0 <= share <= 1 else 0.0


def _hand(run: Run) -> float:
    early = run.inside & (run.time >= 0) & (run.time <= FIRST)
    return float(np.mean(run.throttle[early])) if early.any() else math.nan


def _mean_acceleration(runs: Sequence[Run], goal: Goal) -> float:
    values = []
    for run in runs:
        ahead = (run.time >= 0) & run.inside & (run.speed <= goal.high)
        if ahead.sum() > 1:
            length = GRID * int(ahead.sum())
            values.append(float(run.speed[ahead][-1] - run.speed[ahead][0]) / length)
    return float(np.mean(values)) if values else 0.0
