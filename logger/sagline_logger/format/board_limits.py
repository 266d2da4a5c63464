"""Limits derived from a board file, each with the part it comes from and the arithmetic.

Series and parallel joining follows Kirchhoff's laws: units in series carry one current and add
their voltages; units in parallel share one voltage and add their currents, here only as far as
they share equally, so that n units count as n times the weakest.  A rate in C is a current of one
rated capacity per hour (IEC 61434).  A motor's, fuse's, lead's or connector's rating holds in both
directions of current.
"""

import math
from collections.abc import Iterator
from dataclasses import dataclass
from typing import Literal, TypeVar

from .board_tables import Battery, BatteryUnit, BoardFile, Conductor, Controller, Motor
from .errors import SaglineError
from .vocabulary import vocabulary

_E = TypeVar("_E", Motor, Controller)
Direction = Literal["above", "below"]
Kind = Literal["limit", "burst", "full", "alarm", "stop", "setting"]

LIMIT_KINDS: dict[Kind, str] = {
    "limit": "rating of a part for lasting use",
    "burst": "rating of a part for a short time only",
    "full": "fully charged",
    "alarm": "ride gently from here",
    "stop": "stop here",
    "setting": "what a controller was told to keep, no rating of a part",
}
"""What each kind of limit means."""


@dataclass(frozen=True, slots=True)
class Limit:
    """One threshold of a channel of the vocabulary.

    Crossed when the value is ``direction`` (above or below) ``value``, which is in ``unit``, the
    channel's own.  ``index`` is the motor it holds for, or 0 for every index of the channel.
    ``seconds`` is how long a ``burst`` may last, else 0.  ``arithmetic`` is one line that begins
    with the figure and names ``part``: ``60 A: rating of connector 'main connector'``.
    """

    channel: str
    index: int
    direction: Direction
    value: float
    unit: str
    kind: Kind
    part: str
    arithmetic: str
    seconds: float = 0.0

    def crossed(self, value: float) -> bool:
        """Whether ``value`` lies beyond this limit; NaN does not."""
        return value > self.value if self.direction == "above" else value < self.value


def derive_limits(board: BoardFile) -> tuple[Limit, ...]:
    """Return every limit that follows from the board file, in the order of its parts."""
    return tuple(
        limit
        for part in (_cells, _units, _conductors, _motors, _controllers, _settings)
        for limit in part(board)
    )


def weakest(limits: tuple[Limit, ...], channel: str, index: int = 0) -> tuple[Limit, ...]:
    """Return the nearest limit of each direction and kind for one column of a log.

    ``index`` is the column's (motor 2, cell 7); 0 is the whole vehicle or an only motor.
    """
    nearest: dict[tuple[Direction, Kind], Limit] = {}
    for limit in limits:
        if limit.channel == channel and limit.index in (0, index):
            key = (limit.direction, limit.kind)
            if key not in nearest or limit.crossed(nearest[key].value):
                nearest[key] = limit
    return tuple(nearest.values())


def settings_over_limits(limits: tuple[Limit, ...]) -> tuple[tuple[Limit, Limit], ...]:
    """Return each setting that lets a value pass a rating or a stop voltage, with that limit."""
    return tuple(
        (setting, limit)
        for setting in limits
        if setting.kind == "setting"
        for limit in limits
        if limit.kind in ("limit", "stop")
        and (limit.channel, limit.direction) == (setting.channel, setting.direction)
        and limit.crossed(setting.value)
    )


def speed_per_rpm(board: BoardFile, *, electrical: bool = False, motor: int = 1) -> float:
    """Return road speed in m/s for 1 r/min of motor speed: π · diameter / (60 · gearing).

    An ``electrical`` r/min is divided by the pole pairs of ``motor`` as well.

    Raises:
        SaglineError: the board file lacks a number this needs; it names which.
    """
    vehicle = board.vehicle
    pole_pairs: float | None = 1
    needed = {
        "vehicle.wheel_diameter": vehicle.wheel_diameter,
        "vehicle.gearing": vehicle.gearing,
    }
    if electrical:
        pole_pairs = next((m.pole_pairs for n, m in _numbered(board.motors) if n == motor), None)
        needed["motors.pole_pairs"] = pole_pairs
    missing = [name for name, value in needed.items() if value is None]
    if vehicle.wheel_diameter is None or vehicle.gearing is None or pole_pairs is None:
        raise SaglineError(
            "no road speed can be derived from motor speed",
            remedy=f"add {', '.join(missing)} to the board file",
        )
    return math.pi * vehicle.wheel_diameter / (60 * vehicle.gearing * pole_pairs)


def wheel_speed(board: BoardFile, motor_rpm: float) -> float:
    """Return the road speed in m/s at ``motor_rpm`` (r/min of the motor shaft)."""
    return speed_per_rpm(board) * motor_rpm


def _limit(
    channel: str,
    value: float,
    part: str,
    arithmetic: str,
    kind: Kind = "limit",
    *,
    index: int = 0,
    direction: Direction = "above",
    seconds: float = 0.0,
) -> Limit:
    unit = vocabulary()[channel].unit
    return Limit(channel, index, direction, value, unit, kind, part, arithmetic, seconds)


def _both_ways(
    channel: str,
    value: float,
    part: str,
    why: str,
    kind: Kind = "limit",
    *,
    index: int = 0,
    seconds: float = 0.0,
) -> Iterator[Limit]:
    yield _limit(channel, value, part, why, kind, index=index, seconds=seconds)
    yield _limit(channel, -value, part, why, kind, index=index, direction="below", seconds=seconds)


def _cells(board: BoardFile) -> Iterator[Limit]:
    battery = board.battery
    levels: tuple[tuple[float | None, Direction, Kind, str], ...] = (
        (battery.cell_full, "above", "full", "full cell"),
        (battery.cell_alarm, "below", "alarm", "alarm voltage of a cell"),
        (battery.cell_stop, "below", "stop", "stop voltage of a cell"),
    )
    for value, direction, kind, what in levels:
        if value is None:
            continue
        yield _limit(
            "cell_voltage", value, "every cell", f"{value:g} V: {what}", kind, direction=direction
        )
        if cells := battery.cells:
            pack = cells * value
            why = f"{cells} in series × {value:g} V = {pack:g} V: {what}"
            yield _limit("pack_voltage", pack, "every cell", why, kind, direction=direction)
    if (hottest := battery.temperature_limit) is not None:
        why = f"{hottest:g} °C: temperature limit of the battery"
        yield _limit("battery_temperature", hottest, "battery", why)


def _units(board: BoardFile) -> Iterator[Limit]:
    battery = board.battery
    ways: tuple[tuple[str, Direction, int], ...] = (
        ("discharge", "above", 1),
        ("charge", "below", -1),
    )
    for way, direction, sign in ways:
        for unit in battery.units:
            found = _unit_current(unit, way)
            if found is None:
                continue
            current, arithmetic = found
            part = f"battery unit '{unit.name}'"
            share, why = _shared(battery, current)
            yield _limit(
                "battery_current",
                sign * share,
                part,
                f"{arithmetic}{why}: {way} limit of {part}",
                direction=direction,
            )


def _unit_current(unit: BatteryUnit, way: str) -> tuple[float, str] | None:
    """Return a unit's continuous current in A and how it was found; None when not stated."""
    rate: float | None = getattr(unit, f"max_{way}_rate")
    cell: float | None = getattr(unit, f"max_{way}_current")
    if rate is not None and unit.cell_capacity is not None:
        current = unit.parallel * unit.cell_capacity * rate
        factors = f"{unit.parallel} parallel × {unit.cell_capacity:g} Ah × {rate:g} C"
    elif cell is not None:
        current = unit.parallel * cell
        factors = f"{unit.parallel} parallel × {cell:g} A"
    else:
        return None
    return current, f"{factors} = {current:g} A"


def _shared(battery: Battery, current: float) -> tuple[float, str]:
    """Return the pack current at which each unit carries ``current``, and the words for it."""
    count = len(battery.units) if battery.joined == "parallel" else 1
    if count <= 1:
        return current, ""
    total = count * current
    return total, f", × {count} units in parallel = {total:g} A if they share equally"


def _conductors(board: BoardFile) -> Iterator[Limit]:
    groups = (("fuse", board.fuses), ("lead", board.leads), ("connector", board.connectors))
    for what, entries in groups:
        for entry in entries:
            part = f"{what} '{entry.name}'"
            yield from _conductor(board, entry, part)


def _conductor(board: BoardFile, entry: Conductor, part: str) -> Iterator[Limit]:
    current = entry.rated_current
    why = f"{current:g} A: rating of {part}"
    if entry.place == "motor":
        yield from _both_ways("motor_current", current, part, why)
    elif entry.place == "controller":
        yield from _both_ways("controller_battery_current", current, part, why)
        yield from _all_controllers(board, current, part, f"rating of {part}")
    elif entry.place == "unit":
        total, share = _shared(board.battery, current)
        yield from _both_ways(
            "battery_current", total, part, f"{current:g} A{share}: rating of {part}"
        )
    else:
        yield from _both_ways("battery_current", current, part, why)


def _all_controllers(
    board: BoardFile, current: float, part: str, what: str, kind: Kind = "limit"
) -> Iterator[Limit]:
    """Yield the limit on the whole battery current that one on each controller's share makes."""
    count = max(board.motor_count, 1)
    total = count * current
    why = f"{current:g} A: {what}"
    if count > 1:
        # A setting bounds the sum however they share; ratings add only while they share equally.
        share = "" if kind == "setting" else " if they share equally"
        why = f"{count} controllers × {current:g} A = {total:g} A{share}: {what}"
    yield from _both_ways("battery_current", total, part, why, kind)


def _numbered(entries: tuple[_E, ...]) -> Iterator[tuple[int, _E]]:
    """Yield every single motor or controller with its number, from 1."""
    yield from enumerate((entry for entry in entries for _ in range(entry.count)), 1)


def _each(what: str, entries: tuple[_E, ...]) -> Iterator[tuple[int, _E, str]]:
    """Yield (index, entry, part): index 0 where all are alike, else one for each."""
    if len(entries) == 1:
        name = f" '{entries[0].name}'" if entries[0].name else ""
        yield 0, entries[0], (f"each {what}" if entries[0].count > 1 else what) + name
        return
    for index, entry in _numbered(entries):
        yield index, entry, f"{what} {index}" + (f" '{entry.name}'" if entry.name else "")


def _motors(board: BoardFile) -> Iterator[Limit]:
    for index, motor, part in _each("motor", board.motors):
        if (current := motor.rated_current) is not None:
            why = f"{current:g} A: rated current of {part}"
            yield from _both_ways("motor_current", current, part, why, index=index)
        if (hottest := motor.temperature_limit) is not None:
            why = f"{hottest:g} °C: temperature limit of {part}"
            yield _limit("motor_temperature", hottest, part, why, index=index)


def _controllers(board: BoardFile) -> Iterator[Limit]:
    for index, controller, part in _each("controller", board.controllers):
        if (current := controller.continuous_current) is not None:
            why = f"{current:g} A: continuous current of {part}"
            yield from _both_ways("motor_current", current, part, why, index=index)
        if (burst := controller.burst_current) is not None:
            seconds = controller.burst_seconds or 0.0
            why = f"{burst:g} A for {seconds:g} s: burst current of {part}"
            yield from _both_ways(
                "motor_current", burst, part, why, "burst", index=index, seconds=seconds
            )
        if (share := controller.battery_current) is not None:
            what = f"battery current of {part}"
            yield from _both_ways(
                "controller_battery_current", share, part, f"{share:g} A: {what}", index=index
            )
            yield from _all_controllers(board, share, part, what)
        if (most := controller.max_voltage) is not None:
            yield _limit("pack_voltage", most, part, f"{most:g} V: greatest voltage of {part}")
        if (hottest := controller.temperature_limit) is not None:
            why = f"{hottest:g} °C: temperature limit of {part}"
            yield _limit("controller_temperature", hottest, part, why, index=index)
        if (duty := controller.duty_ceiling) is not None:
            why = f"{duty:g}: duty ceiling of {part}"
            yield from _both_ways("duty_cycle", duty, part, why, index=index)


def _settings(board: BoardFile) -> Iterator[Limit]:
    def value_of(name: str) -> float | None:
        value = board.settings.get(name)
        return None if isinstance(value, str) or value is None else float(value)

    for name, channel, sign in (
        ("motor_current_limit", "motor_current", 1),
        ("brake_current_limit", "motor_current", -1),
        ("battery_current_limit", "controller_battery_current", 1),
        ("regen_current_limit", "controller_battery_current", -1),
        ("duty_limit", "duty_cycle", 1),
        ("voltage_cutback_start", "pack_voltage", -1),
        ("voltage_cutback_end", "pack_voltage", -1),
    ):
        value = value_of(name)
        if value is None:
            continue
        part, unit = f"setting {name}", vocabulary()[channel].unit
        quantity = f"{value:g}" if unit == "1" else f"{value:g} {unit}"
        direction: Direction = "above" if sign > 0 else "below"
        signed = value if channel == "pack_voltage" else sign * value
        yield _limit(channel, signed, part, f"{quantity}: {part}", "setting", direction=direction)
        if channel == "controller_battery_current":
            for limit in _all_controllers(board, value, part, part, "setting"):
                if limit.direction == direction:
                    yield limit
