"""Many rides at a glance: a strip of all of them, and what a board's rides say as cards."""

from collections.abc import Sequence
from statistics import median

from markupsafe import Markup

from sagline_logger.format.counting import several

from ..findings.telling.answer import Urgency
from ..findings.telling.picture import Bar, Bars
from ..page.card_picture import draw
from ..page.cards import card, ordered
from ..page.still_strip import StripMark, draw_strip
from ..page.units import figure_text
from .library import LibraryEntry
from .listing import date_text
from .ride_figures import CellFigures, PackFigures, RideFigures

FEWEST = 3
"""Cells from which one can stand out, and rides from which a median says something."""


def rides_strip(entries: Sequence[LibraryEntry]) -> Markup:
    """Return every readable ride in the order of time by its distance, those with faults marked."""
    rides = [e.figures for e in entries if not e.figures.problem and e.figures.distance is not None]
    rides.sort(key=lambda ride: ride.started or 0.0)
    if not rides:
        return Markup()
    marks = []
    for ride in rides:
        faults = f", {several(ride.fault_count, 'fault')}" if ride.fault_count else ""
        partly = f", {ride.partly}" if ride.partly else ""
        told = f"{date_text(ride.started)}: {figure_text(ride.distance, 'm')}{partly}{faults}"
        marks.append(StripMark(ride.distance or 0.0, told=told, sign=bool(ride.fault_count)))
    furthest = figure_text(max(mark.value for mark in marks), "m")
    label = f"Every ride by its distance, to {furthest}; ▲ had faults"
    ends = tuple(date_text(ride.started)[:10] for ride in (rides[0], rides[-1]))
    return draw_strip(marks, label, (ends[0], ends[1]), from_zero=True)


def board_cards(rides: Sequence[RideFigures], number: int) -> Markup:
    """Return what the rides of one board, in the order of time, say at a glance.

    ``number`` tells the boards of a page apart.
    """
    packs = [pack for ride in rides for pack in ride.packs if len(pack.cells) >= FEWEST]
    told = [_faults(rides)]
    if packs:
        told.append(_cells(packs[-1]))
    if spent := [ride for ride in rides if ride.per_km is not None]:
        told.append(_consumption(spent))
    return ordered(
        [
            (asks, card(asks, f"{key}-{number}", line, picture, Markup()))
            for asks, key, line, picture in told
        ]
    )


Told = tuple[Urgency, str, str, Markup]
"""What a card asks, its key, its line and its picture."""


def _cells(pack: PackFigures) -> Told:
    highest, second = sorted(pack.cells, key=lambda cell: -cell.resistance)[:2]
    apart = _low(highest) > _high(second)
    bars = tuple(
        Bar(
            f"cell {cell.number}",
            1e3 * cell.resistance,
            1e3 * _low(cell),
            1e3 * _high(cell),
            apart and cell is highest,
        )
        for cell in pack.cells
    )
    where = f" of pack {pack.name}" if pack.name else ""
    if apart:
        asks = Urgency.LOOK
        line = f"Cell {highest.number}{where} resists more than the others in the last ride"
    else:
        asks = Urgency.FINE
        line = f"No cell{where} stands out in the last ride"
    return asks, "cells", line, draw(Bars("mΩ", bars))


def _low(cell: CellFigures) -> float:
    return cell.resistance - cell.resistance_error


def _high(cell: CellFigures) -> float:
    return cell.resistance + cell.resistance_error


def _faults(rides: Sequence[RideFigures]) -> Told:
    with_faults = sum(bool(ride.fault_count) for ride in rides)
    if with_faults:
        where = "the only ride" if len(rides) == 1 else f"{with_faults} of {len(rides)} rides"
        line = f"Faults in {where}"
        return Urgency.LOOK, "faults", line, Markup()
    line = (
        f"No fault reported in {several(len(rides), 'ride')}"
        if rides
        else "No ride with a known start"
    )
    return Urgency.FINE, "faults", line, Markup()


def _consumption(rides: Sequence[RideFigures]) -> Told:
    last, usual = rides[-1], median(ride.per_km or 0.0 for ride in rides)
    error = last.per_km_error
    bars = [Bar("last ride", last.per_km or 0.0, *_ends(last.per_km or 0.0, error))]
    if len(rides) >= FEWEST:
        bars.append(Bar(f"median of {len(rides)}", usual))
    line = f"The last ride took {figure_text(last.per_km, 'Wh/km')}"
    if last.partly:
        line += f" ({last.partly})"
    return Urgency.FINE, "consumption", line, draw(Bars("Wh/km", tuple(bars)))


def _ends(value: float, error: float | None) -> tuple[float | None, float | None]:
    return (None, None) if error is None else (max(value - error, 0.0), value + error)
