"""Candidate causes of a fault, ranked by the evidence for and against each."""

from sagline_logger.format import BoardFile

from ..load.ride import Ride
from .fault_story import Cause, FaultStory


def rank_causes(ride: Ride, board: BoardFile | None, story: FaultStory) -> tuple[Cause, ...]:
    """Return the causes to weigh for ``story``, the likeliest first."""
    return ()
