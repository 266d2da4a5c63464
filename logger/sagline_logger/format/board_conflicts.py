"""A board file held against what a board sends, and against itself.

Both programs tell these first: with another pack's file every limit and every answer is wrong.
"""

from collections.abc import Mapping

from .board_tables import BoardFile
from .counting import several
from .vocabulary import vocabulary

CHEMISTRIES: tuple[tuple[tuple[str, ...], str, float, float], ...] = (
    (("lto", "titanate"), "lithium titanate", 1.4, 2.95),
    (("lfp", "lifepo", "iron phosphate"), "iron phosphate", 1.9, 3.8),
    (("nmc", "nca", "lco", "lmo", "cobalt", "manganese", "li-ion"), "lithium-ion", 2.4, 4.5),
)  # fmt: skip
"""Words, name, and the cell voltages (V) between which full, alarm and stop lie (handbook values:
Linden's "Handbook of Batteries", from memory)."""


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
    if cells:
        found += _cut_back(board, cells)
    return found


def _cut_back(board: BoardFile, cells: int) -> list[str]:
    """Return where the alarm comes only when the controllers no longer drive."""
    end = board.settings.get("voltage_cutback_end")
    if isinstance(end, int | float) and board.battery.cell_alarm:
        alarm = cells * board.battery.cell_alarm
        if alarm < end:
            return [
                f"The alarm at {alarm:.1f} V ({cells} × {board.battery.cell_alarm:g} V) lies below "
                f"the {end:g} V at which the controllers deliver nothing: it would never sound."
            ]
    return []
