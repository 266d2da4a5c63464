"""The pack: open-circuit voltage, resistance and relaxation of every cell group.

Each group is the usual equivalent circuit of battery textbooks: an open-circuit voltage that
depends on the state of charge, an ohmic resistance, and one resistor–capacitor pair.  The pair's
time constant is the same for all groups, so its voltage is R₁·i_f with one filtered current i_f
for the whole pack: exact, and a step costs the same for any number of cells.
"""

import itertools
import math
import random
from bisect import bisect_right

from ..format import SaglineError
from . import parameters

OPEN_CIRCUIT = (
    (0.00, 3.000),
    (0.02, 3.170),
    (0.05, 3.320),
    (0.10, 3.450),
    (0.20, 3.545),
    (0.30, 3.610),
    (0.40, 3.660),
    (0.50, 3.730),
    (0.60, 3.830),
    (0.70, 3.930),
    (0.80, 4.020),
    (0.90, 4.095),
    (1.00, 4.190),
)
"""State of charge to volts at rest: invented, with the shape and end points that handbooks give
for nickel–manganese–cobalt cells (from memory)."""

_CHARGES = tuple(charge for charge, _ in OPEN_CIRCUIT)
_SLOPES = tuple(
    (high[1] - low[1]) / (high[0] - low[0]) for low, high in itertools.pairwise(OPEN_CIRCUIT)
)


def open_circuit_voltage(charge: float) -> float:
    """Return the resting voltage in V at a state of charge; the end slopes go on outside 0 to 1.

    A cell drawn below "empty" falls steeply and one charged past "full" rises, as real ones do.
    """
    at = min(max(bisect_right(_CHARGES, charge) - 1, 0), len(_SLOPES) - 1)
    low_charge, low_voltage = OPEN_CIRCUIT[at]
    return low_voltage + (charge - low_charge) * _SLOPES[at]


def current_for_power(source: float, resistance: float, power: float) -> float:
    """Return the current (A) at which a source of ``source`` V behind ``resistance`` Ω gives
    ``power`` W at its terminals; negative power charges.

    The smaller root of R·I² − E·I + P = 0, written so that it keeps its digits near P = 0.
    """
    root = source * source - 4.0 * resistance * power
    if root < 0.0:
        raise SaglineError(
            f"the pack cannot give {power:.0f} W at {source:.1f} V",
            where="simulated board",
            remedy="lower the battery-current limit",
        )
    return 2.0 * power / (source + math.sqrt(root))


class CellPack:
    """State of a pack.  Call :meth:`draw` each step and :meth:`settle` now and then."""

    def __init__(self, pack: parameters.Pack, seed: int, step: float) -> None:
        self.pack = pack
        spread = random.Random(f"cells {seed}")  # its own stream: noise draws cannot shift it
        self.capacities: list[float] = []
        """A·s of each group."""
        self.ohmic: list[float] = []
        self.relaxation: list[float] = []
        for cell in range(1, pack.series + 1):
            weak = cell == pack.weak_cell
            size = 1.0 + pack.spread * spread.gauss(0.0, 1.0)
            path = 1.0 + pack.spread * spread.gauss(0.0, 1.0)
            path *= pack.weak_resistance if weak else 1.0
            self.capacities.append(
                3600.0 * pack.capacity * size * (pack.weak_capacity if weak else 1.0)
            )
            self.ohmic.append(pack.ohmic_resistance * path)
            self.relaxation.append(pack.relaxation_resistance * path)
        self.total_ohmic = math.fsum(self.ohmic)
        self.total_relaxation = math.fsum(self.relaxation)
        self.step = step
        self._decay = math.exp(-step / pack.relaxation_time)
        self.drawn = (1.0 - pack.initial_charge) * 3600.0 * pack.capacity
        """A·s drawn since all groups were full."""
        self.filtered = 0.0
        self.current = 0.0
        self.resting: list[float] = []
        """Open-circuit voltage of each group."""
        self.emf = 0.0
        self.voltage = 0.0
        self.settle()

    def settle(self) -> None:
        """Refresh the open-circuit voltages from the charge; they move far slower than a step."""
        drawn = self.drawn
        self.resting = [open_circuit_voltage(1.0 - drawn / size) for size in self.capacities]
        self.emf = math.fsum(self.resting)
        self._measure()

    def _measure(self) -> None:
        """Refresh the terminal voltage, so that it is always the sum of the groups' voltages."""
        self.voltage = (
            self.emf - self.total_relaxation * self.filtered - self.total_ohmic * self.current
        )

    def draw(self, power: float) -> float:
        """Give ``power`` W at the terminals for one step and return the current in A."""
        source = self.emf - self.total_relaxation * self.filtered
        current = current_for_power(source, self.total_ohmic, power)
        self.current = current
        self.drawn += current * self.step
        self.filtered = current + (self.filtered - current) * self._decay
        self._measure()
        return current

    def state_of_charge(self, cell: int) -> float:
        """Return the state of charge of group ``cell`` (counted from 1)."""
        return 1.0 - self.drawn / self.capacities[cell - 1]

    def mean_charge(self) -> float:
        """Return the mean state of charge of the groups, as a good monitor would report it."""
        groups = range(1, self.pack.series + 1)
        return min(max(sum(map(self.state_of_charge, groups)) / self.pack.series, 0.0), 1.0)

    def cell_voltage(self, cell: int) -> float:
        """Return the terminal voltage in V of group ``cell`` (counted from 1)."""
        at = cell - 1
        return (
            self.resting[at] - self.relaxation[at] * self.filtered - self.ohmic[at] * self.current
        )

    def cell_voltages(self) -> list[float]:
        """Return the terminal voltage in V of every group."""
        filtered, current = self.filtered, self.current
        return [
            resting - slow * filtered - fast * current
            for resting, slow, fast in zip(self.resting, self.relaxation, self.ohmic, strict=True)
        ]

    def stored_in_pairs(self) -> float:
        """Return the energy in J held by the capacitors of the RC pairs, ½·C₁·u² summed."""
        return 0.5 * self.pack.relaxation_time * self.total_relaxation * self.filtered**2
