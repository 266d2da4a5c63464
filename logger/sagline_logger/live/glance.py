"""The few numbers worth a glance, picked from the latest values of a capture."""

import math
from collections.abc import Iterable, Mapping
from dataclasses import dataclass

from ..format import Channel


@dataclass(frozen=True, slots=True)
class Number:
    """One number on the screen: what it is, its value (NaN when unknown), unit, and whose it is."""

    title: str
    value: float
    unit: str
    decimals: int
    part: str = ""
    keys: tuple[str, ...] = ()
    """The columns it stands for, to light it up when one of them raises an alarm."""
    short: str = ""
    """What it is in at most nine letters, for a screen without room."""

    @property
    def text(self) -> str:
        """The value as digits, or ``-`` when there is none."""
        if math.isnan(self.value):
            return "-"
        text = f"{self.value:.{self.decimals}f}"
        return text if float(text) else text.removeprefix("-")


def numbers(latest: Mapping[str, float], channels: Mapping[str, Channel]) -> tuple[Number, ...]:
    """Return the numbers from ``latest`` (column name → value), in rows of three: the first nine
    are shown large where there is room.

    More than two motors are shown as the two with the largest current.
    """
    found = columns_of(latest, channels, "motor_current")
    motors = [channels[key] for key in sorted(found, key=lambda key: -_size(latest[key]))[:2]]
    currents = [
        Number(
            _title(one),
            latest[one.key],
            "A",
            0,
            "",
            (one.key,),
            f"motor {one.index or ''}".rstrip(),
        )
        for one in sorted(motors, key=lambda one: one.index)
    ]
    while len(currents) < 2:
        currents.append(Number("motor current", math.nan, "A", 0, short="motor"))
    duties = columns_of(latest, channels, "duty_cycle")
    duty = max(duties, key=lambda key: _size(latest[key]), default="")
    hot = max(
        (key for key in latest if _warms(channels.get(key))),
        key=lambda key: _above_nothing(latest[key]),
        default="",
    )
    cells = columns_of(latest, channels, "cell_voltage")
    low = min(cells, key=lambda key: _below_nothing(latest[key]), default="")
    cell = str(channels[low].index or "") if low else ""
    part = _title(channels[hot]) if hot else ""

    def one(title: str, key: str, unit: str, decimals: int, factor: float, short: str) -> Number:
        return Number(title, factor * latest.get(key, math.nan), unit, decimals, "", (key,), short)

    return (
        one("speed", "speed", "km/h", 0, 3.6, "speed"),
        one("battery current", "battery_current", "A", 0, 1.0, "battery"),
        one("charge", "state_of_charge", "%", 0, 100.0, "charge"),
        *currents,
        Number(
            "duty cycle",
            100 * latest.get(duty, math.nan),
            "%",
            0,
            _part(channels.get(duty)),
            (duty,),
            "duty",
        ),
        one("pack voltage", "pack_voltage", "V", 1, 1.0, "pack"),
        Number(
            "lowest cell",
            latest.get(low, math.nan),
            "V",
            2,
            cell,
            tuple(cells),
            f"cell {cell}".rstrip(),
        ),
        Number("hottest part", latest.get(hot, math.nan), "°C", 0, part, (hot,), _letters(part)),
    )


def _letters(part: str) -> str:
    """Return a part in at most nine letters, its number kept."""
    name, _, index = part.rpartition(" ")
    if not part:
        return "hottest"
    if not name or not index.isdigit():
        return part[:9]
    room = 8 - len(index)
    return f"{name if len(name) <= room else name[: room - 1] + '.'} {index}"


def columns_of(keys: Iterable[str], channels: Mapping[str, Channel], name: str) -> list[str]:
    """Return those ``keys`` that are columns of the channel ``name``, by index."""
    found = (key for key in keys if key in channels and channels[key].name == name)
    return sorted(found, key=lambda key: channels[key].index)


def _warms(channel: Channel | None) -> bool:
    """Whether it is the temperature of a part, not of the air."""
    term = channel.term if channel else None
    return term is not None and term.group == "temperature"


def _part(channel: Channel | None) -> str:
    term = channel.term if channel else None
    return f"{term.index} {channel.index}" if term and channel and channel.index else ""


def _title(channel: Channel) -> str:
    words = channel.name.replace("_temperature", "").replace("_", " ")
    return f"{words} {channel.index}" if channel.index else words


def _size(value: float) -> float:
    return -1.0 if math.isnan(value) else abs(value)


def _above_nothing(value: float) -> float:
    return -math.inf if math.isnan(value) else value


def _below_nothing(value: float) -> float:
    return math.inf if math.isnan(value) else value
