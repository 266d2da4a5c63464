"""A board file's derived limits in words."""

import difflib
from collections.abc import Iterator

from ..format import (
    LIMIT_KINDS,
    BoardFile,
    Limit,
    board_conflicts,
    derive_limits,
    settings_over_limits,
    speed_per_rpm,
    vocabulary,
    weakest,
)
from ..format.board_tables import SETTINGS

_COUNTED = {"motor": "each motor", "cell": "each cell", "sensor": "each sensor", "none": ""}

_KIND_ORDER = list(LIMIT_KINDS)


def report(board: BoardFile) -> str:
    """Return the board's derived limits by channel, what its settings pass, and what is missing."""
    return "\n".join(
        [*_conflicts(board), *_parts(board), "", *_limits(board), *_passed(board), *_missing(board)]
    )


def _conflicts(board: BoardFile) -> Iterator[str]:
    """Yield where the file contradicts itself, before all that follows from it."""
    yield from (f"CONFLICT  {text}" for text in board_conflicts(board))


def _parts(board: BoardFile) -> Iterator[str]:
    yield f"board {board.name!r}"
    battery = board.battery
    if battery.units:
        joined = f", joined in {battery.joined}" if len(battery.units) > 1 else ""
        yield f"pack: {battery.cells} cells in series{joined}"
        first = 1
        for unit in battery.units:
            charge = f", {unit.capacity:g} Ah" if unit.capacity else ""
            yield (
                f"  unit '{unit.name}': cells {first} to {first + unit.series - 1}, "
                f"{unit.series} series × {unit.parallel} parallel{charge}"
            )
            first += unit.series if battery.joined == "series" else 0
    vehicle = board.vehicle
    if vehicle.wheel_diameter and vehicle.gearing:
        speed = 1000 * speed_per_rpm(board)
        yield (
            f"speed at 1000 r/min of the motor: π × {vehicle.wheel_diameter:g} m × 1000 / "
            f"(60 × {vehicle.gearing:g}) = {speed:.2f} m/s = {3.6 * speed:.1f} km/h"
        )


def _limits(board: BoardFile) -> Iterator[str]:
    limits = derive_limits(board)
    if not limits:
        yield "No limit follows from this file: state ratings to get some."
        return
    yield "Derived limits; > marks the weakest part of each kind"
    for name, term in vocabulary().items():
        found = [limit for limit in limits if limit.channel == name]
        if found:
            counted = _COUNTED[term.index]
            yield f"\n{name}" + (f" ({counted})" if counted else "")
            yield from _channel(found, board.motor_count)
    yield ""
    kinds = {limit.kind for limit in limits}
    yield from (f"   {kind:<9} {text}" for kind, text in LIMIT_KINDS.items() if kind in kinds)
    if any("share equally" in limit.arithmetic for limit in limits):
        yield (
            "Parallel parts share a current equally only if they are alike in resistance, charge "
            "and age."
        )


def _channel(found: list[Limit], motors: int) -> Iterator[str]:
    """Yield the lines of one channel; a limit in both directions makes one line if it can."""
    indices = range(1, motors + 1) if any(limit.index for limit in found) else (0,)
    limits = tuple(found)
    nearest = {limit for index in indices for limit in weakest(limits, found[0].channel, index)}
    lines: dict[tuple[str, int, str, bool], list[Limit]] = {}
    for limit in sorted(found, key=_order):
        key = (limit.kind, limit.index, limit.arithmetic, limit in nearest)
        lines.setdefault(key, []).append(limit)
    for (kind, index, arithmetic, weak), same in lines.items():
        unit = "" if same[0].unit == "1" else f" {same[0].unit}"
        sign = f"{same[0].direction} " if len(same) == 1 else "beyond ±"
        number = f" {index}" if index else ""
        mark = ">" if weak else " "
        yield f" {mark} {kind + number:<9} {f'{sign}{same[0].value:g}{unit}':<15} {arithmetic}"


def _order(limit: Limit) -> tuple[str, int, float, int]:
    return limit.direction, _KIND_ORDER.index(limit.kind), abs(limit.value), limit.index


def _passed(board: BoardFile) -> Iterator[str]:
    passed = settings_over_limits(derive_limits(board))
    if passed:
        yield ""
        yield "Settings that let a limit be passed; lower the setting or find a stronger part:"
    for setting, limit in passed:
        yield f"  {setting.arithmetic}  passes  {limit.arithmetic}"


def _missing(board: BoardFile) -> Iterator[str]:
    battery, units = board.battery, board.battery.units
    rated = [
        bool(unit.max_discharge_rate or unit.max_discharge_current)
        and bool(unit.max_charge_rate or unit.max_charge_current)
        for unit in units
    ]
    gaps = {
        "cell voltages to keep (battery.cell_full, cell_alarm, cell_stop)": not (
            battery.cell_full and battery.cell_alarm and battery.cell_stop
        ),
        "charge and discharge limit of the battery (battery.units)": not units or not all(rated),
        "rated current and temperature limit of the motors (motors)": not board.motors
        or not all(motor.rated_current and motor.temperature_limit for motor in board.motors),
        "continuous current and temperature limit of the controllers (controllers)": (
            not board.controllers
            or not all(c.continuous_current and c.temperature_limit for c in board.controllers)
        ),
        "a fuse": not board.fuses,
        "leads and connectors": not (board.leads and board.connectors),
    }
    missing = [name for name, absent in gaps.items() if absent]
    if missing:
        yield ""
        yield "Not stated, so no limit comes from it (the weakest part may be among these):"
        yield from (f"  {name}" for name in missing)
    for name in board.settings:
        if name not in SETTINGS and (near := difflib.get_close_matches(name, SETTINGS, 1, 0.85)):
            yield f"  setting {name} has no meaning of its own; did you mean {near[0]}?"
    yield ""
