"""What an answer's small picture shows, in numbers; how it is drawn is the page's business."""

from dataclasses import dataclass


@dataclass(frozen=True)
class Bar:
    """One bar: ``value`` in the picture's unit with its 90 % interval ``low`` to ``high``.

    ``odd`` marks the one that stands out.
    """

    label: str
    value: float
    low: float | None = None
    high: float | None = None
    odd: bool = False


@dataclass(frozen=True)
class Bars:
    """Bars on one scale from 0, with a line at ``mark`` (a rating, 100 %) in the same unit."""

    unit: str
    bars: tuple[Bar, ...]
    mark: float | None = None
    mark_label: str = ""


@dataclass(frozen=True)
class Shares:
    """Parts of one whole: (label, share from 0 to 1), largest first."""

    parts: tuple[tuple[str, float], ...]


@dataclass(frozen=True)
class Steps:
    """What came one after the other: (s from the moment that is asked about, words)."""

    moments: tuple[tuple[float, str], ...]


Picture = Bars | Shares | Steps
