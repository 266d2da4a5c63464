"""What is drawn where: groups that fold, panels with one unit, lines told apart twice over.

Colours are numbers 0 to 7 into the palette of M. Okabe and K. Ito, "Color Universal Design"
(2008), made for colour-blind readers; dash and symbol carry the same difference without colour.
"""

from collections.abc import Sequence
from dataclasses import dataclass

from sagline_logger.format import Channel, vocabulary

from ..findings.summary import channel_words
from .columns import Column
from .units import display_unit

PALETTE = ("#000000", "#E69F00", "#56B4E9", "#009E73", "#F0E442", "#0072B2", "#D55E00", "#CC79A7")
"""Okabe and Ito's eight colours in their order; the first becomes near-white in dark mode."""

_BLACK, _ORANGE, _SKY, _GREEN, _YELLOW, _BLUE, _VERMILION, _PURPLE = range(8)
_PAIRS = ((_BLUE, _VERMILION), (_GREEN, _PURPLE), (_SKY, _ORANGE))
_WHEEL = (_BLUE, _VERMILION, _GREEN, _PURPLE, _SKY, _ORANGE)
_DASHES = ("solid", "dash", "dot", "dashdot")
_SYMBOLS = ("circle", "triangle-up", "square", "diamond", "cross", "x", "star", "hexagon")

_GROUPS = (
    ("current", "Currents and limits", ("current",)),
    ("duty", "Duty cycle", ("duty",)),
    ("temperature", "Temperatures", ("temperature",)),
    ("cell", "Cells", ("cell",)),
    ("voltage", "Pack voltage", ("voltage",)),
    ("speed", "Speed and rider input", ("speed", "input")),
    ("other", "Other channels", ("other",)),
)
_DERIVED = {"cell_spread": "cell", "derived_speed": "speed"}


@dataclass(frozen=True)
class Line:
    """One column as a line: palette number, dash, marker symbol, width in px.

    ``digit`` is a short text that is set on the line itself (a cell's number) or "".
    """

    column: Column
    label: str
    unit: str
    factor: float
    colour: int
    dash: str
    symbol: str
    width: float
    digit: str = ""
    shown: bool = True


@dataclass(frozen=True)
class Panel:
    """Lines that share a vertical axis, in ``unit`` ("" for a plain number)."""

    unit: str
    lines: tuple[Line, ...]


@dataclass(frozen=True)
class Group:
    """Panels under one heading that fold away together."""

    id: str
    title: str
    panels: tuple[Panel, ...]


def lay_out(columns: Sequence[Column], lowest_cell: str | None = None) -> tuple[Group, ...]:
    """Place every column; ``lowest_cell`` is the cell column to draw boldly."""
    groups = []
    for ident, title, members in _GROUPS:
        units: dict[str, list[Column]] = {}
        for column in columns:
            if _group_of(column) in members:
                # Motor speeds may be told apart from road speed by their unit; spread has its own.
                unit, _ = display_unit(column.channel)
                own = " spread" if column.channel.name == "cell_spread" else ""
                units.setdefault(unit + own, []).append(column)
        panels = tuple(_panel(part, lowest_cell) for part in units.values())
        if panels:
            groups.append(Group(ident, title, panels))
    return tuple(groups)


def _group_of(column: Column) -> str:
    name = column.channel.name
    term = vocabulary().get(name)
    return _DERIVED.get(name) or (term.group if term else "other")


def _panel(columns: Sequence[Column], lowest_cell: str | None) -> Panel:
    names = list(dict.fromkeys(column.channel.name for column in columns))
    ranked = [name for name in names if not name.endswith("_limit")]
    several = len(columns) > 1
    lines = []
    for number, column in enumerate(columns):
        channel = column.channel
        index = channel.index
        limit = channel.name.endswith("_limit")
        rank = (ranked.index(channel.name) if not limit else len(ranked)) % len(_PAIRS)
        if channel.name == "cell_voltage":
            colour, dash = _WHEEL[(index - 1) % 6], _DASHES[(index - 1) // 6 % 4]
        elif index == 0:
            colour = (
                _BLACK
                if channel.name in ("battery_current", "speed") or not several
                else (_WHEEL[number % 6])
            )
            dash = _DASHES[0] if ranked[:1] == [channel.name] else _DASHES[number % 4]
        else:
            pair = _PAIRS[rank]
            colour = pair[(index - 1) % 2]
            dash = _DASHES[(index - 1) % 4]
        if limit:
            dash = ("dot", "dashdot")[(index - 1) % 2 if index else 0]
        bold = column.key == lowest_cell
        unit, factor = display_unit(channel)
        lines.append(
            Line(
                column, label_of(channel) + (" (lowest)" if bold else ""), unit, factor,
                colour, dash, _SYMBOLS[(max(index, 1) - 1 + 2 * rank) % len(_SYMBOLS)],
                3.0 if bold else 1.0 if limit or channel.name == "cell_voltage" else 1.5,
                str(index) if channel.name == "cell_voltage" and index else "",
            )
        )  # fmt: skip
    return Panel(lines[0].unit, tuple(lines))


def label_of(channel: Channel) -> str:
    """Return a line's label in plain words."""
    if channel.name == "derived_speed":
        return "speed, derived from motor speed"
    return channel_words(channel)
