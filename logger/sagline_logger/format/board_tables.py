"""The tables of a board file as frozen dataclasses (specification: protocol_docs/board_file.md).

Each key's rule, unit and meaning stand once, beside its field; the reader, its error texts and the
check of the documentation all use them.
"""

from collections.abc import Mapping
from dataclasses import MISSING, dataclass, field
from typing import Any

from .limits import MAX_NAME
from .toml_tables import Rule, table_key

JOININGS = ("series", "parallel")
PLACES = ("battery", "unit", "controller", "motor")
SENSOR_PLACES = ("winding", "case")


def _name(what: str, example: str, **more: Any) -> Any:
    return table_key(what, example, limit=MAX_NAME, **more)


def _current(what: str, example: str) -> Any:
    return table_key(what, example, unit="A", high=5000)


def _count(what: str, **more: Any) -> Any:
    return table_key(what, "2", default=1, whole=True, high=16, **more)


@dataclass(frozen=True, slots=True, kw_only=True)
class BatteryUnit:
    """One battery unit: cells in one box that is taken out and swapped as one."""

    name: str = _name("what you call this unit", '"left box"', default=MISSING)
    series: int = table_key("cells (groups) in series", "13", default=MISSING, whole=True, high=255)
    parallel: int = table_key("cells in parallel", "6", default=MISSING, whole=True, high=1000)
    chemistry: str | None = _name("cell chemistry, for people to read", '"NMC"')
    cell_capacity: float | None = table_key(
        "rated capacity of one cell", "3.0", unit="Ah", high=1000
    )
    max_discharge_rate: float | None = table_key(
        "greatest continuous discharge rate of a cell", "5", unit="C", high=200
    )
    max_charge_rate: float | None = table_key(
        "greatest continuous charge rate of a cell, regeneration included", "1", unit="C", high=200
    )
    max_discharge_current: float | None = _current(
        "greatest continuous discharge current of one cell, instead of the rate", "15"
    )
    max_charge_current: float | None = _current(
        "greatest continuous charge current of one cell, instead of the rate", "3"
    )

    @property
    def capacity(self) -> float | None:
        """Capacity of the unit in Ah, if the cell's is stated."""
        return None if self.cell_capacity is None else self.parallel * self.cell_capacity


@dataclass(frozen=True, slots=True, kw_only=True)
class Battery:
    """The pack: battery units joined in series or in parallel, and the cell voltages to keep."""

    joined: str | None = table_key(
        "how the units are joined, needed when there are several", '"series"', choices=JOININGS
    )
    cell_full: float | None = table_key(
        "voltage of a full cell, never to be passed", "4.20", unit="V", high=5
    )
    cell_alarm: float | None = table_key(
        "cell voltage under load at which to ride gently", "3.30", unit="V", high=5
    )
    cell_stop: float | None = table_key("cell voltage at which to stop", "3.00", unit="V", high=5)
    temperature_limit: float | None = table_key(
        "greatest cell temperature", "60", unit="°C", low=-50, high=150
    )
    units: tuple[BatteryUnit, ...] = table_key(
        "the battery units, from the negative end of the pack",
        default=(),
        item=BatteryUnit,
        many=True,
    )

    @property
    def cells(self) -> int:
        """Cell groups in series through the whole pack; 0 when no unit is stated."""
        counts = [unit.series for unit in self.units]
        return sum(counts) if self.joined == "series" else max(counts, default=0)


@dataclass(frozen=True, slots=True, kw_only=True)
class Motor:
    """``count`` equal motors."""

    name: str | None = _name("what you call it", '"rear"')
    count: int = _count("how many such motors, numbered 1, 2, … through all [[motors]]")
    rated_current: float | None = _current("continuous motor (phase) current", "40")
    pole_pairs: int | None = table_key("pole pairs (half the magnets)", "14", whole=True, high=200)
    temperature_limit: float | None = table_key(
        "greatest winding temperature", "110", unit="°C", high=300
    )
    temperature_sensor: str | None = table_key(
        "where its temperature sensor sits; anywhere but in the winding is the case",
        '"winding"',
        choices=SENSOR_PLACES,
    )


@dataclass(frozen=True, slots=True, kw_only=True)
class Controller:
    """``count`` equal controllers; controller n drives motor n."""

    name: str | None = _name("what you call it", '"rear controller"')
    count: int = _count("how many such controllers (motor outputs)")
    continuous_current: float | None = _current("continuous motor (phase) current", "50")
    burst_current: float | None = _current("motor (phase) current for a short time", "90")
    burst_seconds: float | None = table_key(
        "how long the burst current may flow", "10", unit="s", high=3600
    )
    battery_current: float | None = _current(
        "continuous battery current of one controller, if its data sheet states one", "40"
    )
    max_voltage: float | None = table_key("greatest supply voltage", "60", unit="V", high=2000)
    temperature_limit: float | None = table_key(
        "greatest power-stage temperature", "85", unit="°C", high=300
    )
    duty_ceiling: float | None = table_key("greatest duty cycle it can run at", "0.95", high=1)


@dataclass(frozen=True, slots=True, kw_only=True)
class Conductor:
    """A lead, a fuse or a connector, rated for one current."""

    name: str = _name("what you call it", '"main connector"', default=MISSING)
    rated_current: float = table_key(
        "continuous current it is rated for", "60", default=MISSING, unit="A", high=5000
    )
    place: str = table_key(
        "where it sits, which tells the current through it",
        '"battery"',
        default="battery",
        choices=PLACES,
    )


@dataclass(frozen=True, slots=True, kw_only=True)
class Vehicle:
    """What turns motor speed into road speed."""

    wheel_diameter: float | None = table_key(
        "rolling diameter of a driven wheel", "0.40", unit="m", high=3
    )
    gearing: float | None = table_key(
        "motor turns for one turn of the wheel (1 for a hub motor)", "5.2", high=1000
    )


SETTINGS = {
    "motor_current_limit": Rule("motor current limit of one controller", "45", "A", high=5000),
    "brake_current_limit": Rule(
        "motor current limit of one controller while braking", "30", "A", high=5000
    ),
    "battery_current_limit": Rule("battery current limit of one controller", "25", "A", high=5000),
    "regen_current_limit": Rule(
        "battery current limit of one controller while regenerating, as a positive number",
        "8",
        "A",
        low_allowed=True,
        high=5000,
    ),
    "duty_limit": Rule("duty cycle limit of a controller", "0.95", high=1),
    "voltage_cutback_start": Rule(
        "pack voltage at which the controllers begin to cut the current", "44", "V", high=2000
    ),
    "voltage_cutback_end": Rule(
        "pack voltage at which the controllers deliver nothing", "41", "V", high=2000
    ),
}
"""Settings with a meaning of their own, each for one controller; any other name may stand too."""

RETIRED: dict[type, set[str]] = {Vehicle: {"total_mass"}, Motor: {"winding_resistance"}}
"""Keys of earlier board files that nothing was ever worked out from: passed over, whatever they
hold."""

SettingValue = str | int | float | bool


@dataclass(frozen=True, slots=True, kw_only=True)
class BoardFile:
    """One vehicle as its builder states it; None or an empty tuple where nothing is stated."""

    name: str = _name("the board's name", '"Kestrel"', default=MISSING)
    vehicle: Vehicle = field(
        default_factory=Vehicle, metadata={"rule": Rule("wheels and gearing", item=Vehicle)}
    )
    battery: Battery = field(
        default_factory=Battery, metadata={"rule": Rule("the pack", item=Battery)}
    )
    motors: tuple[Motor, ...] = table_key("the motors", default=(), item=Motor, many=True)
    controllers: tuple[Controller, ...] = table_key(
        "the controllers", default=(), item=Controller, many=True
    )
    fuses: tuple[Conductor, ...] = table_key("fuses", default=(), item=Conductor, many=True)
    leads: tuple[Conductor, ...] = table_key("leads", default=(), item=Conductor, many=True)
    connectors: tuple[Conductor, ...] = table_key(
        "connectors", default=(), item=Conductor, many=True
    )
    settings: Mapping[str, SettingValue] = field(
        default_factory=dict, metadata={"rule": Rule("controller settings in use", item=dict)}
    )

    @property
    def motor_count(self) -> int:
        """Number of motors, from either list; 0 when neither is stated."""
        entries: tuple[Motor | Controller, ...] = self.motors or self.controllers
        return sum(entry.count for entry in entries)
