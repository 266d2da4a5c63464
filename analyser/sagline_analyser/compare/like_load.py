"""What the motor currents alone make of a launch, at one load, slope and wind for all.

How fast a vehicle gains speed for an ampere depends on its load, the road and the air, none of
which a current limit changes; which current flows at a speed is the limit's own doing.  So the time
that the measured currents would take in the mean vehicle of all stretches tells what a setting of
the controllers did, and what is left over is the ride.
"""

import math
from collections.abc import Sequence
from dataclasses import dataclass

import numpy as np

from ..findings.readings.chance import student
from ..findings.readings.series import Array
from .measures import Goal
from .mixture import Mixture
from .runs import GRID, Run
from .statistics import LEVEL, Difference

GRAVITY = 9.80665
"""m/s² (ISO 80000-3)."""

WINDOW = 0.25
"""s over which a change of speed is held against the currents that made it (our choice)."""

ROAD = (0.15, 0.25)
"""m/s² of steady pull-back that a launch's place and tyres have, mean and standard deviation: tyres
take 0.5 to 2 % of g, and a place chosen for launches rises or falls by 2 % at most (our choice)."""

PLACE = 0.10
"""m/s², standard deviation, by which launches at one place differ in slope and wind: 1 % of slope,
or 3 m/s of wind on a rider at walking to cycling speed (our choice)."""

AIR = (0.003, 0.003)
"""1/m of drag (½·ρ·c_w·A/m), mean and standard deviation: 0.6 kg/m³ × 0.5 m² on 100 kg (ours)."""

STRUCTURE = 0.12
"""Share, standard deviation, by which the effect that the currents explain may be wrong: torque
that does not go with current, gears, tyres (ours, on tests/trust/compare_bench.py)."""

SATURATES = 0.09
"""Share by which it is expected to be smaller, for torque falls behind the current as iron
saturates and tyres slip, and never runs ahead of it (ours, on tests/trust/compare_bench.py)."""

AS_TYPICAL = 2.0
"""Degrees of freedom that the typical spread of stretches counts for beside their own, where times
correct what currents explain: two stretches a side may lie together by luck (our choice)."""

LEAST = 0.001
"""Share of the time, standard deviation, by which it may be wrong however small it is (ours, on
tests/trust/compare_bench.py)."""

BINS = 12
"""Steps of speed up to the goal."""


@dataclass(frozen=True)
class Fit:
    """``push``: m/s² for each ampere of all motors together; ``slopes`` (runs,): steady pull-back
    of each run in m/s²; ``pieces``: how many :data:`WINDOW` long pieces it rests on."""

    push: float
    slopes: Array
    pieces: int


def fit(runs: Sequence[Run], goal: Goal) -> Fit | None:
    """Fit Newton's law to all runs, None where they are too short for it.

    One row for each :data:`WINDOW`: Δv = k·∫ΣI dt − c·∫v² dt − (s + d)·Δt with k, c and s common
    and d each run's own.  Where launches are held at one current, current and slope cannot be told
    apart by the rows alone, so s, d and c are bounded by what a road, a place and air can be.
    """
    rows, changes, owner = [], [], []
    for number, run in enumerate(runs):
        for first, last in windows(run, goal):
            part = slice(first, last)
            rows.append(
                (GRID * run.currents[:, part].sum(), -GRID * np.sum(run.speed[part] ** 2), -WINDOW)
            )
            changes.append(run.speed[last] - run.speed[first])
            owner.append(number)
    if len(rows) < len(runs) + 4:
        return None
    common, change = np.array(rows), np.array(changes)
    own = np.zeros((len(rows), len(runs)))
    own[np.arange(len(rows)), owner] = -WINDOW
    matrix = np.hstack([common, own])
    # What is known beforehand, as rows of their own; the current's force is not.
    size = matrix.shape[1]
    known, wanted = np.zeros((size - 1, size)), np.zeros(size - 1)
    for row, (at, mean, sd) in enumerate(
        [(1, *AIR), (2, *ROAD), *((at, 0.0, PLACE) for at in range(3, size))]
    ):
        known[row, at], wanted[row] = 1 / sd, mean / sd
    noise = 0.05
    for _ in range(3):
        found = np.linalg.lstsq(
            np.vstack([matrix / noise, known]), np.r_[change / noise, wanted], rcond=None
        )[0]
        # Misfit of neighbours goes together: it counts as three times its size.
        noise = 3 * max(float(np.std(matrix @ found - change)), 0.005)
    if not found[0] > 0:
        return None
    return Fit(float(found[0]), np.asarray(found[2] + found[3:]), len(rows))


def windows(run: Run, goal: Goal) -> list[tuple[int, int]]:
    """Return (first, last) indices of a run's pieces, :data:`WINDOW` long, up to its goal."""
    whole = round(WINDOW / GRID)
    inside = np.flatnonzero((run.time >= 0) & run.inside & (run.speed <= 1.02 * goal.high))
    known = np.isfinite(run.speed) & np.isfinite(run.currents).all(axis=0)
    pairs = zip(inside[::whole].tolist(), inside[whole::whole].tolist(), strict=False)
    return [(i, j) for i, j in pairs if j - i == whole and known[i : j + 1].all()]


def times(runs: Sequence[Run], low: float, high: float, push: float) -> Array | None:
    """Return for each run the s from ``low`` to ``high`` m/s that its currents would take in the
    mean vehicle, shape (runs,); None where a run does not show it.

    In each step of speed the mean vehicle gains what all runs gained on average, and ``push`` times
    what a run's current had more than the average.
    """
    levels = np.linspace(low, high, BINS + 1)
    spent, drawn = (np.zeros((len(runs), BINS)) for _ in range(2))
    for row, run in enumerate(runs):
        ahead = np.flatnonzero((run.time >= -0.5) & run.inside & np.isfinite(run.speed))
        if len(ahead) < BINS:
            return None
        speed = np.maximum.accumulate(run.speed[ahead])
        total = run.currents[:, ahead].sum(axis=0)
        if speed[-1] < high or not np.isfinite(total).all():
            return None
        keep = np.r_[True, np.diff(speed) > 0]
        passed = np.interp(levels, speed[keep], run.time[ahead][keep])
        charge = np.r_[0.0, np.cumsum((total[1:] + total[:-1]) / 2 * np.diff(run.time[ahead]))]
        spent[row] = np.diff(passed)
        drawn[row] = np.diff(np.interp(passed, run.time[ahead], charge))
    usual = spent.mean(axis=0)
    gain = np.diff(levels) / usual
    current = drawn / np.maximum(spent, 1e-6)
    more = current - drawn.sum(axis=0) / spent.sum(axis=0)
    return np.asarray(np.sum(np.diff(levels) / np.maximum(gain + push * more, 0.2 * gain), axis=1))


def joined(direct: Difference, currents: Difference, whole: float, typical: float) -> Difference:
    """Return the setting's effect from both: what the ``currents`` explain, corrected by what was
    measured ``direct`` as far as the rides' own spread allows, beside the ``typical`` one (the
    standard deviation of stretches as a share of the ``whole`` time).

    The effect is what the currents explain, less :data:`SATURATES` of it, plus a misfit of
    :data:`STRUCTURE` of it and :data:`LEAST` of the time, of which the directly measured rest is a
    sample blurred by how rides differ.  Both blurs are Student's t; the sum is summed up on a grid.
    """
    if not (math.isfinite(direct.error) and math.isfinite(currents.error)):
        return direct
    blur, free = direct.error, direct.free
    if not direct.typical:  # else it rests on the typical spread as it is
        usual = typical * whole * math.sqrt(sum(1 / count for count in direct.stretches))
        blur = math.sqrt((free * blur**2 + AS_TYPICAL * usual**2) / (free + AS_TYPICAL))
        free += AS_TYPICAL
    misfit = max(math.hypot(STRUCTURE * currents.value, LEAST * whole), 1e-9)
    away = np.linspace(-4, 4, 201)
    steps = away * misfit - SATURATES * currents.value
    rest = direct.value - currents.value
    weight = np.exp(-0.5 * away**2) * (1 + ((rest - steps) / max(blur, 1e-9)) ** 2 / free) ** (
        -(free + 1) / 2
    )
    effect = Mixture(
        weight / weight.sum(),
        currents.value + steps,
        np.full(len(steps), max(currents.error, 1e-9)),
        currents.free,
    )
    low, value, high = map(effect.quantile, ((1 - LEVEL) / 2, 0.5, (1 + LEVEL) / 2))
    return Difference(
        value,
        low,
        high,
        max(effect.p(), currents.p),
        direct.scatter,
        direct.repeats,
        direct.stretches,
        currents.spread,
        currents.free,
        direct.typical,
        (high - low) / 2 / student(0.5 + LEVEL / 2, currents.free),
    )
