"""How full a pack was: from its voltage at rest, or counted down from full."""

from dataclasses import dataclass

import numpy as np

from sagline_logger.format import Battery, BoardFile

from .cells import PackFit
from .electric import Quantity
from .packs import during
from .series import integral
from .speed import Unknown

REST_CURVE = (
    (0.000, 3.122), (0.051, 3.402), (0.157, 3.530), (0.263, 3.598), (0.369, 3.641),
    (0.475, 3.681), (0.582, 3.736), (0.688, 3.812), (0.794, 3.914), (0.900, 4.026),
    (1.000, 4.176),
)  # fmt: skip
"""State of charge to V after an hour at rest, for cells of some 4.2 V: the rests of the public
pulse-power data set ``hppc_discharge`` of the package ampworks 0.1 (BSD-3-Clause), charge counted
from its own Ah column.  Cells of other makes differ; hence CURVE_ERROR."""

CURVE_ERROR = 0.12
"""Half-width (90 %) of a state of charge read from REST_CURVE for a cell of unknown make: our
judgement, about what two makes' curves differ by on their flat middle."""

CAPACITY_ERROR = 0.10
"""Share by which a pack's capacity may miss what is stated, ageing included (our judgement)."""

NEAR_FULL = 0.04
"""V below the full voltage at rest from which a pack counts as having started full."""


@dataclass(frozen=True)
class ChargeState:
    """State of charge (0 to 1) at a pack's start and end with the half-widths of their 90 %
    intervals, of its mean cell, and ``how`` it was found; ``lowest`` that of the lowest cell at
    the end.  ``counted`` says whether it was counted down from full."""

    start: float
    start_error: float
    end: float
    end_error: float
    lowest: float
    counted: bool
    how: str


@dataclass(frozen=True)
class Rest:
    """V of one cell at rest at the start and the end (mean and lowest), and the Ω of the lowest
    and the middle one 10 s into a load."""

    start: float
    end: float
    lowest: float
    lowest_ten: float
    middle_ten: float
    lowest_key: str


def pack_capacity(battery: Battery) -> float | None:
    """Return the pack's capacity in Ah; None where a unit does not state its own."""
    parts = [unit.capacity for unit in battery.units]
    known = [part for part in parts if part is not None]
    if not known or len(known) < len(parts):
        return None
    return sum(known) if battery.joined == "parallel" else min(known)


def at_rest(pack: PackFit, battery: Battery | None) -> Rest | Unknown:
    """Return the cells' voltages at rest, or a share of the pack's where only that was measured."""
    fit = pack.fit
    if isinstance(fit, Unknown):
        return fit
    count = 1
    if not pack.cells:
        if battery is None or not battery.cells:
            return Unknown("needs the cell voltages, or the number of cells in a board file")
        count = battery.cells
    low = int(np.argmin(fit.rest_end))
    return Rest(
        float(np.mean(fit.rest_start)) / count, float(np.mean(fit.rest_end)) / count,
        float(fit.rest_end[low]) / count, float(fit.ten[low]) / count,
        float(np.median(fit.ten)) / count, fit.keys[low],
    )  # fmt: skip


def charge_at_rest(voltage: float) -> float:
    """Return the state of charge at a voltage at rest, by :data:`REST_CURVE`; 0 and 1 outside."""
    charges, voltages = np.array(REST_CURVE).T
    return float(np.interp(voltage, voltages, charges))


def charge_state(
    pack: PackFit, current: Quantity | None, board: BoardFile | None
) -> ChargeState | Unknown:
    """Return how full a pack was."""
    battery = board.battery if board else None
    rest = at_rest(pack, battery)
    if isinstance(rest, Unknown):
        return rest
    capacity = pack_capacity(battery) if battery else None
    drawn = None if current is None else integral(during(current.series, pack.span)) / 3600
    full = battery.cell_full if battery else None
    if full is not None and rest.start >= full - NEAR_FULL and capacity and drawn is not None:
        used = drawn / capacity
        # What the lowest cell lacks is read from the curve; the rest is counted.
        behind = charge_at_rest(rest.end) - charge_at_rest(rest.lowest)
        how = f"started full; {drawn:.2f} Ah of the stated {capacity:g} Ah drawn since"
        return ChargeState(1.0, 0.04, 1 - used, 0.04 + CAPACITY_ERROR * abs(used),
                           1 - used - behind, True, how)  # fmt: skip
    if battery and any(_flat(unit.chemistry) for unit in battery.units):
        return Unknown(
            "iron-phosphate cells show the same voltage at rest over most of their charge; start a "
            "ride full and state cell_full and cell_capacity"
        )
    how = "voltage at rest by the fitted circuit, on the curve of a common 4.2 V cell"
    return ChargeState(
        charge_at_rest(rest.start), CURVE_ERROR, charge_at_rest(rest.end), CURVE_ERROR,
        charge_at_rest(rest.lowest), False, how,
    )  # fmt: skip


def _flat(chemistry: str | None) -> bool:
    name = (chemistry or "").lower()
    return any(word in name for word in ("lfp", "fepo", "iron"))
