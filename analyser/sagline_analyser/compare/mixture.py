"""A figure known as well as several of Student's t, of which any may be the right one."""

import math
from dataclasses import dataclass
from functools import lru_cache

import numpy as np

from ..findings.readings.chance import student, student_beyond
from ..findings.readings.series import Array

EVEN = np.linspace(0.0, 8.0, 400)
"""Places at which a chance beyond is tabulated, in arsinh t: fine near 0, and they reach far."""


@dataclass(frozen=True)
class Mixture:
    """``weight`` (n,) adds up to 1; ``centre`` and ``error``, each (n,), are those of the n
    distributions, all of ``free`` degrees of freedom."""

    weight: Array
    centre: Array
    error: Array
    free: float

    def below(self, value: float) -> float:
        """Return the chance that the figure is below ``value``."""
        z = (value - self.centre) / self.error
        beyond = np.interp(np.arcsinh(np.abs(z)), EVEN, _beyond(self.free))
        return float(np.sum(self.weight * np.where(z > 0, 1 - beyond, beyond)))

    def quantile(self, share: float) -> float:
        """Return the value below which the figure is with a chance of ``share``."""
        # The whole's quantile lies between the least and the greatest of its parts'.
        own = self.centre + student(share, self.free) * self.error
        low, high = float(own.min()), float(own.max())
        for _ in range(50):
            middle = (low + high) / 2
            low, high = (middle, high) if self.below(middle) < share else (low, middle)
        return (low + high) / 2

    def p(self) -> float:
        """Return the two-sided p against 0."""
        side = self.below(0.0)
        return min(2 * min(side, 1 - side), 1.0)


@lru_cache(maxsize=16)
def _beyond(free: float) -> Array:
    """Return the chance that Student's t is above the sinh of each of :data:`EVEN`."""
    return np.array([0.5 * student_beyond(math.sinh(x), free) for x in EVEN.tolist()])
