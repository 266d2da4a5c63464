"""What the questions about the packs are asked of, and what lies behind their answers."""

import math
from typing import Any

import numpy as np

from sagline_analyser.findings.belief.estimate import Estimate
from sagline_analyser.findings.cells.fitted import PLATEAU, Asked, PackFit, fit_packs
from sagline_analyser.findings.energy.charge_state import ChargeState
from sagline_analyser.findings.energy.pack_range import Reach, way_of
from sagline_analyser.findings.readings.gathered import Gathered
from sagline_analyser.findings.readings.unknown import NotKnown
from sagline_analyser.load.ride import Ride
from sagline_logger.format import BoardFile


def asked(ride: Ride, board: BoardFile | None = None, **wanted: Any) -> Asked:
    """Fit the packs of a ride; ``wanted`` are further fields of what is asked."""
    it = Gathered(ride, board)
    return Asked(it, fit_packs(it), **wanted)


def reach(
    it: Gathered,
    pack: PackFit,
    other_capacity: float | None = None,
    state: ChargeState | NotKnown | None = None,
) -> Reach | NotKnown:
    """Return how far ``pack`` goes from where the ride left it.

    With ``other_capacity`` (Ah, as stated for the cells): how far a full pack of that capacity
    goes, of like cells, its resistance smaller as its capacity is greater.  ``state`` is the
    pack's, if at hand.
    """
    how = way_of(it, pack, state)
    return how if isinstance(how, NotKnown) else how.reach(other_capacity)


def cell_capacities(pack: PackFit, state: ChargeState) -> dict[int, Estimate]:
    """Return the Ah that each cell holds, by number: none where cells are not told apart, nor on
    the plateau of iron phosphate, where the analyser calls none small either."""
    if pack.unequal is None or pack.rests is None:
        return {}
    if float(np.median(pack.rests.voltage)) <= PLATEAU:
        return {}
    whole = state.belief.capacity
    found = {}
    for number, one in zip(pack.numbers, pack.unequal, strict=True):
        value = whole.value * one.size.value
        share = math.hypot(whole.error / whole.value, one.size.error / one.size.value)
        found[number] = Estimate(value, share * value)
    return found
