"""What is drawn where: groups that fold, panels with one unit, lines told apart twice over.

Colours are numbers 0 to 7 into the palette; dash and symbol carry the same difference without them.
"""

from collections.abc import Sequence
from dataclasses import dataclass

from sagline_logger.format import Channel, vocabulary

from ..findings.readings.summary import channel_words
from .columns import Column
from .units import display_unit

_BLACK, _ORANGE, _SKY, _GREEN, _YELLOW, _BLUE, _VERMILION, _PURPLE = range(8)
_WHEEL = (_BLUE, _VERMILION, _GREEN, _PURPLE, _SKY, _ORANGE)
_DASHES = ("solid", "dash", "dot", "dashdot")
_SYMBOLS = ("circle", "triangle-up", "square", "diamond", "cross", "x", "star", "hexagon")

_GROUPS = (
    ("current", "Currents", ("current",)),
    ("duty", "Duty cycle", ("duty",)),
    ("temperature", "Temperatures", ("temperature", "air")),
    ("cell", "Cells", ("cell",)),
    ("voltage", "Pack", ("voltage", "charge")),
    ("speed", "Speed and rider", ("speed", "input")),
    ("height", "Height", ("place",)),
    ("other", "Other channels", ("other",)),
)
HEADED = frozenset(group for _, _, members in _GROUPS for group in members)
"""Groups of channels that have a heading of their own, or "other"."""

_DERIVED = {"cell_spread": "cell", "derived_speed": "speed"}


@dataclass(frozen=True)
class PanelLine:
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

    title: str
    unit: str
    lines: tuple[PanelLine, ...]


@dataclass(frozen=True)
class PanelGroup:
    """Panels under one heading that fold away together."""

    id: str
    title: str
    panels: tuple[Panel, ...]


def lay_out(columns: Sequence[Column], lowest_cell: str | None = None) -> tuple[PanelGroup, ...]:
    """Place every column; ``lowest_cell`` is the cell column to draw boldly."""
    groups = []
    for ident, title, members in _GROUPS:
        panels: dict[tuple[str, str], list[Column]] = {}
        for column in columns:
            if _group_of(column) in members and column.channel.name not in FROM_ABOVE:
                unit, _ = display_unit(column.channel)
                panels.setdefault((_APART.get(column.channel.name, ""), unit), []).append(column)
        if panels:
            drawn = tuple(_panel(part, lowest_cell) for part in panels.values())
            groups.append(PanelGroup(ident, title, drawn))
    return tuple(groups)


FROM_ABOVE = ("latitude", "longitude")
"""Channels that say nothing over time: they are drawn as the course."""

_APART = {
    "battery_current": "battery",
    "controller_battery_current": "battery",
    "battery_current_limit": "battery",
    "cell_spread": "spread",
}
"""Channels with a panel apart from others of the same group and unit."""


def _group_of(column: Column) -> str:
    name = column.channel.name
    term = vocabulary().get(name)
    group = _DERIVED.get(name) or (term.group if term else "other")
    # A group that no panel was thought of for must not take its channels off the page.
    return group if group in HEADED else "other"


def _limits(name: str) -> bool:
    """Whether a channel tells a limit of another."""
    term = vocabulary().get(name)
    return term is not None and bool(term.limit_of)


def _panel(columns: Sequence[Column], lowest_cell: str | None) -> Panel:
    names = [c.channel.name for c in columns]
    measured = [name for name in dict.fromkeys(names) if not _limits(name)]
    # Motors keep their colour and dash from panel to panel.  Each quantity has its own colours, as
    # many as it has motors, at least a pair; those that come round the wheel have another dash.
    ranked = [name for name in measured if any(c.channel.index for c in columns_of(columns, name))]
    motors = max((c.channel.index for n in ranked for c in columns_of(columns, n)), default=0)
    motors = max(motors, 2)
    # A name may come with an index and without one.
    alone = [n for n in measured if any(not c.channel.index for c in columns_of(columns, n))]
    lines = []
    for column in columns:
        channel = column.channel
        index = max(channel.index, 1) - 1
        limit = _limits(channel.name)
        bold = column.key == lowest_cell
        width = 3.0 if bold else 1.0 if limit or channel.name == "cell_voltage" else 1.5
        symbol = index
        if bold:
            colour, dash = _BLACK, "solid"
        elif channel.name == "cell_voltage":
            colour, dash = _WHEEL[index % 6], _DASHES[index // 6 % 4]
        elif limit:
            colour, dash = _WHEEL[index % 6], _DASHES[(index + 2) % 4]
            symbol += 6
        elif channel.index:
            rank = ranked.index(channel.name)
            colour, dash = _WHEEL[(motors * rank + index) % 6], _DASHES[index % 4]
            symbol += motors * rank
        elif ranked or len(alone) == 1:
            colour, dash = _BLACK, _DASHES[alone.index(channel.name) % 4]
            symbol = 4
        else:
            place = alone.index(channel.name)
            colour, dash, symbol = _WHEEL[place % 6], _DASHES[place % 4], place
        unit, factor = display_unit(channel)
        lines.append(
            PanelLine(
                column,
                label_of(channel) + (" (lowest)" if bold else ""),
                unit,
                factor,
                colour,
                dash,
                _SYMBOLS[symbol % len(_SYMBOLS)],
                width,
                str(channel.index) if channel.name == "cell_voltage" and channel.index else "",
            )
        )
    title = ", ".join(_TITLES.get(name, name.replace("_", " ")) for name in measured or names)
    return Panel(title, lines[0].unit, tuple(lines))


_TITLES = {
    "cell_spread": "highest minus lowest cell",
    "derived_speed": "speed, derived from motor speed",
}


def columns_of(columns: Sequence[Column], name: str) -> list[Column]:
    """Return the columns of one channel name."""
    return [column for column in columns if column.channel.name == name]


def label_of(channel: Channel) -> str:
    """Return a line's label in plain words."""
    if channel.name == "derived_speed":
        return "speed, derived from motor speed"
    return channel_words(channel)
