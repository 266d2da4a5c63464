"""What the questions about the packs are asked of, where nothing is doubted."""

from typing import Any

from sagline_analyser.findings.cells.fitted import Asked, fit_packs
from sagline_analyser.findings.readings.gathered import Gathered
from sagline_analyser.load.ride import Ride
from sagline_logger.format import BoardFile


def asked(ride: Ride, board: BoardFile | None = None, **wanted: Any) -> Asked:
    """Fit the packs of a ride; ``wanted`` are further fields of what is asked."""
    it = Gathered(ride, board)
    return Asked(it, fit_packs(it), **wanted)
