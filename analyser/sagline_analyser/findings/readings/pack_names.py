"""What the packs of a ride are called, so that rides of one pack can be told from rides of another.

A mark ``pack: NAME`` names the pack in the vehicle at that moment.  The setting ``pack`` (``record
--pack NAME``) names the one that the ride began with.  Else a ride on one pack takes the names of
the board file's units; a ride with a swap does not, for one of its packs is not the file's.
"""

from collections.abc import Sequence

from sagline_logger.format import BoardFile

from ...load.ride import Ride
from .packs import PACK_SETTING, PackSpan, name_in, plain_name


def pack_names(ride: Ride, board: BoardFile | None, spans: Sequence[PackSpan]) -> tuple[str, ...]:
    """Return the name of each of the packs, "" where it is not known."""
    return tuple(_name(ride, board, spans, span) for span in spans)


def _name(ride: Ride, board: BoardFile | None, spans: Sequence[PackSpan], span: PackSpan) -> str:
    last = span is spans[-1]
    for mark in reversed(ride.marks):
        inside = span.start <= mark.time and (mark.time < span.end or last)
        if inside and (name := name_in(mark.text)):
            return name
    if span is spans[0] and (name := plain_name(ride.settings.get(PACK_SETTING, ""))):
        return name
    if board is not None and len(spans) == 1:
        return plain_name(" + ".join(unit.name for unit in board.battery.units))
    return ""
