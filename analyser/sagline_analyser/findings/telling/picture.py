"""What an answer's small picture shows, in numbers; how it is drawn is the page's business."""

from dataclasses import dataclass
from typing import Protocol


@dataclass(frozen=True)
class Row:
    """One row of a picture where nothing can be drawn but bars: its name, its length from 0 to 1
    (None: no bar), what stands beside it, and whether it stands out."""

    label: str
    share: float | None
    told: str = ""
    odd: bool = False


class Picture(Protocol):
    """An answer's small picture: a frozen dataclass of numbers.

    A page draws its rows, unless it has a drawing of its own for that kind.
    """

    @property
    def rows(self) -> tuple[Row, ...]:
        """The picture in rows."""


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
    """Bars on one scale from 0, with a line at ``mark`` (a rating, 100 %) in the same unit.

    ``what`` they are stands above them where the card's line is about something else.
    """

    unit: str
    bars: tuple[Bar, ...]
    mark: float | None = None
    mark_label: str = ""
    what: str = ""

    @property
    def rows(self) -> tuple[Row, ...]:
        """The picture in rows, the line at ``mark`` as the last."""
        top = max([*(bar.value for bar in self.bars), self.mark or 0.0, 1e-9])
        rows = [Row(self.what, None)] if self.what else []
        rows += [
            Row(bar.label, bar.value / top, f"{bar.value:.4g} {self.unit}", bar.odd)
            for bar in self.bars
        ]
        if self.mark is not None:
            rows.append(Row(self.mark_label, self.mark / top, f"{self.mark:.4g} {self.unit}"))
        return tuple(rows)


@dataclass(frozen=True)
class Shares:
    """Parts of one whole: (label, share from 0 to 1), largest first."""

    parts: tuple[tuple[str, float], ...]

    @property
    def rows(self) -> tuple[Row, ...]:
        """The picture in rows."""
        return tuple(Row(label, share, f"{share:.0%}") for label, share in self.parts)


@dataclass(frozen=True)
class Steps:
    """What came one after the other: (s from the moment that is asked about, words)."""

    moments: tuple[tuple[float, str], ...]

    @property
    def rows(self) -> tuple[Row, ...]:
        """The picture in rows."""
        return tuple(Row(f"{time:+.2f} s {words}", None) for time, words in self.moments)
