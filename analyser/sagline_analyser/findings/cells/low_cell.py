"""Every low-cell alarm: was the cell empty, or did the load pull it down?"""

import math
from dataclasses import dataclass
from typing import Literal

import numpy as np

from sagline_logger.format.counting import several

from ..belief.estimate import Estimate
from ..belief.missing import missing_voltage
from ..belief.rests import Rests
from ..readings.electric import present
from ..readings.gathered import Gathered
from ..readings.packs import during
from ..readings.series import Series, combine, reading_at
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
    """One alarm: ``cell`` fell below ``alarm`` V in ``span`` while ``load`` A flowed (None if not
    known).

    ``rest`` is the V at which it would rest, or why that is not known; ``missing`` says what the
    volts that it lacks are made of.
    """

    span: Span
    pack: int
    cell: int
    load: float | None
    alarm: float
    rest: Estimate | NotKnown
    missing: str = ""

    @property
    def verdict(self) -> Literal["sag", "empty", "unclear"] | NotKnown:
        """What the alarm meant, by where the cell would rest."""
        if isinstance(self.rest, NotKnown):
            return self.rest
        if self.rest.low > self.alarm:
            return "sag"
        return "empty" if self.rest.high < self.alarm else "unclear"

    @property
    def meaning(self) -> str:
        """The verdict in words, without the reading."""
        if isinstance(self.rest, NotKnown):
            return self.rest.reason
        rest = f"{self.rest.value:.2f} ± {self.rest.error:.2f} V"
        of = f"the alarm voltage of {self.alarm:.2f} V"
        if self.rest.low > self.alarm:
            return f"sag, for it would rest at {rest}, above {of}.{self.missing}"
        if self.rest.high < self.alarm:
            return f"empty, for even at rest it would show {rest}, below {of}.{self.missing}"
        return f"it would rest at {rest}, which may be either side of {of}.{self.missing}"

    @property
    def text(self) -> str:
        """The reading and what it means."""
        under = "" if self.load is None else f" at {self.load:.0f} A"
        said = f"At {self.span.peak_time:.1f} s cell {self.cell} read {self.span.peak:.2f} V{under}"
        if isinstance(self.rest, NotKnown):
            return f"{said}; cannot judge it: {self.rest.reason}."
        return f"{said}: {self.meaning}"


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
    verdicts = ["unknown" if isinstance(v := one.verdict, NotKnown) else v for one in found]
    counts = {kind: count for kind in _WORDS if (count := verdicts.count(kind))}
    alarms = several(len(found), "low-cell alarm")
    verdict = f"{alarms}: " + ", ".join(f"{n} {_WORDS[kind]}" for kind, n in counts.items())
    figures = tuple(
        Figure(
            f"cell {one.cell} at {one.span.peak_time:.1f} s, at rest",
            one.rest.value,
            "V",
            one.rest.error,
            "resting voltage at the charge drawn by then, by the fitted circuit",
        )
        for one in found
        if isinstance(one.rest, Estimate)
    )
    evidence = tuple((one.span.start, one.span.end) for one in found)
    details = tuple(one.text for one in found)
    if "empty" in counts:
        details += (
            "A cell that is low at rest is empty: stop drawing from the pack, because "
            "further load can drive that cell below what it bears.",
        )
    answer = Answer("low_cell", QUESTION, f"{verdict}.", figures, evidence, details)
    return answer.in_short(
        f"{alarms}: " + ", ".join(f"{n} {kind}" for kind, n in counts.items()),
        Urgency.ACT if "empty" in counts else Urgency.LOOK,
        Shares(tuple((_WORDS[kind], n / len(found)) for kind, n in counts.items())),
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
    current, fit = it.current, pack.fit
    load = reading_at(current.series, span.peak_time + pack.skew) if current else None

    def judged(rest: Estimate | NotKnown, missing: str = "") -> LowCell:
        return LowCell(span, pack.span.number, it.ride.index(key), load, alarm, rest, missing)

    if isinstance(fit, NotKnown) or pack.rests is None or key not in fit.keys:
        if current is not None and _resting(current.series, span):
            return judged(Estimate(span.peak, REST_SAG))
        return judged(
            fit if isinstance(fit, NotKnown) else NotKnown("the cell was read too seldom")
        )
    rest = resting_voltage(pack.rests, key, series, span)
    if isinstance(rest, NotKnown):
        return judged(rest)
    shares = missing_voltage(pack.rests, span.peak_time, key, alarm if full is None else full)
    below = "the alarm voltage" if full is None else "a full cell"
    return judged(rest, "" if shares is None else f" {shares.words(below, span.peak)}")


def _resting(current: Series, span: Span) -> bool:
    """Return whether hardly any load flowed in the :data:`NEAR` s up to the lowest point."""
    near = (current.time >= span.peak_time - NEAR) & (current.time <= span.peak_time)
    return bool(near.any() and np.abs(current.value[near]).max() <= AT_REST)


def resting_voltage(rests: Rests, key: str, series: Series, span: Span) -> Estimate | NotKnown:
    """Return the V at which a cell would rest at the lowest point of ``span``.

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
    doubt = float(np.hypot(known_by.sum() ** -0.5, apart))
    return unrecorded if np.isnan(rest) else Estimate(rest, doubt)


def _at(series: Series, time: float) -> float:
    value = reading_at(series, time)
    return math.inf if value is None else value
