"""Faults this board knows: when they are raised, when they clear, and what it calls them."""

from collections.abc import Sequence
from dataclasses import dataclass
from enum import IntEnum


class FaultNumber(IntEnum):
    """The board's own numbers."""

    MOTOR_HOT = 1
    CONTROLLER_HOT = 2
    CELL_LOW = 3


TEXTS = {
    FaultNumber.MOTOR_HOT: "motor {} above stop temperature: drive cut",
    FaultNumber.CONTROLLER_HOT: "controller {} above stop temperature: drive cut",
    FaultNumber.CELL_LOW: "cell {} below stop voltage: drive cut",
}

COOLED_BY = 15.0
"""K below the stop temperature at which a heat fault clears."""

RECOVERED_BY = 0.25
"""V above the stop voltage that a cell must regain."""

RAISE_AFTER = 0.5
"""s a condition must last before it raises a fault: a launch's dip shall not."""

CLEAR_AFTER = 5.0
"""s it must be gone before the fault clears."""


@dataclass(frozen=True, slots=True)
class FaultChange:
    """A fault raised or cleared; ``index`` is the motor or cell."""

    raised: bool
    number: FaultNumber
    index: int

    @property
    def text(self) -> str:
        """What the board sends with it."""
        return TEXTS[self.number].format(self.index)


class FaultWatch:
    """Remembers which faults stand; fed at a steady pace of ``step`` s."""

    def __init__(self, step: float) -> None:
        self._step = step
        self._lasting: dict[tuple[FaultNumber, int], float] = {}
        self.standing: set[tuple[FaultNumber, int]] = set()

    @property
    def drive_cut(self) -> bool:
        """Whether a standing fault cuts the drive; all of them do."""
        return bool(self.standing)

    def watch_cells(self, voltages: Sequence[float], stop: float) -> list[FaultChange]:
        """Compare the group voltages (V) with the ``stop`` voltage."""
        lowest = min(range(len(voltages)), key=voltages.__getitem__)
        cells = {lowest + 1}
        cells.update(index for number, index in self.standing if number is FaultNumber.CELL_LOW)
        # A cell that is no longer the lowest starts afresh when it next is.
        self._forget(FaultNumber.CELL_LOW, cells)
        changes: list[FaultChange] = []
        for cell in sorted(cells):
            voltage = voltages[cell - 1]
            changes += self._judge(
                FaultNumber.CELL_LOW, cell, voltage < stop, voltage > stop + RECOVERED_BY
            )
        return changes

    def watch_heat(
        self, number: FaultNumber, index: int, temperature: float, stop: float
    ) -> list[FaultChange]:
        """Compare one temperature (°C) with its ``stop`` temperature."""
        return self._judge(number, index, temperature > stop, temperature < stop - COOLED_BY)

    def _forget(self, number: FaultNumber, keep: set[int]) -> None:
        for key in [key for key in self._lasting if key[0] is number and key[1] not in keep]:
            del self._lasting[key]

    def _judge(self, number: FaultNumber, index: int, bad: bool, good: bool) -> list[FaultChange]:
        key = (number, index)
        stands = key in self.standing
        if not (good if stands else bad):
            self._lasting.pop(key, None)
            return []
        lasting = self._lasting.get(key, 0.0) + self._step
        self._lasting[key] = lasting
        if lasting < (CLEAR_AFTER if stands else RAISE_AFTER):
            return []
        del self._lasting[key]
        if stands:
            self.standing.remove(key)
        else:
            self.standing.add(key)
        return [FaultChange(not stands, number, index)]
