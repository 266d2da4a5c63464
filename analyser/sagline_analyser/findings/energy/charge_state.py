"""How full a pack was: what is believed of its charge, in the words of an answer."""

import math
from dataclasses import dataclass

from sagline_logger.format import BoardFile
from sagline_logger.format.counting import several

from ..belief.charge import Charge, find_charge
from ..belief.curves import says_iron
from ..belief.history import PackHistory
from ..cells.fitted import PackFit
from ..readings.packs import pack_capacity
from ..readings.unknown import NotKnown

CLOSE = 0.15
"""Half-width of a state of charge up to which it is told as a figure; beyond, only between what it
lies is told, since its middle would say more than is known (our choice)."""

IRON_MOST = 3.75
"""V at rest that no iron-phosphate cell keeps."""


@dataclass(frozen=True)
class ChargeState:
    """State of charge (0 to 1) at a pack's start and end with the half-widths of their 90 %
    intervals, of its middle cell, and ``how`` it was found; ``lowest`` that of the lowest cell at
    the end.  ``counted`` says whether it was counted down from full; ``belief`` is behind it.
    Where the end is not ``close``, only ``within`` is told."""

    start: float
    start_error: float
    end: float
    end_error: float
    lowest: float
    counted: bool
    how: str
    belief: Charge

    @property
    def close(self) -> bool:
        """Whether the state of charge at the end is known closely enough to be told as a figure."""
        return self.end_error <= CLOSE

    @property
    def within(self) -> tuple[float, float]:
        """The ends of the 90 % interval at the end as it is told, not clipped where it is close."""
        if self.close:
            return self.end - self.end_error, self.end + self.end_error
        return self.belief.end_within

    @property
    def words(self) -> str:
        """How full it is at the end."""
        if self.close:
            return f"{self.end:.0%} ± {self.end_error:.0%}"
        low, high = self.within
        return f"between {math.floor(100 * low)} % and {math.ceil(100 * high)} %"


def charge_state(
    pack: PackFit, board: BoardFile | None, history: PackHistory | None = None
) -> ChargeState | NotKnown:
    """Return how full a pack was."""
    battery = board.battery if board else None
    if isinstance(pack.fit, NotKnown):
        return pack.fit
    rests = pack.rests
    if rests is None:
        return NotKnown("needs a fit of the cells")
    count = 1
    if not pack.cells:
        if battery is None or not battery.cells:
            return NotKnown("needs the cell voltages, or the number of cells in a board file")
        count = battery.cells
    highest = float(rests.voltage.max()) / count
    if battery and any(says_iron(unit.chemistry) for unit in battery.units) and highest > IRON_MOST:
        return NotKnown(
            f"the board file states iron-phosphate cells, but they rest at {highest:.2f} V, which "
            "such cells do not keep"
        )
    stated = pack_capacity(battery) if battery else None
    full = pack.said_full
    found = find_charge(rests, battery, stated, history, count, full, pack.under_way)
    behind = max((one.behind.value for one in pack.unequal or ()), default=0.0)
    lowest = found.end.value - max(behind, 0.0) / found.capacity.value
    return ChargeState(
        found.start.value,
        found.start.error,
        found.end.value,
        found.end.error,
        lowest,
        found.counted,
        _how(found, stated, full),
        found,
    )


def _how(found: Charge, stated: float | None, said_full: bool) -> str:
    parts = [
        "voltages at rest along the ride, on curves of several makes",
        f"{found.drawn:.2f} Ah counted",
    ]
    if found.counted:
        parts.insert(0, "started full, as was said" if said_full else "started full")
    parts.append(f"a stated capacity of {stated:g} Ah" if stated else "no stated capacity")
    if found.rides:
        parts.append(f"{several(found.rides, 'earlier ride')} of this pack")
    return ", ".join(parts)
