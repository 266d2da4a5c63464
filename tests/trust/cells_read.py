"""What the analyser tells of cells and packs, read from its public results in one place."""

import math
from dataclasses import dataclass, field

from sagline_analyser.findings.belief.history import PackHistory
from sagline_analyser.findings.cells.fitted import Asked, PackCells, fit_packs, measure_cells
from sagline_analyser.findings.energy.charge_state import CLOSE, ChargeState
from sagline_analyser.findings.energy.pack_range import Reach, pack_use
from sagline_analyser.findings.readings.gathered import Gathered
from sagline_analyser.findings.readings.unknown import NotKnown
from sagline_analyser.load.ride import Ride
from sagline_logger.format import BoardFile
from support.asking import cell_capacities, reach


@dataclass(frozen=True)
class Told:
    """One stated figure with its 90 % interval; ``current`` A where it holds for a load.

    ``value`` is NaN where only the ends are told."""

    value: float
    low: float
    high: float
    current: float | None = None


@dataclass(frozen=True)
class Said:
    """All that is told of the last pack of a ride; None or missing where nothing is.

    States of charge are 0 to 1 of the mean cell, ranges in km, resistances in Ω and voltages in V
    by cell number; ``resistive``, ``small`` and ``behind`` are the cells named as such.
    """

    start: Told | None = None
    end: Told | None = None
    left: Told | None = None
    other: Told | None = None
    rest: dict[int, Told] = field(default_factory=dict)
    step: dict[int, Told] = field(default_factory=dict)
    ten: dict[int, Told] = field(default_factory=dict)
    capacity: dict[int, Told] = field(default_factory=dict)
    resistive: tuple[int, ...] = ()
    small: tuple[int, ...] = ()
    behind: tuple[int, ...] = ()


def read(ride: Ride, board: BoardFile, other: float, history: PackHistory | None = None) -> Said:
    """Let the analyser judge ``ride``; ``other`` is the Ah of another pack.

    ``history`` is that of earlier rides of the last pack.  A range's headline figure is what 19 of
    20 packs go; its interval is the stated one about the middle.
    """
    it = Gathered(ride, board)
    packs = fit_packs(it)
    cells = measure_cells(packs[-1])
    uses = pack_use(Asked(it, packs, history=history))
    state = uses[-1].state if not isinstance(uses, NotKnown) else uses
    left, far = (reach(it, packs[-1], size, state) for size in (None, other))
    measured = cells if isinstance(cells, PackCells) else None
    each = measured.cells if measured else ()
    known = not isinstance(state, NotKnown)
    capacities = cell_capacities(packs[-1], state) if not isinstance(state, NotKnown) else {}
    return Said(
        _start(state) if not isinstance(state, NotKnown) else None,
        _end(state) if not isinstance(state, NotKnown) else None,
        _range(left) if not isinstance(left, NotKnown) and known and not left.vague else None,
        _range(far) if not isinstance(far, NotKnown) and known else None,
        {cell.number: _told(cell.rest_end, cell.rest_error) for cell in each},
        {cell.number: _told(cell.step, cell.step_error) for cell in each},
        {
            cell.number: Told(
                cell.ten,
                cell.ten - cell.ten_error,
                cell.ten + cell.ten_error,
                measured.load if measured else None,
            )
            for cell in each
        },
        {number: _told(one.value, one.error) for number, one in capacities.items()},
        resistive=tuple(cell.number for cell in measured.weak) if measured else (),
        small=tuple(cell.number for cell in measured.small) if measured else (),
        behind=tuple(cell.number for cell in measured.lagging) if measured else (),
    )


def _start(state: ChargeState) -> Told:
    if state.start_error <= CLOSE:
        return _told(state.start, state.start_error)
    return Told(math.nan, *state.belief.start_within)


def _end(state: ChargeState) -> Told:
    return _told(state.end, state.end_error) if state.close else Told(math.nan, *state.within)


def _range(told: Reach) -> Told:
    return Told(told.least, told.distance - told.error, told.distance + told.error)


def _told(value: float, error: float) -> Told:
    return Told(value, value - error, value + error)
