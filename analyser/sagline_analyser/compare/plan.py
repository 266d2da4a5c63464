"""What a test can find, told before it is ridden."""

import math
from collections.abc import Sequence
from dataclasses import dataclass

import numpy as np

from sagline_logger.format import UsageError

from .comparison import CURRENTS, TYPICAL, Comparison
from .learnt import AS_LAUNCHES
from .like_load import fit, times
from .statistics import OWN, TYPICAL_FREE, power, smallest

SCATTER = 0.012
"""Standard deviation, as a share, by which the times of one ride's launches typically differ."""


@dataclass(frozen=True)
class Plan:
    """A test in ``order`` (a letter a stretch) with ``launches`` a stretch, judged by a time.

    ``spread`` is the standard deviation of stretch means as a share of the time, ``free`` the
    degrees of freedom it will be known with, and ``measured`` whether it was measured or is the
    typical one.  ``finds`` is the smallest true difference, as a share, that is found four times in
    five.
    """

    order: str
    launches: int
    spread: float
    free: float
    measured: bool
    electric: bool
    finds: float
    text: str

    @property
    def error(self) -> float:
        """Standard error of the difference, as a share."""
        return self.spread * math.sqrt(1 / self.order.count("A") + 1 / self.order.count("B"))

    def chance(self, size: float) -> float:
        """Return the chance that a true difference of ``size`` (a share) is found."""
        return power(size, self.error, self.free)


def plan(
    order: str, launches: int, electric: bool = True, ridden: Comparison | None = None
) -> Plan:
    """Return what ``order`` can find, from the stretches ``ridden`` already or the typical spread.

    ``electric`` says that a limit of the controllers is to be changed, whose effect is told apart
    from load, wind and slope by the currents.

    Raises:
        SaglineError: the order lacks a side, or has no launch.
    """
    order = order.upper().replace(",", "").replace(" ", "")
    if set(order) != {"A", "B"} or launches < 1:
        raise UsageError(
            f'"{order}" of {launches} launches is no test of A against B',
            where="--plan",
            remedy="such as ABBA, with --launches 6",
        )
    between, scatter, measured = _spread(electric, ridden)
    spread = math.hypot(between, scatter / math.sqrt(launches))
    free: float = len(order) - 2
    if free < OWN:
        free += TYPICAL_FREE
    elif electric:
        free += AS_LAUNCHES
    scale = math.sqrt(1 / order.count("A") + 1 / order.count("B"))
    finds = smallest(spread * scale, free)
    basis = (
        f"measured: stretches differ by {spread:.1%}"
        if measured
        else f"typical, nothing is ridden yet: stretches taken to differ by {between:.1%}, "
        f"launches within them by {scatter:.1%}"
    )
    text = (
        f"With {', '.join(order)} of {launches} launches each, a difference of {finds:.1%} in the "
        f"time is found four times in five ({basis}; {free:g} degrees of freedom"
        f"{'; a limit of the controllers, told apart by the motor currents' * electric})."
    )
    return Plan(order, launches, spread, free, measured, electric, finds, text)


def _spread(electric: bool, ridden: Comparison | None) -> tuple[float, float, bool]:
    """Return the deviation between stretches and of launches within them, and whether measured."""
    typical = TYPICAL["time_to_speed"] * (CURRENTS if electric else 1.0)
    if ridden is None:
        return typical, SCATTER, False
    values = _by_stretch(ridden, electric)
    if len(values) < OWN + 1:
        return typical, SCATTER, False
    means = np.array([float(np.mean(one)) for one in values])
    return float(means.std(ddof=1)) / float(means.mean()), 0.0, True


def _by_stretch(ridden: Comparison, electric: bool) -> list[list[float]]:
    """Return the times of A's launches by stretch, or where the setting acts by way of the currents
    those that the currents alone would make."""
    group = ridden.main
    runs = group.side("A")
    spent: Sequence[float] = group.row("time_to_speed").a
    fitted = fit(runs, group.goal) if electric else None
    if fitted is not None:
        explained = times(runs, group.goal.low, group.goal.high, fitted.push)
        spent = spent if explained is None else explained.tolist()
    return [
        [v for v, run in zip(spent, runs, strict=True) if run.part == number]
        for number in sorted({run.part for run in runs})
    ]
