"""Units that a column may be in, as exact ratios to the unit of a channel.

Factors: NIST Special Publication 811 (2008), appendix B: 1 mi = 1609.344 m, 1 ft = 0.3048 m,
1 nautical mile = 1852 m, t(°C) = (t(°F) − 32)/1.8, t(°C) = T(K) − 273.15; the rest are SI prefixes
and the definitions of minute, hour and percent.
"""

from dataclasses import dataclass
from fractions import Fraction


@dataclass(frozen=True)
class Conversion:
    """result = x × ``factor`` + ``offset``, exactly."""

    factor: Fraction = Fraction(1)
    offset: Fraction = Fraction(0)

    def then(self, other: "Conversion") -> "Conversion":
        """Return this step followed by ``other``."""
        return Conversion(self.factor * other.factor, self.offset * other.factor + other.offset)

    def inverse(self) -> "Conversion":
        """Return the step back."""
        return Conversion(1 / self.factor, -self.offset / self.factor)


def _line(factor: str | Fraction, offset: str | Fraction = "0") -> Conversion:
    return Conversion(Fraction(factor), Fraction(offset))


_PREFIXES = {"k": "1000", "m": "1/1000", "µ": "1/1000000", "M": "1000000"}

_UNITS: dict[str, tuple[str, Conversion]] = {
    "km/h": ("m/s", _line("5/18")),
    "mph": ("m/s", _line("0.44704")),
    "kn": ("m/s", _line("463/900")),
    "ft/s": ("m/s", _line("0.3048")),
    "°F": ("°C", _line("5/9", "-160/9")),
    "K": ("°C", _line("1", "-273.15")),
    "rpm": ("r/min", _line("1")),
    "r/s": ("r/min", _line("60")),
    "%": ("1", _line("1/100")),
    "mi": ("m", _line("1609.344")),
    "ft": ("m", _line("0.3048")),
    "min": ("s", _line("60")),
    "h": ("s", _line("3600")),
    **{
        prefix + unit: (unit, _line(factor))
        for unit in ("A", "V", "W", "m", "s", "Ah", "Wh", "Ω")
        for prefix, factor in _PREFIXES.items()
    },
}
"""Unit to (its base unit, the step to that)."""

_SPELLINGS = {
    "C": "°C", "degC": "°C", "ºC": "°C", "F": "°F", "degF": "°F", "ºF": "°F", "kph": "km/h",
    "kmh": "km/h", "kmph": "km/h", "RPM": "rpm", "ohm": "Ω", "mohm": "mΩ", "us": "µs", "μs": "µs",
    "uA": "µA", "uV": "µV", "sec": "s", "percent": "%",
}  # fmt: skip
"""Other common ways to write a unit (common practice, no source)."""

NAMES = sorted({*_UNITS, "A", "V", "°C", "m/s", "r/min", "1"})


def spelled(unit: str) -> str:
    """Return the unit as this module writes it."""
    return _SPELLINGS.get(unit, unit)


def conversion(unit: str, target: str) -> Conversion | None:
    """Return the exact step from ``unit`` to ``target``; None where there is none."""
    unit, target = spelled(unit), spelled(target)
    if unit == target:
        return Conversion()
    base, there = _UNITS.get(unit, (unit, Conversion()))
    goal, back = _UNITS.get(target, (target, Conversion()))
    return there.then(back.inverse()) if base == goal else None
