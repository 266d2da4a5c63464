"""What else differed between the sides, and how much of a difference that could make by itself."""

import math
from collections.abc import Callable, Sequence
from dataclasses import dataclass, replace

import numpy as np

from ..findings.readings.copper import COPPER
from ..findings.readings.course import SPAN
from ..findings.readings.series import Array
from .like_load import GRAVITY, Fit
from .measures import Goal, figures
from .runs import GRID, Run
from .statistics import Difference, launchwise

STEEP = 3.0
"""Times as much that a time goes with voltage where the duty ceiling is near, for the last of the
speed comes slowly there (our choice, on tests/trust/compare_bench.py: 2 to 3)."""

FIRST = 2.0
"""s of a run over which the rider's hand is averaged (our choice)."""


@dataclass(frozen=True)
class Confounder:
    """One condition that was not the setting.

    ``difference`` is B less A in ``unit``; ``effect`` is what that could make of the time to a
    speed, as a share of it (positive: B slower); ``real`` is True where the difference stands out
    from the scatter of the launches, and only then does it count against a verdict, unless
    ``taken_out`` says how it was taken out of the figures.  ``stretches`` are the means of each
    stretch, (side, number, mean), in the order ridden.
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
    stretches: tuple[tuple[str, int, float], ...]
    taken_out: str = ""


def confounders(
    a: Sequence[Run],
    b: Sequence[Run],
    goal: Goal,
    fitted: Fit | None,
    left: Array | None,
    ceiling: bool = False,
) -> tuple[Confounder, ...]:
    """Return every condition that the logs show, largest effect first.

    ``fitted`` is Newton's law fitted to the runs of A and then of B; ``left`` (runs,) the s of each
    that the currents do not explain, if known; ``ceiling`` says that the duty ceiling held them
    back as well.
    """
    both = [*a, *b]
    slopes = np.full(len(both), math.nan) if fitted is None else fitted.slopes
    pull = _mean_acceleration(both, goal)
    copper = copper_share(both, goal)
    rise = {id(run): value for run, value in zip(both, slopes, strict=True)}
    found: list[Confounder] = []

    def add(
        key: str,
        label: str,
        unit: str,
        value: Callable[[Run], float],
        effect: Callable[[float, float], float],
        how: str,
    ) -> None:
        va, vb = (np.array([value(run) for run in side]) for side in (a, b))
        if not (np.isfinite(va).all() and np.isfinite(vb).all()):
            return
        by = launchwise(va, vb)
        middle = float(np.mean(np.r_[va, vb]))
        values = dict(zip([id(run) for run in both], np.r_[va, vb].tolist(), strict=True))
        numbers = sorted({(run.part, run.side) for run in both})
        means = tuple(
            (side, part, float(np.mean([values[id(r)] for r in both if r.part == part])))
            for part, side in numbers
        )
        found.append(
            Confounder(
                key,
                label,
                unit,
                float(va.mean()),
                float(vb.mean()),
                by,
                effect(by.value, middle),
                by.low > 0 or by.high < 0,
                how,
                means,
            )
        )

    add(
        "rest_voltage",
        "Pack voltage before it",
        "V",
        lambda run: run.before.get("rest_voltage", math.nan),
        lambda d, middle: -d / middle * (STEEP if ceiling else 1.0),
        "at a given current power goes with voltage, so time at most in proportion"
        + (f", near the duty ceiling up to {STEEP:.0f} times as much" if ceiling else ""),
    )
    add(
        "winding",
        "Motor temperature before it",
        "°C",
        lambda run: run.before.get("motor_temperature", math.nan),
        lambda d, _: COPPER * d * copper,
        f"copper's resistance rises by 0.393 %/K (IEC 60028); {copper:.0%} of the power here heats "
        "copper",
    )
    add(
        "air",
        "Air temperature",
        "°C",
        lambda run: run.before.get("ambient_temperature", math.nan),
        lambda d, _: 0.0,
        "no force to speak of; it shows in the pack and the motors",
    )
    add(
        "hand",
        f"Throttle in the first {FIRST:.0f} s",
        "1",
        hand,
        lambda d, middle: -d / middle,
        "where the throttle decides the current, time goes at most in proportion",
    )
    pieces = 0 if fitted is None else fitted.pieces
    add(
        "slope",
        "Slope, wind and load, apparent",
        "m/s²",
        lambda run: rise[id(run)],
        lambda d, _: _left_over(d, pull, left, len(a), both, goal),
        f"the pull-back that the motor currents do not explain, by Newton's law from {pieces} "
        f"quarter-seconds; 1 % of slope is {GRAVITY / 100:.3f} m/s²",
    )
    add(
        "grade",
        "Slope by the altitude",
        "1",
        lambda run: run.before.get("grade", math.nan),
        lambda d, _: _pulled_back(GRAVITY * d, pull),
        f"rise over way over {SPAN:.0f} m; 1 % pulls back {GRAVITY / 100:.3f} m/s²",
    )
    # What the currents do not explain has this slope in it: it counts once.
    whole = next((one for one in found if one.key == "slope"), None)
    if whole is not None:
        said = f"it is part of: {whole.label[0].lower()}{whole.label[1:]}"
        found = [replace(o, taken_out=said) if o.key == "grade" else o for o in found]
    return tuple(sorted(found, key=lambda one: -abs(one.effect)))


def _pulled_back(d: float, pull: float) -> float:
    """Return the share by which ``d`` m/s² of pull-back lengthens a run of ``pull`` m/s²."""
    return d / (pull - d / 2) if pull > abs(d) else 0.0


def _left_over(
    d: float, pull: float, left: Array | None, on_a: int, runs: Sequence[Run], goal: Goal
) -> float:
    """Return the share of A's time that slope, wind and load make: what currents do not explain."""
    if left is None:
        return _pulled_back(d, pull)
    whole = float(np.mean([figures(run, goal)["time_to_speed"] for run in runs[:on_a]]))
    return float(left[on_a:].mean() - left[:on_a].mean()) / whole


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


def hand(run: Run) -> float:
    """Return the mean throttle of the first :data:`FIRST` s, NaN where none is known."""
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
