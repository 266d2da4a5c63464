"""The few numbers worth a glance, picked from the latest values of a capture."""

import math
from collections.abc import Iterable, Mapping
from dataclasses import dataclass

from ..format import Term, vocabulary


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


def numbers(latest: Mapping[str, float]) -> tuple[Number, ...]:
    """Return nine numbers from ``latest`` (column name → value), in rows of three.

    More than two motors are shown as the two with the largest current.
    """
    motors = sorted(columns_of(latest, "motor_current"), key=lambda key: -_size(latest[key]))[:2]
    currents = [
        Number(_title(key), latest[key], "A", 0, "", (key,), f"motor {_index(key) or ''}".rstrip())
        for key in sorted(motors, key=_index)
    ]
    while len(currents) < 2:
        currents.append(Number("motor current", math.nan, "A", 0, short="motor"))
    duty = max(columns_of(latest, "duty_cycle"), key=lambda key: _size(latest[key]), default="")
    hot = max(
        (key for key in latest if _term(key).group == "temperature" and key != _AMBIENT),
        key=lambda key: _above_nothing(latest[key]),
        default="",
    )
    cells = columns_of(latest, "cell_voltage")
    low = min(cells, key=lambda key: _below_nothing(latest[key]), default="")
    cell, part = str(_index(low) or ""), _title(hot)

    def one(title: str, key: str, unit: str, decimals: int, factor: float, short: str) -> Number:
        return Number(title, factor * latest.get(key, math.nan), unit, decimals, "", (key,), short)

    return (
        one("speed", "speed", "km/h", 0, 3.6, "speed"),
        one("battery current", "battery_current", "A", 0, 1.0, "battery"),
        one("charge", "state_of_charge", "%", 0, 100.0, "charge"),
        *currents,
        Number(
            "duty cycle", 100 * latest.get(duty, math.nan), "%", 0, _part(duty), (duty,), "duty"
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


_AMBIENT = "ambient_temperature"


def _split(key: str) -> tuple[str, int]:
    name, _, index = key.rpartition("_")
    return (name, int(index)) if index.isdigit() else (key, 0)


def _index(key: str) -> int:
    return _split(key)[1]


def _term(key: str) -> Term:
    return vocabulary().get(_split(key)[0], Term(key, "", "none", "", ""))


def columns_of(keys: Iterable[str], name: str) -> list[str]:
    """Return the columns of channel ``name`` among ``keys``, by index."""
    return sorted((key for key in keys if _split(key)[0] == name), key=_index)


def _part(key: str) -> str:
    index = _index(key)
    return f"{_term(key).index} {index}" if index else ""


def _title(key: str) -> str:
    if not key:
        return ""
    words = _split(key)[0].replace("_temperature", "").replace("_", " ")
    return f"{words} {_index(key)}" if _index(key) else words


def _size(value: float) -> float:
    return -1.0 if math.isnan(value) else abs(value)


def _above_nothing(value: float) -> float:
    return -math.inf if math.isnan(value) else value


def _below_nothing(value: float) -> float:
    return math.inf if math.isnan(value) else value
