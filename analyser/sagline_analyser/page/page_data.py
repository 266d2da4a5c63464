"""What the page's scripts are handed: the names and the kinds of the JSON block ``spec``.

The one list for both sides.  mypy holds what Python writes against it, and
``tests/typed/scripts.py`` writes it down for TypeScript's checker, which holds what the scripts
read.
"""

from typing import NotRequired, TypedDict

Values = list[float | None]
"""One value a stretch of the ride; None where nothing was read."""


class TableData(TypedDict):
    """Times that several columns share: their ``jumps`` are [index, µs] of steps past 31 bits."""

    name: str
    period: float
    jumps: list[tuple[int, int]]


class OverviewData(TypedDict):
    """The reduced view: steps of time in µs, steps of raw values, and before which entry a line
    breaks."""

    steps: list[int]
    raw: list[float]
    cuts: list[int]


class ColumnData(TypedDict):
    """One column: raw readings of ``kind`` (such as ``i2``), and how they become values."""

    key: str
    table: int
    kind: str
    multiplier: int
    offset: int
    exponent: int
    missing: float | None
    how: str
    title: str | None
    overview: OverviewData


class LineData(TypedDict):
    """One line of a panel: which column, and how it looks."""

    column: int
    label: str
    unit: str
    factor: float
    colour: int
    dash: str
    symbol: str
    width: float
    digit: str
    shown: bool


class LimitData(TypedDict):
    """One limit of a panel, in its unit; ``near`` asks for it to be drawn."""

    level: float
    above: bool
    kind: str
    short: str
    reason: str
    near: bool


class PanelData(TypedDict):
    """Lines with one vertical axis; ``spans`` (s) are where a limit of theirs was crossed."""

    title: str
    alike: bool
    unit: str
    lines: list[LineData]
    limits: list[LimitData]
    spans: list[tuple[float, float]]


class GroupData(TypedDict):
    """Panels that fold away together."""

    id: str
    title: str
    panels: list[PanelData]


class PowerData(TypedDict):
    """The columns whose sums are the battery's current and its voltage."""

    current: list[int]
    voltage: list[int]


class EventData(TypedDict):
    """One entry of the event lane, at ``t`` s."""

    t: float
    what: str
    text: str


class SegmentData(TypedDict):
    """One start of the board, in s; ``step`` (V) is the voltage's across the gap before it."""

    number: int
    start: float
    end: float
    step: float | None


class GapData(TypedDict):
    """A lost link, in s."""

    start: float
    end: float


class StripData(TypedDict):
    """The strip at the head: each row has ``count`` stretches (see :func:`.strip.strip`)."""

    count: int
    speed: NotRequired[Values]
    current: NotRequired[list[Values]]
    cell: NotRequired[Values]
    stop: NotRequired[float | None]


class CourseData(TypedDict):
    """The course: s, m east and m north of the first fix, and the scale of colours."""

    t: list[float]
    x: list[float]
    y: list[float]
    cut: list[int]
    scale: tuple[str, ...]


class PageData(TypedDict):
    """All of it: ``duration`` and ``zero`` in s, ``wall`` the start in s since 1970 if known."""

    duration: float
    wall: float | None
    zero: float
    palette: tuple[str, ...]
    tables: list[TableData]
    columns: list[ColumnData]
    groups: list[GroupData]
    power: PowerData
    events: list[EventData]
    segments: list[SegmentData]
    gaps: list[GapData]
    strip: StripData
    course: NotRequired[CourseData]
