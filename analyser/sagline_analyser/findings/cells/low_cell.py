"""Every low-cell alarm: was the cell empty, or did the load pull it down?"""

from dataclasses import dataclass
from typing import Literal

import numpy as np

from sagline_logger.format.counting import several

from ..belief.missing import missing_voltage
from ..belief.rests import Rests
from ..readings.electric import present
from ..readings.gathered import Gathered
from ..readings.packs import during
from ..readings.series import Series, combine, interpolate
from ..readings.spans import Rules, Span, find_spans
from ..readings.unknown import NotKnown
from ..telling.answer import Answer, Figure, Urgency
from ..telling.picture import Shares
from .fitted import Asked, PackFit

HYSTERESIS = 0.02
"""V by which the lowest cell must recover before a further fall counts as another alarm."""

NEAR = 2.0

AT_REST, REST_SAG = 1.0, 0.05
"""A of load up to which a cell that no circuit could be fitted to counts as resting, and the V that
this load may take from it: 1 A through 50 mΩ, more than a sound group of cells has (our choice)."""

REST_ERROR, LEAST_ERROR = 0.35, 0.01
"""Share of the sag allowed for what the circuit leaves out: a load that is held for minutes takes
about a third more than one of ten seconds (common practice, no source); and V at least."""

QUESTION = "Was the cell empty, or did the load pull it down?"


@dataclass(frozen=True)
class LowCell:
    """One alarm: ``cell`` fell to ``lowest`` V while ``load`` A flowed (None if not known).

    ``rest`` is the V at which it would rest with the half-width ``rest_error`` of its 90 %
    interval; None, and ``verdict`` "unknown", where ``reason`` says why.  ``meaning`` is the part
    of ``reason`` that judges, without the reading.
    """

    span: Span
    pack: int
    cell: int
    lowest: float
    load: float | None
    rest: float | None
    rest_error: float | None
    verdict: Literal["sag", "empty", "unclear", "unknown"]
    reason: str
    meaning: str = ""


def judge_low_cells(asked: Asked) -> tuple[LowCell, ...] | NotKnown:
    """Return every stretch in which a cell was below the board file's alarm voltage, judged."""
    it = asked.basis
    board = it.board
    alarm = board.battery.cell_alarm if board else None
    if alarm is None:
        return NotKnown("needs battery.cell_alarm in a board file")
    full = board.battery.cell_full if board else None
    cells = present(it.ride, "cell_voltage")
    if not cells:
        return NotKnown("needs the channels cell_voltage_1, cell_voltage_2, …")
    found = []
    for pack in asked.packs:
        parts = [(key, part) for key, series in cells if len(part := during(series, pack.span))]
        if not parts or min(float(part.value.min()) for _, part in parts) >= alarm:
            continue
        lowest = combine([part for _, part in parts], "min")
        for span in find_spans(lowest, alarm, False, Rules(HYSTERESIS)):
            key, series = min(parts, key=lambda part: _at(part[1], span.peak_time))
            found.append(judge_span(it, pack, key, series, span, alarm, full))
    return tuple(found)


def low_cell_answer(asked: Asked) -> Answer:
    """Answer what every low-cell alarm meant."""
    found = judge_low_cells(asked)
    if isinstance(found, NotKnown):
        return Answer.unanswered("low_cell", QUESTION, found)
    if not found:
        none = "No cell fell below the alarm voltage."
        return Answer("low_cell", QUESTION, none).in_short(none.rstrip("."), Urgency.FINE)
    counts = {kind: sum(one.verdict == kind for one in found) for kind in _WORDS}
    alarms = several(len(found), "low-cell alarm")
    verdict = f"{alarms}: " + ", ".join(
        f"{count} {_WORDS[kind]}" for kind, count in counts.items() if count
    )
    figures = tuple(
        Figure(
            f"cell {one.cell} at {one.span.peak_time:.1f} s, at rest",
            one.rest,
            "V",
            one.rest_error,
            "resting voltage at the charge drawn by then, by the fitted circuit",
        )
        for one in found
        if one.rest is not None
    )
    evidence = tuple((one.span.start, one.span.end) for one in found)
    details = tuple(one.reason for one in found)
    if counts["empty"]:
        details += (
            "A cell that is low at rest is empty: stop drawing from the pack, because "
            "further load can drive that cell below what it bears.",
        )
    answer = Answer("low_cell", QUESTION, verdict + ".", True, figures, evidence, details)
    kinds = [f"{count} {kind}" for kind, count in counts.items() if count]
    return answer.in_short(
        f"{alarms}: {', '.join(kinds)}",
        Urgency.ACT if counts["empty"] else Urgency.LOOK,
        Shares(tuple((_WORDS[kind], n / len(found)) for kind, n in counts.items() if n)),
    )


_WORDS = {
    "sag": "only sag under load",
    "empty": "with the cell truly empty",
    "unclear": "too near the alarm voltage to tell",
    "unknown": "that cannot be judged",
}


def judge_span(
    it: Gathered,
    pack: PackFit,
    key: str,
    series: Series,
    span: Span,
    alarm: float,
    full: float | None = None,
) -> LowCell:
    """Return what it means that cell ``key`` of ``pack`` was at or below ``alarm`` V in ``span``;
    ``full`` is the V of a full cell, from which the missing volts are counted if known."""
    number, current = it.ride.index(key), it.current
    load = float(interpolate(current.series, np.array([span.peak_time]))[0]) if current else np.nan
    known = None if load != load else load
    under = "" if known is None else f" at {load:.0f} A"
    said = f"At {span.peak_time:.1f} s cell {number} read {span.peak:.2f} V{under}"
    fit = pack.fit
    if isinstance(fit, NotKnown) or pack.rests is None or key not in fit.keys:
        if current is not None and _resting(current.series, span):
            return _told(pack, number, span, known, span.peak, REST_SAG, alarm, said)
        reason = fit.reason if isinstance(fit, NotKnown) else "the cell was read too seldom"
        return _unjudged(pack, number, span, known, said, reason)
    at_rest = resting_voltage(pack.rests, key, series, span)
    if isinstance(at_rest, NotKnown):
        return _unjudged(pack, number, span, known, said, at_rest.reason)
    rest, error = at_rest
    shares = missing_voltage(pack.rests, span.peak_time, key, alarm if full is None else full)
    below = "the alarm voltage" if full is None else "a full cell"
    words = "" if shares is None else f" {shares.words(below)}"
    return _told(pack, number, span, known, rest, error, alarm, said, words)


def _unjudged(
    pack: PackFit, number: int, span: Span, load: float | None, said: str, reason: str
) -> LowCell:
    words = f"{said}; cannot judge it: {reason}."
    known = (span, pack.span.number, number, span.peak, load)
    return LowCell(*known, None, None, "unknown", words, reason)


def _resting(current: Series, span: Span) -> bool:
    """Return whether hardly any load flowed in the :data:`NEAR` s up to the lowest point."""
    near = (current.time >= span.peak_time - NEAR) & (current.time <= span.peak_time)
    return bool(near.any() and np.abs(current.value[near]).max() <= AT_REST)


def _told(
    pack: PackFit,
    number: int,
    span: Span,
    load: float | None,
    rest: float,
    error: float,
    alarm: float,
    said: str,
    more: str = "",
) -> LowCell:
    verdict: Literal["sag", "empty", "unclear"]
    verdict = "sag" if rest - error > alarm else "empty" if rest + error < alarm else "unclear"
    meaning = {
        "sag": f"sag, for it would rest at {rest:.2f} ± {error:.2f} V, above the alarm voltage "
        f"of {alarm:.2f} V",
        "empty": f"empty, for even at rest it would show {rest:.2f} ± {error:.2f} V, below the "
        f"alarm voltage of {alarm:.2f} V",
        "unclear": f"it would rest at {rest:.2f} ± {error:.2f} V, which may be either side of the "
        f"alarm voltage of {alarm:.2f} V",
    }[verdict]
    meaning = f"{meaning}.{more}"
    return LowCell(
        span,
        pack.span.number,
        number,
        span.peak,
        load,
        rest,
        error,
        verdict,
        f"{said}: {meaning}",
        meaning,
    )


def resting_voltage(
    rests: Rests, key: str, series: Series, span: Span
) -> tuple[float, float] | NotKnown:
    """Return the V at which a cell would rest at the lowest point of ``span``, and the 90 %
    half-width.

    Two things tell it: the cell's resting voltage at the charge drawn by then, and the readings of
    the span within :data:`NEAR` s, each plus what the load takes.
    """
    unrecorded = NotKnown("the load then was not recorded")
    at = rests.keys.index(key)
    peak = np.array([span.peak_time])
    voltage, error = rests.at(peak)
    start, end = max(span.start, span.peak_time - NEAR), min(span.end, span.peak_time + NEAR)
    inside = (series.time >= start) & (series.time <= end)
    sag = rests.sag(series.time[inside])[:, at]
    known = np.isfinite(sag)
    if not known.any() or not np.isfinite(voltage[0, at] + error[0]):
        return unrecorded
    read = float(np.median(series.value[inside][known] + sag[known]))
    # Each counts by what is known of it; where they say otherwise, that widens the doubt.
    left_out = max(REST_ERROR * float(np.median(np.abs(sag[known]))), LEAST_ERROR)
    known_by = np.array([float(error[0]), left_out]) ** -2.0
    share = known_by / known_by.sum()
    rest = float(share @ [float(voltage[0, at]), read])
    apart = abs(read - float(voltage[0, at])) * float(np.sqrt(share[0] * share[1]))
    return unrecorded if np.isnan(rest) else (rest, float(np.hypot(known_by.sum() ** -0.5, apart)))


def _at(series: Series, time: float) -> float:
    value = float(interpolate(series, np.array([time]))[0])
    return value if value == value else np.inf
