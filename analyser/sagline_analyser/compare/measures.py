"""What one launch or pull comes to: seconds, metres, amperes, volts, watt-hours."""

import math
from collections.abc import Sequence
from dataclasses import dataclass

import numpy as np

from ..findings.readings.series import Array
from .runs import GRID, MOVING, Run, crossing

THREE = 3.0
"""s after which the distance is taken."""


@dataclass(frozen=True)
class Measure:
    """One figure of a run: ``better`` is −1 where less is better for the rider or the parts, 1
    where more is; ``how`` says how it is found."""

    key: str
    label: str
    unit: str
    better: int
    how: str


@dataclass(frozen=True)
class Goal:
    """What the runs of one kind are measured over: from ``low`` to ``high`` m/s."""

    kind: str
    low: float
    high: float

    @property
    def words(self) -> str:
        """The span of speeds in the reader's unit."""
        if self.kind == "launch":
            return f"{3.6 * self.high:.0f} km/h"
        return f"{3.6 * self.low:.1f} to {3.6 * self.high:.1f} km/h"


def launch_goal(runs: Sequence[Run]) -> Goal:
    """Return the highest whole km/h that every one of the launches passed by a clear margin."""
    lowest = min(run.top for run in runs)
    return Goal("launch", MOVING, max(1.0, math.floor(3.6 * 0.97 * lowest)) / 3.6)


def measures(goal: Goal) -> tuple[Measure, ...]:
    """Return the measures of runs of this kind, the one to judge by first."""
    launch = goal.kind == "launch"
    to = f"to {goal.words}" if launch else goal.words
    from_ = f"from {3.6 * MOVING:.1f} km/h on" if launch else f"from {3.6 * goal.low:.1f} km/h on"
    clock = f"{from_}, speed averaged over 0.1 s"
    whole = f"while the clock of the time {to} runs"
    half = f"{1.8 * goal.high:.0f} km/h"
    return (
        Measure("time_to_speed", f"Time {to}", "s", -1, clock),
        *(
            (
                Measure("time_to_half", f"Time to {half}", "s", -1, clock),
                Measure("distance", "Distance in 3 s", "m", 1, f"∫ speed dt {from_}"),
            )
            if launch
            else ()
        ),
        Measure("peak_battery", "Peak battery current", "A", -1, f"largest sample {whole}"),
        Measure("mean_battery", "Mean battery current", "A", -1, f"mean over time {whole}"),
        Measure("peak_motor", "Peak motor current", "A", -1, f"largest mean of the motors {whole}"),
        Measure("mean_motor", "Mean motor current", "A", -1, f"mean of the motors {whole}"),
        Measure(
            "heat",
            "Heat in a motor",
            "A²s",
            -1,
            f"∫ i² dt, mean of the motors, {whole}: copper loss for each ohm",
        ),
        Measure(
            "sag",
            "Voltage sag",
            "V",
            -1,
            f"mean of the second before it less the lowest sample {whole}",
        ),
        Measure("energy", "Energy", "Wh", -1, f"∫ pack voltage × battery current dt {whole}"),
    )


def figures(run: Run, goal: Goal) -> dict[str, float]:
    """Return the run's figures by measure key, NaN where it lacks what one needs."""
    time, speed = run.time, run.speed
    ahead = (time >= 0) & run.inside
    to_speed = _reach(time[ahead], speed[ahead], goal.high)
    during = ahead & (time <= to_speed)
    motor = np.abs(run.currents).mean(axis=0)
    power = run.voltage * run.battery
    found = {
        "time_to_speed": to_speed,
        "peak_battery": _most(run.battery[during]),
        "mean_battery": _mean(run.battery[during]),
        "peak_motor": _most(motor[during]),
        "mean_motor": _mean(motor[during]),
        "heat": float(np.sum((run.currents**2).mean(axis=0)[during])) * GRID,
        "sag": run.before.get("rest_voltage", math.nan) + _most(-run.voltage[during]),
        "energy": float(np.sum(power[during])) * GRID / 3600,
    }
    if goal.kind == "launch":
        first = (time >= 0) & (time <= THREE)
        whole = run.end - run.zero >= THREE
        found["time_to_half"] = _reach(time[ahead], speed[ahead], goal.high / 2)
        found["distance"] = float(np.sum(speed[first])) * GRID if whole else math.nan
    return found


def _reach(time: Array, speed: Array, level: float) -> float:
    found = crossing(time, speed, level)
    return math.nan if found is None else found


def _most(values: Array) -> float:
    return float(np.max(values)) if len(values) else math.nan


def _mean(values: Array) -> float:
    return float(np.mean(values)) if len(values) else math.nan
