"""The trends of many rides as one HTML file: resistance of each cell, balance, consumption."""

import itertools
from collections.abc import Iterator, Mapping, Sequence
from dataclasses import dataclass
from datetime import UTC, datetime
from pathlib import Path
from typing import Any, TypedDict

from sagline_logger.format import CAUTION, SaglineError
from sagline_logger.format.counting import several

from ..page.shell import data_block, head, plotly_source, resource, write_parts
from ..page.templates import page
from .cards import board_cards, rides_strip
from .library import LibraryEntry
from .listing import COLUMNS, date_text, row
from .pack_history import look_alike, same_name
from .ride_figures import PackFigures, RideFigures

CONSUMPTION = "consumption"
"""Name of the line whose points rest on sums over the ride."""
OPEN = 3
"""Boards that are unfolded at first."""
_WHEEL = (5, 6, 3, 7, 2, 1)
"""Numbers of the palette of M. Okabe and K. Ito, "Color Universal Design" (2008)."""
_DASHES = ("solid", "dash", "dot", "dashdot")
_SYMBOLS = ("circle", "triangle-up", "square", "diamond", "cross", "x", "star", "hexagon")


@dataclass(frozen=True)
class Trend:
    """One line of a trend: ``points`` are (ride, value, half-width of its interval or None)."""

    name: str
    points: tuple[tuple[RideFigures, float | None, float | None], ...]
    strong: bool = False
    one_of_many: bool = False
    """Whether others are drawn with it, whose bars would hide each other."""


Used = Sequence[tuple[RideFigures, PackFigures]]
"""Rides, each with the pack of it that is looked at; a ride with a swap may stand there twice."""


def resistance_trends(used: Used) -> list[Trend]:
    """Return each cell's resistance in mΩ; the cell that is highest in the last ride is strong."""
    numbers = sorted({cell.number for _, pack in used for cell in pack.cells})
    last = next((pack.cells for _, pack in reversed(used) if len(pack.cells) > 1), ())
    highest = max(last, key=lambda cell: cell.resistance).number if last else 0
    trends = []
    for number in numbers:
        points: list[tuple[RideFigures, float | None, float | None]] = []
        for ride, pack in used:
            cell = next((c for c in pack.cells if c.number == number), None)
            shown = (
                (None, None)
                if cell is None
                else (1e3 * cell.resistance, 1e3 * cell.resistance_error)
            )
            points.append((ride, *shown))
        strong = number == highest
        trends.append(Trend(f"cell {number}", tuple(points), strong, not strong))
    return trends


def balance_trend(used: Used) -> list[Trend]:
    """Return how far the cells lie apart at rest at the end, in mV."""
    points = tuple((r, None if p.balance is None else 1e3 * p.balance, None) for r, p in used)
    return [Trend("balance", points)] if any(y is not None for _, y, _ in points) else []


def consumption_trend(rides: Sequence[RideFigures]) -> list[Trend]:
    """Return the energy per distance in Wh/km."""
    points = tuple((r, r.per_km, r.per_km_error) for r in rides)
    return [Trend(CONSUMPTION, points)] if any(y is not None for _, y, _ in points) else []


class ChartLine(TypedDict):
    """One trend: dates (UTC) and values, what each point says, and how the line looks."""

    name: str
    x: list[str]
    y: list[float | None]
    error: list[float | None] | None
    text: list[str]
    colour: int
    dash: str
    symbol: str
    strong: bool


class ChartData(TypedDict):
    """One chart: ``zero`` shows its axis from 0, ``join`` draws lines between the points."""

    unit: str
    digits: int
    zero: bool
    join: bool
    lines: list[ChartLine]


class TrendsData(TypedDict):
    """What the page's script draws from."""

    charts: list[ChartData]


TITLE = "Rides over time – Sagline"
"""The title, by which such a page is known."""

_PACK_CHARTS = (
    (
        "Resistance of each cell, 10 s after a step of load",
        "mΩ",
        1,
        resistance_trends,
        "needs rides with cell_voltage_1, …, battery_current and changes of load",
    ),
    (
        "Balance: cells apart at rest at the end",
        "mV",
        0,
        balance_trend,
        "needs rides with cell_voltage_1, … and battery_current",
    ),
)
_CONSUMPTION = (
    "Consumption",
    "Wh/km",
    1,
    consumption_trend,
    "needs rides of 100 m with speed, battery_current and pack_voltage",
)


def write_trends(entries: Sequence[LibraryEntry], path: str | Path, directory: str) -> int:
    """Write the page of some rides to ``path`` and return its size in bytes.

    Raises:
        SaglineError: there are no rides to show, or the file cannot be written.
    """
    if not any(not entry.figures.problem for entry in entries):
        raise SaglineError(
            "no rides to draw", where=directory, remedy="loosen the filters, or name another place"
        )
    return write_parts(Path(path), _parts(entries, directory), TITLE)


def _parts(entries: Sequence[LibraryEntry], directory: str) -> Iterator[str]:
    plotly, script = plotly_source(), resource("trends.js", __package__)
    boards: dict[str, list[LibraryEntry]] = {}
    for entry in entries:
        if not entry.figures.problem:
            boards.setdefault(entry.figures.board or "unnamed", []).append(entry)
    # The board that was ridden most comes first.
    order = sorted(boards, key=lambda name: (-len(boards[name]), name))
    charts: list[ChartData] = []
    sections = [
        _board(name, boards[name], charts, at, unfolded=at < OPEN) for at, name in enumerate(order)
    ]
    damaged = [(e.path, e.figures.problem) for e in entries if e.figures.problem]
    shown = several(len(entries) - len(damaged), "ride")
    yield head(TITLE, plotly, script)
    yield from page(
        "rides/trends.jinja",
        facts=f"{shown} · {several(len(boards), 'board')} · {directory}",
        damaged=damaged,
        strip=rides_strip(entries),
        caution=CAUTION,
        boards=sections,
    )
    spec: TrendsData = {"charts": charts}
    yield data_block("spec", spec)
    yield f"<script>{plotly}</script>\n<script>{script}</script>\n</body></html>\n"


def _board(
    name: str, entries: Sequence[LibraryEntry], charts: list[ChartData], number: int, unfolded: bool
) -> dict[str, Any]:
    """Return what the template shows of one board; its charts are added to ``charts``."""
    rides = [entry.figures for entry in entries if entry.figures.started is not None]
    drawn: list[dict[str, Any]] = []
    packs = _packs(rides)
    apart = len(packs) > 1 or "" not in packs
    for pack, used in packs.items():
        where = (f" – pack {pack}" if pack else " – packs without a name") if apart else ""
        for title, unit, digits, trends_of, needs in _PACK_CHARTS:
            trends = trends_of(used)
            drawn.append(_chart(title + where, unit, digits, trends, needs, charts, bool(pack)))
        if not pack:
            drawn.append({"note": _unnamed(used, packs)})
    title, unit, digits, consumption, needs = _CONSUMPTION
    drawn.append(_chart(title, unit, digits, consumption(rides), needs, charts, True))
    dates = [date_text(ride.started)[:10] for ride in rides]
    span = f", {dates[0]} to {dates[-1]}" if len(rides) > 1 else ""
    return {
        "name": name,
        "open": unfolded,
        "count": several(len(entries), "ride") + span,
        "cards": board_cards(rides, number),
        "drawn": drawn,
        "titles": COLUMNS,
        "rows": [row(entry) for entry in entries],
    }


def _packs(rides: Sequence[RideFigures]) -> dict[str, list[tuple[RideFigures, PackFigures]]]:
    """Return every pack's use by its name as first written, those without a name last."""
    found: dict[str, list[tuple[RideFigures, PackFigures]]] = {}
    for ride in rides:
        for pack in ride.packs or (PackFigures(),):
            name = next((known for known in found if same_name(known, pack.name)), pack.name)
            found.setdefault(name, []).append((ride, pack))
    unnamed = found.pop("", None)
    return {**found, **({"": unnamed} if unnamed else {})} or {"": []}


def _unnamed(used: Used, packs: Mapping[str, Used]) -> str:
    """Say that points of unnamed packs are not joined, and which packs could be one."""
    said = (
        "Which pack this was is not known, so its points are not joined. Name a pack with "
        "record --pack NAME, or a mark pack: NAME after a swap."
    )
    offers = []
    for name, named in packs.items():
        alike = [look_alike(pack, named[-1][1]) for _, pack in used] if name else []
        if True in alike:
            offers.append(f"{several(alike.count(True), 'ride')} could be of pack {name}")
    alike = [look_alike(first, second) for (_, first), (_, second) in itertools.pairwise(used)]
    if True in alike:
        offers.append(
            "all of them could be one pack"
            if all(alike)
            else f"{alike.count(True)} of {len(alike)} could be the pack of the ride before"
        )
    if offers:
        said += f" By each cell's share of the median resistance {'; '.join(offers)}; that "
        said += "their intervals agree does not prove it."
    return said


def _chart(
    title: str,
    unit: str,
    digits: int,
    trends: Sequence[Trend],
    needs: str,
    charts: list[ChartData],
    join: bool,
) -> dict[str, Any]:
    """Add a chart to ``charts`` and return its place on the page, or why there is none."""
    if not trends:
        return {"title": title, "lacking": needs}
    place = {"title": f"{title} ({unit})", "chart": len(charts)}
    lines = [_line(at, trend) for at, trend in enumerate(trends)]
    # From zero, slow growth of a resistance would look level.
    zero = unit != "mΩ"
    charts.append({"unit": unit, "digits": digits, "zero": zero, "join": join, "lines": lines})
    return place


def _line(at: int, trend: Trend) -> ChartLine:
    errors = [error for _, _, error in trend.points]
    return {
        "name": trend.name,
        "x": [_moment(ride) for ride, _, _ in trend.points],
        "y": [y for _, y, _ in trend.points],
        # Thirteen cells with bars would hide each other: one line or the strong one has them.
        "error": errors if not trend.one_of_many and any(errors) else None,
        "text": [_about(trend.name, ride, error) for ride, _, error in trend.points],
        "colour": _WHEEL[at % len(_WHEEL)],
        "dash": _DASHES[at // len(_WHEEL) % len(_DASHES)],
        "symbol": _SYMBOLS[at % len(_SYMBOLS)],
        "strong": trend.strong,
    }


def _moment(ride: RideFigures) -> str:
    try:
        return f"{datetime.fromtimestamp(ride.started or 0.0, UTC):%Y-%m-%d %H:%M:%S}"
    except (ValueError, OverflowError, OSError):  # a host's clock gone mad
        return "1970-01-01 00:00:00"


def _about(name: str, ride: RideFigures, error: float | None) -> str:
    said = [f"± {error:.1f}" if error is not None else "", name, date_text(ride.started)]
    if name == CONSUMPTION and ride.partly:
        said.append(ride.partly)
    if ride.battery_temperature is not None:
        said.append(f"pack at {ride.battery_temperature:.0f} °C")
    # A board's words are never put here: plotly reads a few tags in such a text.
    return " · ".join(filter(None, said))
