"""Which standard name or unit was meant, where one was nearly written.

Nothing is renamed by this: a channel with a name of its own stays one, and people are told.
"""

import re
from functools import cache

from .vocabulary import vocabulary

SAME: dict[str, tuple[str, ...]] = {
    "V": ("v", "volt", "volts", "Volt", "Volts"),
    "A": ("a", "amp", "amps", "Amp", "Amps", "ampere", "amperes"),
    "°C": ("C", "c", "degC", "deg C", "degc", "celsius", "Celsius", "\u2103", "\u00baC"),
    "m/s": ("mps", "m/sec", "m s-1", "ms-1"),
    "r/min": ("rpm", "RPM", "rev/min", "1/min", "min-1"),
    "1": ("", "-", "ratio"),
}
"""Other spellings of a standard unit; the two last of °C are signs that only look like it."""
FACTORS: dict[str, dict[str, str]] = {
    "V": {"mV": "0.001", "kV": "1000", "uV": "0.000001", "µV": "0.000001"},
    "A": {"mA": "0.001", "kA": "1000", "uA": "0.000001", "µA": "0.000001"},
    "1": {"%": "0.01", "percent": "0.01", "‰": "0.001", "permille": "0.001"},
    "m/s": {"km/h": "1/3.6", "kmh": "1/3.6", "kph": "1/3.6", "mph": "0.44704",
            "cm/s": "0.01", "mm/s": "0.001", "kn": "0.514444", "ft/s": "0.3048"},
    "r/min": {"1/s": "60", "r/s": "60", "rps": "60", "Hz": "60", "krpm": "1000",
              "rad/s": "9.5493"},
}  # fmt: skip
"""By standard unit: what a value in another unit is multiplied by.

Source: SI prefixes and NIST Special Publication 811 (2008), appendix B.8 (mile, foot, knot)."""
_IN_NAMES = {"kmh", "kph", "mph", "mps", "rpm", "mv", "ma", "degc", "pct", "percent"}
"""Units that builders write behind a name; single letters are left, as they name phases too."""


def nearest_name(name: str) -> tuple[str, int] | None:
    """Return the standard name that ``name`` is nearly, and the index that stands in it (0: none).

    None for a standard name and for one that is the device's own: every word of it must be nearly
    the standard word or its beginning, so that ``motor_current_q`` is its own.
    """
    return None if name in vocabulary() else _nearest(name)


@cache
def _nearest(name: str) -> tuple[str, int] | None:
    words = _words(name)
    index = 0
    if len(words) > 1 and words[-1].isdecimal() and len(words[-1]) <= 3:
        index = min(int(words.pop()), 255)
    if len(words) > 1 and words[-1] in _IN_NAMES:
        words.pop()
    joined = "".join(words)
    best: tuple[int, str] | None = None
    for term in vocabulary():
        wanted = term.split("_")
        if len(words) == len(wanted):
            distance = sum(map(_word_distance, words, wanted))
        elif set(words) < set(wanted) or set(words) > set(wanted):
            continue  # a word more or less, so something else
        elif len(joined) < 8 or joined[0] != term[0]:
            continue
        else:  # written together, or parted elsewhere
            distance = _distance(joined, term.replace("_", ""), 1) + 1
        if distance <= 2 and (best is None or distance < best[0]):
            best = distance, term
    return None if best is None else (best[1], index)


def _words(name: str) -> list[str]:
    """Return the words of ``batteryCurrent``, ``Battery-Current`` or ``battery_current1``."""
    parted = re.sub(r"(?<=[a-z])(?=[A-Z])", "_", name)
    parted = re.sub(r"(?<=[A-Za-z])(?=\d+$)", "_", parted)
    return [word for word in re.split(r"[\W_]+", parted.casefold()) if word]


def _word_distance(word: str, wanted: str) -> int:
    """Return 0 to 2 where ``wanted`` may have been meant, else more."""
    if word == wanted:
        return 0
    if not word or word[0] != wanted[0] or word.isdecimal():
        return 99
    if 3 <= len(word) < len(wanted) and wanted.startswith(word.removesuffix("s")):
        return 0
    most = 2 if len(wanted) >= 7 else 1 if len(wanted) >= 4 else 0
    distance = _distance(word, wanted, most)
    return distance if distance <= most else 99


def _distance(one: str, other: str, most: int) -> int:
    """Return how many signs are added, lacking, wrong or swapped with their neighbour; anything
    above ``most`` where it is more (optimal string alignment)."""
    if abs(len(one) - len(other)) > most:
        return most + 1
    before, last = [0] * (len(other) + 1), list(range(len(other) + 1))
    for i, a in enumerate(one, 1):
        row = [i]
        for j, b in enumerate(other, 1):
            least = min(last[j] + 1, row[j - 1] + 1, last[j - 1] + (a != b))
            if i > 1 and j > 1 and a == other[j - 2] and one[i - 2] == b:
                least = min(least, before[j - 2] + 1)
            row.append(least)
        before, last = last, row
    return last[-1]


def unit_remedy(unit: str, wanted: str) -> str:
    """Return how values in ``unit`` come to be in the standard unit, or an empty text."""
    if unit in SAME.get(wanted, ()):
        return f"write the unit as {wanted}"
    factor = FACTORS.get(wanted, {}).get(unit)
    if factor is not None:
        return f"send it in {wanted}: {unit} times {factor}"
    if wanted == "°C" and unit in ("°F", "F", "degF", "K"):
        return f"send it in °C: {'K minus 273.15' if unit == 'K' else f'({unit} minus 32) / 1.8'}"
    return ""
