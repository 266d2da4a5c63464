"""What each pack gave, how full it was, and how far it and another one would go."""

import math
from collections.abc import Sequence
from dataclasses import dataclass

import numpy as np

from sagline_logger.format import BoardFile

from ..load.ride import Ride
from .answer import Answer, Figure
from .cells import PackFit, fit_packs
from .charge_state import (
    CAPACITY_ERROR,
    REST_CURVE,
    ChargeState,
    at_rest,
    charge_at_rest,
    charge_state,
    pack_capacity,
)
from .consumption import measure_consumption, power
from .electric import battery_current
from .packs import MANY, PackSpan, during
from .series import integral, integral_above_zero
from .speed import Unknown
from .summary import IDLE

QUESTION = "What did the pack give, and how far will it go?"


@dataclass(frozen=True)
class PackUse:
    """Charge in Ah and energy in Wh that one pack gave and took back, and how full it was."""

    span: PackSpan
    charge_drawn: float
    charge_returned: float
    energy_drawn: float
    energy_returned: float
    state: ChargeState | Unknown


@dataclass(frozen=True)
class Reach:
    """How far: ``distance`` km with the half-width of its 90 % interval, from ``start`` to
    ``stop`` (states of charge, 0 to 1) of ``capacity`` Ah.

    ``stop`` is where the lowest cell, under the ride's mean driving current ``load`` A, comes down
    to ``reserve`` V.
    """

    distance: float
    error: float
    start: float
    stop: float
    capacity: float
    load: float
    reserve: float


def pack_use(
    ride: Ride, board: BoardFile | None, packs: Sequence[PackFit] | None = None
) -> tuple[PackUse, ...] | Unknown:
    """Return what every pack of the ride gave."""
    current, drawing = battery_current(ride), power(ride)
    if isinstance(drawing, Unknown):
        return drawing
    found = []
    for pack in packs or fit_packs(ride):
        amperes = during(current.series, pack.span) if current else drawing
        watts = during(drawing, pack.span)
        charge, energy = integral_above_zero(amperes) / 3600, integral_above_zero(watts) / 3600
        found.append(
            PackUse(
                pack.span, charge, charge - integral(amperes) / 3600,
                energy, energy - integral(watts) / 3600, charge_state(pack, current, board),
            )
        )  # fmt: skip
    return tuple(found)


def reach(
    ride: Ride, board: BoardFile | None, pack: PackFit, other_capacity: float | None = None
) -> Reach | Unknown:
    """Return how far ``pack`` goes from where the ride left it.

    With ``other_capacity`` (Ah): how far a full pack of that capacity goes, of like cells, its
    resistance smaller as its capacity is greater.
    """
    battery = board.battery if board else None
    reserve = (battery.cell_alarm or battery.cell_stop) if battery else None
    capacity = pack_capacity(battery) if battery else None
    if battery is None or reserve is None or capacity is None:
        return Unknown("needs cell_alarm (or cell_stop) and each unit's cell_capacity in the "
                       "board file")  # fmt: skip
    current, rate = battery_current(ride), measure_consumption(ride, board)
    if isinstance(rate, Unknown):
        return rate
    if rate.whole.per_km <= 0:
        return Unknown("the ride took no energy on the whole; it went downhill")
    state, rest = charge_state(pack, current, board), at_rest(pack, battery)
    if isinstance(state, Unknown):
        return state
    if isinstance(rest, Unknown) or current is None:
        return Unknown("needs the channel battery_current")
    part = during(current.series, pack.span).value
    load = float(np.mean(part[part > IDLE])) if (part > IDLE).any() else 0.0
    if other_capacity is None:
        start, error, held, ohms = state.lowest, state.end_error, capacity, rest.lowest_ten
    else:
        start, error, held = 1.0, 0.04, other_capacity
        ohms = rest.middle_ten * capacity / other_capacity
    stop = charge_at_rest(reserve + ohms * load)
    usable = max(start - stop, 0.0)
    count = battery.cells
    volts = _mean_voltage(stop, start) - rest.middle_ten * load * capacity / held
    distance = usable * held * volts * count / rate.whole.per_km
    per_unit = held * volts * count / rate.whole.per_km
    shares = (rate.whole.error / rate.whole.per_km, CAPACITY_ERROR)
    spread = math.hypot(error * per_unit, *(share * distance for share in shares))
    return Reach(distance, spread, start, stop, held, load, reserve)


def pack_answer(
    ride: Ride,
    board: BoardFile | None,
    packs: Sequence[PackFit] | None = None,
    other_capacity: float | None = None,
) -> Answer:
    """Answer what each pack gave, how full it is, and how far it and another one would go.

    The other pack has ``other_capacity`` Ah, or is one of the board file's size, charged full.
    """
    fits = packs or fit_packs(ride)
    uses = pack_use(ride, board, fits)
    if isinstance(uses, Unknown):
        return Answer("pack_range", QUESTION, f"Cannot tell: {uses.reason}.", known=False)
    verdicts, figures, details = [], [], []
    for use in uses:
        name = f"Pack {use.span.number}" if len(uses) > 1 else "The pack"
        prefix = f"pack {use.span.number}, " if len(uses) > 1 else ""
        net = use.charge_drawn - use.charge_returned
        energy = use.energy_drawn - use.energy_returned
        what = "gave" if net >= 0 else "took in, on the whole,"
        text = f"{name} {what} {abs(net):.2f} Ah ({abs(energy):.0f} Wh)"
        figures += [
            Figure(f"{prefix}charge, net", net, "Ah", None, "∫ current dt"),
            Figure(f"{prefix}energy, net", use.energy_drawn - use.energy_returned, "Wh", None,
                   "∫ power dt"),
            Figure(f"{prefix}energy given back", use.energy_returned, "Wh", None,
                   "−∫ power dt while negative"),
        ]  # fmt: skip
        if use.span.swapped:
            details.append(f"{name} is taken for another one, because {use.span.swapped}.")
        if isinstance(use.state, Unknown):
            details.append(f"{name}: how full it is cannot be told: {use.state.reason}.")
        else:
            text += f" and is {use.state.end:.0%} ± {use.state.end_error:.0%} full"
            figures.append(
                Figure(f"{prefix}state of charge at the end", 100 * use.state.end, "%",
                       100 * use.state.end_error, use.state.how)
            )  # fmt: skip
            details.append(f"{name}, state of charge: {use.state.how}.")
        verdicts.append(text)
    lines, more = _reaches(ride, board, fits[-1], other_capacity)
    if len(uses) > MANY:
        details = [*(f"{one}." for one in verdicts), *details]
        verdicts = [_together(uses)]
    verdict = "; ".join(verdicts) + ". " + lines[0]
    evidence = tuple((use.span.start, use.span.end) for use in uses)
    return Answer("pack_range", QUESTION, verdict, True, (*figures, *more), evidence,
                  (*lines[1:], *details))  # fmt: skip


def _together(uses: Sequence[PackUse]) -> str:
    net = [use.charge_drawn - use.charge_returned for use in uses]
    energy = sum(use.energy_drawn - use.energy_returned for use in uses)
    return (
        f"{len(uses)} packs gave {min(net):.2f} to {max(net):.2f} Ah each, together {sum(net):.2f} "
        f"Ah ({energy:.0f} Wh)"
    )


def _reaches(
    ride: Ride, board: BoardFile | None, pack: PackFit, other_capacity: float | None
) -> tuple[list[str], list[Figure]]:
    now = reach(ride, board, pack)
    if isinstance(now, Unknown):
        return [f"How far it goes cannot be told: {now.reason}."], []
    lines = [
        f"Under the mean driving load of {now.load:.0f} A its lowest cell is already down to the "
        f"reserve of {now.reserve:.2f} V: charge it, or swap it."
        if now.distance <= 0
        else f"Ridden like this it goes {now.distance:.1f} ± {now.error:.1f} km further, until its "
        f"lowest cell comes to {now.reserve:.2f} V under the mean driving load of {now.load:.0f} A."
    ]
    how = "usable charge × voltage ÷ Wh/km of this ride"
    figures = [Figure("range left", now.distance, "km", now.error, how)]
    other = reach(ride, board, pack, other_capacity or now.capacity)
    if not isinstance(other, Unknown):
        label = f"range of a full pack of {other.capacity:g} Ah"
        figures.append(Figure(label, other.distance, "km", other.error, how))
        lines.append(
            f"A full pack of {other.capacity:g} Ah of like cells would go {other.distance:.1f} ± "
            f"{other.error:.1f} km; each further Ah is worth some "
            f"{other.distance / other.capacity:.2f} km."
        )
    lines.append(
        "Under harder load than the mean the reserve voltage comes earlier; wind, hills, cold and "
        "age all shorten the way."
    )
    return lines, figures


def _mean_voltage(low: float, high: float) -> float:
    """Mean voltage at rest between two states of charge, by the curve."""
    charges, voltages = np.array(REST_CURVE).T
    return float(np.mean(np.interp(np.linspace(low, max(high, low), 50), charges, voltages)))
