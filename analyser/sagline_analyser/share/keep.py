"""What a shared file may hold: our own words, standard names, numbers; the rest is asked for."""

import re
from collections import Counter
from dataclasses import dataclass, field

from sagline_logger.format import Channel, vocabulary

KEEP = {
    "board-name": "the board's name",
    "firmware": "the name of the board's program",
    "labels": "names and labels the board gave to streams and channels",
    "fault-text": "the board's own words for a fault (its number is always in)",
    "notes": "notes, and the texts of marks",
    "date": "date and time of day",
    "position": "latitude, longitude, altitude, and other channels that may tell a place",
    "other-channels": "channels that are not standard ones; their names only with labels",
    "settings": "settings with names of your own, or that are no plain numbers",
    "board-file": "the board file as you wrote it, with names and comments",
    "source": "the port or device address, and how a lost link was noticed",
}
"""The choices of ``--keep``; what none of them names is never in a shared file."""

LABELS = frozenset(
    {"left", "right", "front", "rear", "front left", "front right", "rear left", "rear right"}
)
"""Labels that tell nothing but a place on the vehicle."""

UNITS = frozenset(
    {
        "",
        "1",
        "%",
        "V",
        "A",
        "W",
        "Wh",
        "Ah",
        "°C",
        "m/s",
        "km/h",
        "r/min",
        "N m",
        "Hz",
        "s",
        "Ω",
        "Pa",
        "bar",
        "m/s²",
    }
)
"""Units that a channel of any name may keep."""

_PLACE = re.compile(
    r"(^|[^a-z])(lat|latitude|lon|lng|long|longitude|pos|position|gps|gnss|alt|altitude|"
    r"elevation|height|heading|course|bearing|track|easting|northing|distance_to)([^a-z]|$)"
)
_PLACE_UNITS = frozenset({"°", "deg", "degree", "degrees", "rad"})


def is_standard(key: str, channel: Channel) -> bool:
    """Whether a column is a standard channel in its standard unit, under its own key."""
    term = vocabulary().get(channel.name)
    return term is not None and term.unit == channel.unit and key == channel.key


def is_place(channel: Channel) -> bool:
    """Whether a channel is one of the standard ones of where the vehicle is."""
    term = vocabulary().get(channel.name)
    return term is not None and term.group == "place"


def tells_place(channel: Channel) -> bool:
    """Whether a channel's name or unit suggests a position.

    Only decides between two kinds of left out, ``position`` and ``other-channels``: a channel
    that is not standard is in a shared file only when asked for, whatever it is called.
    """
    return (
        is_place(channel)
        or bool(_PLACE.search(channel.name.lower()))
        or channel.unit.lower() in _PLACE_UNITS
    )


@dataclass
class Account:
    """What was kept and left out, counted by the words it is told in."""

    keep: frozenset[str]
    kept: Counter[str] = field(default_factory=Counter)
    left: Counter[tuple[str, str]] = field(default_factory=Counter)
    """By (words, the choice of ``--keep`` that would keep it)."""

    def ask(self, choice: str, words: str, present: object = True) -> bool:
        """Return whether ``choice`` was made, and note what that does to ``words``."""
        chosen = choice in self.keep
        if present and chosen:
            self.kept[words] += 1
        elif present:
            self.left[words, choice] += 1
        return chosen

    def text(self, choice: str, words: str, text: str) -> str:
        """Return ``text`` if ``choice`` was made, else nothing."""
        return text if self.ask(choice, words, text) else ""

    def kept_lines(self) -> list[str]:
        """Return what is in the file, one line a kind."""
        return [_counted(words, count) for words, count in self.kept.items()]

    def left_lines(self) -> list[str]:
        """Return what was left out, one line a kind, with the option that would keep it."""
        return [
            f"{_counted(words, count)} (--keep {choice})"
            for (words, choice), count in self.left.items()
        ]


def _counted(words: str, count: int) -> str:
    return words if count == 1 else f"{words} × {count}"
