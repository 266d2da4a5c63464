"""A board file held against what a board sends, and against itself.

Both programs tell these first: with another pack's file every limit and every answer is wrong.
"""

from collections.abc import Mapping

from .board_tables import SETTINGS, Battery, BoardFile
from .counting import several
from .vocabulary import vocabulary

CHEMISTRIES: tuple[tuple[tuple[str, ...], str, float, float], ...] = (
    (("lto", "titanate"), "lithium titanate", 1.4, 2.95),
    (("lfp", "lifepo", "iron phosphate"), "iron phosphate", 1.9, 3.8),
    (("nmc", "nca", "lco", "lmo", "cobalt", "manganese", "li-ion"), "lithium-ion", 2.4, 4.5),
)  # fmt: skip
"""Words, name, and the cell voltages (V) between which full, alarm and stop lie (handbook values:
Linden's "Handbook of Batteries", from memory)."""

LEAST = 0.45
"""Share of its full voltage that a cell of any kind is not drawn below: 0.54 of lithium titanate,
0.55 of iron phosphate, 0.6 and more of others (data sheets; common practice)."""

AHEAD = 0.05
"""V by which an alarm has to come before the stop: less is sag of a moment (our choice)."""

HIGH = 0.7
"""Share of the way from stop to full above which an alarm sounds for most of a ride (our choice;
common practice lies below a half)."""

SAGS = 0.75
"""Share of the voltage to stop at that a hard pull may sag to without harm (our choice)."""

MOST = 1500.0
"""A that no controller of a small vehicle is made for (our choice)."""


def board_conflicts(
    board: BoardFile, sent: Mapping[str, int] | None = None, voltage: float | None = None
) -> tuple[str, ...]:
    """Return a sentence for each conflict, the gravest first.

    ``sent`` counts the columns of each channel name that the board sends, ``voltage`` is the
    highest pack voltage seen in V; what is not known is not held against the file.
    """
    found = list(pack_conflicts(board, sent, voltage))
    motors = board.motor_count
    per_motor = [term.name for term in vocabulary().values() if term.per_motor]
    counts = {name: count for name in per_motor if (count := (sent or {}).get(name, 0))}
    most = max(counts.values(), default=0)
    if motors and most and motors != most:
        name = next(name for name, count in counts.items() if count == most)
        found.append(
            f"The board file states {several(motors, 'motor')}, the log has {most} of {name}."
        )
    found += _itself(board)
    return tuple(found)


def pack_conflicts(
    board: BoardFile, sent: Mapping[str, int] | None = None, voltage: float | None = None
) -> tuple[str, ...]:
    """Return those of :func:`board_conflicts` for which the file's pack is not this one."""
    found: list[str] = []
    battery = board.battery
    cells, given = battery.cells, (sent or {}).get("cell_voltage", 0)
    if cells and given and cells != given:
        found.append(
            f"The board file states {cells} cells in series, the log has {given}: is it the file "
            "of this pack? Its pack voltages, limits and answers do not hold here."
        )
    if cells and voltage and not given:
        low, high = _cell_range(board)
        if not low * cells * 0.8 <= voltage <= high * cells * 1.05:
            found.append(
                f"The pack read up to {voltage:.1f} V, {voltage / cells:.2f} V for each of the "
                f"{cells} cells in series that the board file states: is it the file of this pack?"
            )
    elif battery.cell_full and voltage and given and voltage / given > 1.05 * battery.cell_full:
        found.append(
            f"Cells read up to {voltage / given:.2f} V, the board file's full cell is "
            f"{battery.cell_full:g} V: is it the file of this pack?"
        )
    return tuple(found)


def _cell_range(board: BoardFile) -> tuple[float, float]:
    full = board.battery.cell_full
    return (board.battery.cell_stop or 2.0), full or 4.5


def _itself(board: BoardFile) -> list[str]:
    """Return where a board file contradicts itself."""
    found = []
    battery, cells = board.battery, board.battery.cells
    if cells and battery.cell_full:
        full = cells * battery.cell_full
        for controller in board.controllers:
            if controller.max_voltage and full > controller.max_voltage:
                found.append(
                    f"The full pack has {full:.1f} V ({cells} × {battery.cell_full:g} V), the "
                    f"controllers are rated for {controller.max_voltage:g} V: never charge it full "
                    "and connect it."
                )
                break
    named = [unit.chemistry for unit in battery.units if unit.chemistry]
    levels = [
        (name, value)
        for name in ("cell_stop", "cell_alarm", "cell_full")
        if (value := getattr(battery, name))
    ]
    for words, name, low, high in CHEMISTRIES:
        if not any(word in text.lower() for text in named for word in words):
            continue
        wrong = [f"{key} = {value:g} V" for key, value in levels if not low <= value <= high]
        if name == "lithium-ion" and battery.cell_full and battery.cell_full < 3.9:
            wrong.append(f"cell_full = {battery.cell_full:g} V")
        if wrong:
            found.append(
                f"{' and '.join(wrong)} does not fit cells of {name} ({low:g} to {high:g} V)."
            )
        break
    else:
        found += _far_apart(battery)
    found += _alarm(battery)
    found += _currents(board)
    if cells:
        found += _cut_back(board, cells)
    return found


def _far_apart(battery: Battery) -> list[str]:
    """Return which levels no cell of this full voltage has, where its chemistry is not stated."""
    full = battery.cell_full
    if not full:
        return []
    levels = (("cell_stop", battery.cell_stop), ("cell_alarm", battery.cell_alarm))
    wrong = [f"{key} = {value:g} V" for key, value in levels if value and value < LEAST * full]
    if not wrong:
        return []
    return [f"{' and '.join(wrong)} lies far below what a cell that is full at {full:g} V may see."]


def _alarm(battery: Battery) -> list[str]:
    """Return whether the alarm comes too late to act on, or nearly always."""
    alarm, stop, full = battery.cell_alarm, battery.cell_stop, battery.cell_full
    if not alarm or not stop:
        return []
    if 0 <= alarm - stop < AHEAD:
        return [
            f"cell_alarm = {alarm:g} V is only {1000 * (alarm - stop):.0f} mV above cell_stop = "
            f"{stop:g} V: no time is left between the two."
        ]
    if full and stop < full and alarm - stop > HIGH * (full - stop):
        return [
            f"cell_alarm = {alarm:g} V is nearer to a full cell ({full:g} V) than to cell_stop = "
            f"{stop:g} V: it would sound for most of a ride."
        ]
    return []


def _currents(board: BoardFile) -> list[str]:
    """Return which currents no small vehicle has: most likely they are in mA."""
    stated = {
        "rated_current of the motors": [motor.rated_current for motor in board.motors],
        "continuous_current of the controllers": [c.continuous_current for c in board.controllers],
        "burst_current of the controllers": [c.burst_current for c in board.controllers],
        "battery_current of the controllers": [c.battery_current for c in board.controllers],
    } | {
        key: [value]
        for key, rule in SETTINGS.items()
        if rule.unit == "A" and isinstance(value := board.settings.get(key), int | float)
    }
    wrong = [
        f"{key} = {value:g} A"
        for key, values in stated.items()
        for value in dict.fromkeys(values)
        if value and value > MOST
    ]
    if not wrong:
        return []
    return [f"{' and '.join(wrong)} is more than a small vehicle has: is it in mA?"]


def _cut_back(board: BoardFile, cells: int) -> list[str]:
    """Return where the controllers never drive, or drive on below the stop, or where the alarm
    comes only when they no longer drive."""
    end = board.settings.get("voltage_cutback_end")
    if not isinstance(end, int | float):
        return []
    battery = board.battery
    full, stop, alarm = battery.cell_full, battery.cell_stop, battery.cell_alarm
    if full and end >= cells * full:
        return [
            f"The controllers deliver nothing below {end:g} V, the full pack has {cells * full:.1f}"
            f" V ({cells} × {full:g} V)."
        ]
    if stop and end < SAGS * cells * stop:
        return [
            f"The controllers drive on down to {end:g} V, far below the {cells * stop:.1f} V at "
            f"which to stop ({cells} × {stop:g} V)."
        ]
    if alarm and cells * alarm < end:
        return [
            f"The alarm at {cells * alarm:.1f} V ({cells} × {alarm:g} V) lies below "
            f"the {end:g} V at which the controllers deliver nothing: it would never sound."
        ]
    return []
