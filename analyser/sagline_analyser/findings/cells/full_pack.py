"""Braking into a full pack: a cell above its full voltage, or more current than it may take."""

from collections.abc import Sequence
from dataclasses import dataclass
from typing import Literal

import numpy as np

from sagline_logger.format.counting import often

from ...load.ride import Ride
from ..readings.electric import present
from ..readings.packs import during
from ..readings.series import Series, combine, interpolate
from ..readings.spans import Rules, Span, find_spans
from ..readings.unknown import NotKnown
from ..telling.answer import Answer, Figure, Urgency
from ..telling.picture import Bar, Bars
from .fitted import Asked, PackFit
from .low_cell import resting_voltage

HYSTERESIS = 0.01
"""V by which the highest cell must come back before a further rise counts as another event."""

NEAR_FULL = 0.05
"""V below the full voltage at rest within which a cell has no room left (our choice: the last
hundredths of a volt hold a few percent of the charge)."""

SHOWN = 3

QUESTION = "Did braking charge the pack harder, or fuller, than it can take?"


@dataclass(frozen=True)
class Overcharge:
    """One stretch of braking that the pack should not have had to take.

    ``kind`` is "voltage" (a cell above its full voltage by ``span.peak``) or "current" (more
    charge current than the cells allow, as a negative ``span.peak``).  ``load`` is the least A
    then (negative charges).  ``rest`` is the V at which the cell would rest, if known.
    """

    kind: Literal["voltage", "current"]
    span: Span
    pack: int
    where: str
    limit: float
    load: float
    rest: float | None
    explained: str


def find_overcharge(asked: Asked) -> tuple[Overcharge, ...] | NotKnown:
    """Return every stretch, in time order."""
    it = asked.basis
    ride, board, current = it.ride, it.board, it.current
    if current is None:
        return NotKnown("needs the channel battery_current")
    full = board.battery.cell_full if board else None
    allowed = it.rated("battery_current", "below")
    if full is None and allowed is None:
        return NotKnown("needs cell_full, or the units' max_charge_rate, in a board file")
    cells = present(ride, "cell_voltage")
    found = []
    for pack in asked.packs:
        amperes = during(current.series, pack.span)
        parts = [(key, part) for key, one in cells if len(part := during(one, pack.span))]
        if full is not None and max((float(p.value.max()) for _, p in parts), default=0.0) > full:
            highest = combine([part for _, part in parts], "max")
            for span in find_spans(highest, full, True, Rules(HYSTERESIS)):
                load = _least(amperes, span)
                if load < 0:
                    found.append(_over_voltage(ride, pack, parts, span, full, load))
        if allowed is not None:
            for span in find_spans(amperes, allowed.value, False, Rules(0.02 * -allowed.value)):
                text = (
                    f"From {span.start:.1f} s braking pushed up to {-span.peak:.0f} A into the "
                    f"pack for {span.duration:.1f} s, more than {allowed.arithmetic}; a lower "
                    "regeneration limit keeps it within that."
                )
                found.append(
                    Overcharge(
                        "current",
                        span,
                        pack.span.number,
                        allowed.part,
                        allowed.value,
                        span.peak,
                        None,
                        text,
                    )
                )
    return tuple(sorted(found, key=lambda one: one.span.start))


def full_pack_answer(asked: Asked) -> Answer:
    """Answer whether braking met a full pack, and why."""
    found = find_overcharge(asked)
    if isinstance(found, NotKnown):
        return Answer.unanswered("full_pack", QUESTION, found)
    if not found:
        no = "No: braking stayed within what the board file states."
        return Answer("full_pack", QUESTION, no).in_short(
            "Braking stayed within what the board file states", Urgency.FINE
        )
    over = [one for one in found if one.kind == "voltage"]
    much = [one for one in found if one.kind == "current"]
    words, figures = [], []
    if over:
        worst = max(over, key=lambda one: one.span.peak)
        words.append(f"braking took a cell above its full voltage ({often(len(over))})")
        figures.append(
            Figure(
                "highest cell while braking",
                worst.span.peak,
                "V",
                None,
                f"{worst.where} at {worst.span.peak_time:.1f} s",
            )
        )
    if much:
        hardest = min(much, key=lambda one: one.span.peak)
        long = sum(one.span.duration for one in much)
        words.append(
            f"the charge current was above what the cells allow ({often(len(much))}, {long:.1f} "
            "s in all)"
        )
        figures.append(
            Figure(
                "greatest charge current",
                -hardest.span.peak,
                "A",
                None,
                f"at {hardest.span.peak_time:.1f} s",
            )
        )
    details = _worst(over) + _worst(much)
    if much:
        details.append(
            "The charge rating is for lasting use, so short pushes tell less than the cells' "
            "voltage does."
        )
    details.append(
        "A pack that is full cannot take the energy of a descent: start long descents with room "
        "in the pack, and never count on motor braking alone."
    )
    return Answer(
        "full_pack",
        QUESTION,
        "Yes: " + " and ".join(words) + ".",
        tuple(figures),
        tuple((x.span.start, x.span.end) for x in found),
        tuple(details),
    ).in_short(
        "Braking took a cell above full" if over else "Braking charged harder than cells allow",
        Urgency.ACT if over else Urgency.LOOK,
        _picture(over, much),
    )


def _picture(over: Sequence[Overcharge], much: Sequence[Overcharge]) -> Bars:
    """Return the furthest cell voltage, or charge current, against what is allowed."""
    if over:
        worst = max(over, key=lambda one: one.span.peak)
        return Bars("V", (Bar(worst.where, worst.span.peak, odd=True),), worst.limit, "full cell")
    worst = min(much, key=lambda one: one.span.peak)
    return Bars("A", (Bar("charge current", -worst.span.peak, odd=True),), -worst.limit, "allowed")


def _worst(found: Sequence[Overcharge]) -> list[str]:
    """Say the worst few, the furthest beyond first."""
    order = sorted(found, key=lambda one: -abs(one.span.peak - one.limit))
    lines = [one.explained for one in order[:SHOWN]]
    if len(order) > SHOWN:
        lines.append(f"And {len(order) - SHOWN} lesser ones of the same kind.")
    return lines


def _over_voltage(
    ride: Ride,
    pack: PackFit,
    parts: Sequence[tuple[str, Series]],
    span: Span,
    full: float,
    load: float,
) -> Overcharge:
    at = np.array([span.peak_time])
    known = [(float(interpolate(series, at)[0]), key, series) for key, series in parts]
    _, key, series = max((one for one in known if one[0] == one[0]), key=lambda one: one[0])
    name = f"cell {ride.index(key)}"
    said = (
        f"At {span.peak_time:.1f} s {name} reached {span.peak:.2f} V (full is {full:.2f} V) with "
        f"up to {-load:.0f} A flowing in"
    )
    rest: float | None = None
    why = "whether it was full or only lifted by the current cannot be told"
    if pack.rests is not None and key in pack.rests.keys:
        at_rest = resting_voltage(pack.rests, key, series, span)
        if not isinstance(at_rest, NotKnown):
            rest = at_rest.value
            why = f"it would rest at {rest:.2f} ± {at_rest.error:.2f} V, so it " + (
                "had no room left: brake less, or charge less before a descent"
                if rest > full - NEAR_FULL
                else "was not full: the charge current lifted it; a lower regeneration limit keeps "
                "it down"
            )
    return Overcharge("voltage", span, pack.span.number, key, full, load, rest, f"{said}; {why}.")


def _least(series: Series, span: Span) -> float:
    inside = (series.time >= span.start - 0.1) & (series.time <= span.end + 0.1)
    return float(series.value[inside].min()) if inside.any() else np.nan
