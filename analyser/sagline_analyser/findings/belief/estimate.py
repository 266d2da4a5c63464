"""A value with the half-width of its 90 % interval."""

from dataclasses import dataclass

import numpy as np

from ..readings.quantiles import median, quantile
from ..readings.series import Array

NORMAL = 1.645
"""Half-width of a 90 % interval in standard deviations of a normal distribution."""


@dataclass(frozen=True)
class Estimate:
    """``value`` and the half-width ``error`` of its 90 % interval, in one unit."""

    value: float
    error: float

    @property
    def low(self) -> float:
        """Lower end of the interval."""
        return self.value - self.error

    @property
    def high(self) -> float:
        """Upper end of the interval."""
        return self.value + self.error


def of_draws(draws: Array) -> Estimate:
    """Return the median of equally likely draws, and the half-width that holds 90 % of them."""
    middle = median(draws)
    return Estimate(middle, quantile(np.abs(draws - middle), 0.9))
