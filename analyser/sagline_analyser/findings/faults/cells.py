"""What the belief on the cells says of a moment: the words of the low-cell and the cells answer.

Whether a cell was empty or pulled down by the load is judged in one place, :mod:`.low_cell`; a
fault's candidates take that judgement as it is.
"""

from collections.abc import Sequence
from functools import cached_property

from ..cells.fitted import Asked, Cell, PackCells, PackFit, fit_packs, measure_cells
from ..cells.low_cell import LowCell, judge_low_cells, judge_span
from ..readings.gathered import Gathered
from ..readings.series import Series
from ..readings.spans import Span
from ..readings.unknown import NotKnown

AT_ONCE = 3.0
"""s between a moment and an alarm's lowest reading within which they are one (our choice)."""


class CellBelief:
    """The cells of a ride as believed, worked out when first asked: most faults do not ask."""

    def __init__(self, it: Gathered, packs: Sequence[PackFit] | None = None) -> None:
        self.it: Gathered = it
        self._packs = packs

    @cached_property
    def packs(self) -> Sequence[PackFit]:
        """The packs of the ride, those handed over if there were any."""
        return self._packs if self._packs is not None else fit_packs(self.it)

    @cached_property
    def alarms(self) -> tuple[LowCell, ...]:
        """Every low-cell alarm, as that answer judges it."""
        found = judge_low_cells(Asked(self.it, tuple(self.packs)))
        return () if isinstance(found, NotKnown) else found

    def low_at(self, key: str, series: Series, value: float, when: float, level: float) -> LowCell:
        """Return the alarm of cell ``key`` that was at its lowest about ``when`` s, else the same
        judgement of that moment, at which it read ``value`` V, against ``level`` V: an alarm that
        goes on may end with a cell empty that had only sagged when it began."""
        for alarm in self.alarms:
            inside = alarm.span.start <= when <= alarm.span.end
            same = alarm.cell == self.it.ride.index(key)
            if inside and same and abs(alarm.span.peak_time - when) <= AT_ONCE:
                return alarm
        span = Span(when, when, value, when, 0.0, 1, False)
        full = self.it.board.battery.cell_full if self.it.board else None
        return judge_span(self.it, self._pack(when), key, series, span, level, full)

    def compared(self, number: int, when: float) -> Cell | None:
        """Return cell ``number`` as the cells answer compares it; None where it cannot."""
        found = self._compared(self._pack(when))
        if found is None:
            return None
        return next((cell for cell in found.cells if cell.number == number), None)

    def _compared(self, pack: PackFit) -> PackCells | None:
        found = measure_cells(pack)
        return None if isinstance(found, NotKnown) or len(found.cells) < 3 else found

    def _pack(self, when: float) -> PackFit:
        inside = [pack for pack in self.packs if pack.span.start <= when]
        return inside[-1] if inside else self.packs[0]
