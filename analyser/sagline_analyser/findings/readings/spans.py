"""Stretches of one series beyond a level, with hysteresis, merging and a minimum duration."""

from dataclasses import dataclass

import numpy as np

from .series import Array, Series, integral_of_square


@dataclass(frozen=True)
class Rules:
    """How a stretch beyond a level is told from noise.

    It ends once the series has come back by ``hysteresis`` (in the series' unit) inside the
    level, and its end is where it last touched the level.  Stretches that the same unbroken
    recording shows less than ``merge`` s apart are one.  Those shorter than ``minimum`` s are
    left out.
    """

    hysteresis: float
    merge: float = 1.0
    minimum: float = 0.05


@dataclass(frozen=True)
class Span:
    """One stretch beyond a level, times in s.

    ``start`` and ``end`` lie where the straight line between two samples meets the level, or at
    the edge sample where a gap cuts the stretch off (``cut``).  ``peak`` is the sample furthest
    beyond, at ``peak_time``.  ``square`` is the integral of the series' square from start to end
    (unit² × s).  ``touches`` counts the merged stretches.
    """

    start: float
    end: float
    peak: float
    peak_time: float
    square: float
    touches: int
    cut: bool

    @property
    def duration(self) -> float:
        """Length in s."""
        return self.end - self.start


def find_spans(series: Series, level: float, above: bool, rules: Rules) -> list[Span]:
    """Return the stretches of ``series`` beyond ``level`` (above it, or below it), in time order.

    A sample is beyond when it is strictly past the level.
    """
    count = len(series)
    if count == 0:
        return []
    excess = (series.value - level) * (1 if above else -1)
    beyond = excess > 0
    if not beyond.any():
        return []
    starts = series.gap.copy()
    starts[0] = True
    # A stretch is the samples between two releases in one unbroken run; two samples beyond belong
    # to the same one when neither a release nor a gap lies between them.  Neighbours have nothing
    # between them but a gap.
    at = np.flatnonzero(beyond)
    edge = np.flatnonzero((at[1:] - at[:-1] > 1) | starts[at[1:]])
    both = np.stack([at[edge], at[edge + 1]])
    run = np.searchsorted(np.flatnonzero(starts), both, "right")
    releases = np.searchsorted(np.flatnonzero(excess <= -rules.hysteresis), both, "right")
    split = edge[(run[0] != run[1]) | (releases[0] != releases[1])]
    firsts, lasts = at[np.r_[0, split + 1]], at[np.r_[split, len(at) - 1]]
    runs = np.searchsorted(np.flatnonzero(starts), firsts, "right").tolist()
    edges = [_edges(series, excess, int(a), int(b)) for a, b in zip(firsts, lasts, strict=True)]
    merged: list[list[int]] = []
    for number, (first, last) in enumerate(zip(firsts.tolist(), lasts.tolist(), strict=True)):
        if merged:
            before = merged[-1]
            apart = edges[number][0] - edges[before[3]][1]
            if runs[number] == runs[before[3]] and apart < rules.merge:
                merged[-1] = [before[0], last, before[2] + 1, number]
                continue
        merged.append([first, last, 1, number])
    spans = []
    for first, last, touches, number in merged:
        start, end = edges[number - touches + 1][0], edges[number][1]
        if end - start < rules.minimum:
            continue
        peak = first + int(np.argmax(excess[first : last + 1]))
        square = _square(series, first, last, start, end, level)
        cut = bool(starts[first] or last + 1 == count or starts[last + 1])
        value, time = float(series.value[peak]), float(series.time[peak])
        spans.append(Span(start, end, value, time, square, touches, cut))
    return spans


def _edges(series: Series, excess: Array, first: int, last: int) -> tuple[float, float]:
    """Return where the line through the samples meets the level before first and after last."""

    def meet(inside: int, outside: int) -> float:
        share = excess[inside] / (excess[inside] - excess[outside])
        return float(series.time[inside] + share * (series.time[outside] - series.time[inside]))

    start, end = float(series.time[first]), float(series.time[last])
    if first > 0 and not series.gap[first]:
        start = meet(first, first - 1)
    if last + 1 < len(series) and not series.gap[last + 1]:
        end = meet(last, last + 1)
    return start, end


def _square(series: Series, first: int, last: int, start: float, end: float, level: float) -> float:
    """Return the integral of the square along the samples first to last, from and to the points at
    both ends where the line meets the level."""
    count = last - first + 1
    time, value = np.full(count + 2, start), np.full(count + 2, float(level))
    time[1:-1], value[1:-1] = series.time[first : last + 1], series.value[first : last + 1]
    time[-1] = end
    # At an edge sample that a gap cuts off, there is nothing to put before or behind it.
    inner = slice(int(start >= time[1]), count + 2 - int(end <= time[-2]))
    return integral_of_square(Series(time[inner], value[inner], np.zeros(count + 2, bool)[inner]))
