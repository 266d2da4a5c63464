"""Which share of a cell's missing voltage each cause explains, in volts, the same everywhere."""

from dataclasses import dataclass

import numpy as np

from .rests import Rests

SHOWN = 0.01
"""V from which a share is worth its words."""

LEFT = 0.08
"""V by which the shares may miss what the cell showed: its reading is later than the load, and the
circuit's own (our choice)."""


@dataclass(frozen=True)
class MissingVoltage:
    """V that a cell lacks of ``reference``: ``charge`` because the pack's charge is used,
    ``behind`` because this cell has less left than the middle one, ``load`` because the load takes
    it from a sound cell, and ``extra`` because this cell's resistance takes more.

    They add up to what the cell shows by the fitted circuit.  A share may be below 0: a cell that
    holds more than the others, or loses less.
    """

    reference: float
    charge: float
    behind: float
    load: float
    extra: float

    @property
    def total(self) -> float:
        """All of it."""
        return self.charge + self.behind + self.load + self.extra

    def words(self, below: str, read: float) -> str:
        """Return one sentence; ``below`` names the reference, and ``read`` is what the cell showed,
        in V.  Empty where the shares come to more than was missing: then they are not its."""
        left = self.reference - read - self.total
        if left < -LEFT:
            return ""
        parts = [
            (self.charge, "the charge used"),
            (self.behind, "this cell's lower charge"),
            (self.load, "the load on a sound cell"),
            (self.extra, "this cell's extra resistance"),
        ]
        told = ", ".join(f"{volts:.2f} V {what}" for volts, what in parts if volts >= SHOWN)
        if not told:
            return ""
        whole = self.total + (left if left > LEFT else 0.0)
        told += f", {left:.2f} V that none of these explains" if left > LEFT else ""
        return f"Of the {whole:.2f} V below {below} ({self.reference:.2f} V): {told}."


def missing_voltage(rests: Rests, time: float, key: str, reference: float) -> MissingVoltage | None:
    """Return the shares for cell ``key`` at ``time`` s; None where the load is not known then."""
    at = rests.keys.index(key)
    when = np.array([time])
    voltage = rests.at(when)[0][0]
    sag = rests.sag(when)[0]
    if not np.isfinite(voltage + sag).all():
        return None
    middle, sound = float(np.median(voltage)), float(np.median(sag))
    ohms = np.array([[one.value for one in each] for each in (rests.step, rests.ten)])
    if (ohms[:, at] < np.median(ohms, axis=1)).all():
        # No stiffer than the others, at once and after 10 s: what it lost more came by the slow
        # load of minutes, which no resistance that is told stands for.
        sound = float(sag[at])
    return MissingVoltage(
        reference, reference - middle, middle - float(voltage[at]), sound, float(sag[at]) - sound
    )
