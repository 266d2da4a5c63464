"""A still picture of the moment for a phone: a few panels one below the other, labelled directly.

The picture is a list of shapes; ``svg.py`` and ``png.py`` write the same list.  Sizes are in px of
a canvas 1080 wide, which a phone shows at about a third, so no text is below 30 px.  Colours are
those of Okabe and Ito (2008) that stand out on white; dashes carry the same difference.
"""

from collections.abc import Iterator, Sequence
from dataclasses import dataclass

import numpy as np

from sagline_logger.format import Limit, derive_limits, weakest

from ..findings.readings.electric import battery_current, pack_voltage, present
from ..findings.readings.series import Series, combine
from ..findings.readings.summary import words
from ..page.palette import PALETTE
from ..page.reduce import breaks, extremes
from .shared import Shared
from .words import leading, since, title

WIDTH = 1080
_PANEL, _LEFT, _RIGHT, _TOP = 250, 118, 216, 52
"""Height of a panel, and px left free beside and above its plot."""
_POINTS = 300
_INK, _MUTED, _GRID, _MOMENT = "#1b1f23", "#4d565e", "#dfe3e6", "#000000"
_COLOURS = (PALETTE[5], PALETTE[6], PALETTE[3], PALETTE[0])
_DASHES: tuple[tuple[int, ...], ...] = ((), (18, 8), (5, 7), (18, 8, 5, 8))


@dataclass(frozen=True)
class Stroke:
    """A polyline of (x, y) px; ``dash`` alternates drawn and open px."""

    points: tuple[tuple[float, float], ...]
    colour: str
    width: float
    dash: tuple[int, ...] = ()


@dataclass(frozen=True)
class Text:
    """A text whose baseline starts, centres or ends (``anchor``) at (x, y)."""

    x: float
    y: float
    text: str
    size: int
    colour: str = _INK
    anchor: str = "start"
    bold: bool = False


Shape = Stroke | Text


@dataclass(frozen=True)
class Picture:
    """Shapes on white, first to last."""

    width: int
    height: int
    title: str
    shapes: tuple[Shape, ...]


@dataclass(frozen=True)
class _Trace:
    label: str
    series: Series


@dataclass(frozen=True)
class _Panel:
    title: str
    unit: str
    factor: float
    traces: tuple[_Trace, ...]
    limits: tuple[Limit, ...] = ()


def draw(share: Shared) -> Picture:
    """Return the picture of a shared window: what happened, what came first, the traces."""
    shapes: list[Shape] = []
    y = 30.0
    for line in _wrapped(title(share), 44)[:2]:
        y += 54
        shapes.append(Text(40, y, line, 48, bold=True))
    for step in leading(share, 2):
        for n, line in enumerate(
            _wrapped(f"{since(step.time - share.at)}: {step.name} {step.crossed}", 58)[:2]
        ):
            y += 44
            shapes.append(Text(40 if n == 0 else 70, y, line, 33, _MUTED))
    y += 26
    panels = _panels(share)
    for panel in panels:
        shapes += _draw_panel(panel, y, share)
        y += _PANEL
    shapes += _time_axis(y, share)
    y += 100
    shapes.append(Text(40, y, "0 s is the moment · made with Sagline", 30, _MUTED))
    return Picture(WIDTH, round(y + 32), title(share), tuple(shapes))


def _panels(share: Shared) -> list[_Panel]:
    ride = share.ride
    limits = derive_limits(share.board) if share.board else ()
    found: list[_Panel] = []

    def add(
        name: str,
        unit: str,
        traces: Sequence[_Trace],
        channel: str,
        factor: float = 1.0,
    ) -> None:
        traces = [trace for trace in traces if trace.series.value.size]  # streams may not overlap
        if traces:
            near = tuple(x for x in weakest(limits, channel) if x.kind in ("limit", "stop", "full"))
            found.append(_Panel(name, unit, factor, tuple(traces[:4]), near))

    def named(channel: str, called: str = "") -> list[_Trace]:
        traces = []
        for key, series in present(ride, channel):
            which = words(ride, key).removeprefix(channel.replace("_", " "))
            traces.append(_Trace(f"{called}{which}".strip(), series))
        return traces

    def hottest(called: str) -> list[_Trace]:
        parts = [series for _, series in present(ride, f"{called}_temperature")]
        return [_Trace(called, combine(parts, "max"))] if parts else []

    if (current := battery_current(ride)) is not None:
        add("Battery current", "A", [_Trace("", current.series)], "battery_current")
    add("Motor current", "A", named("motor_current"), "motor_current")
    cells = [series for _, series in present(ride, "cell_voltage")]
    if cells:
        add("Lowest cell", "V", [_Trace("", combine(cells, "min"))], "cell_voltage")
    elif (voltage := pack_voltage(ride)) is not None:
        add("Pack voltage", "V", [_Trace("", voltage.series)], "pack_voltage")
    warm = [trace for part in ("motor", "controller", "battery") for trace in hottest(part)]
    add("Hottest part", "°C", warm, "")
    drive = named("throttle", "throttle") + named("duty_cycle", "duty")
    add("Throttle and duty", "%", drive, "", 100.0)
    return found


def _draw_panel(panel: _Panel, top: float, share: Shared) -> Iterator[Shape]:
    left, right = _LEFT, WIDTH - _RIGHT
    high, low = top + _TOP, top + _PANEL - 22
    values = np.concatenate([t.series.value for t in panel.traces]) * panel.factor
    least, most = float(values.min()), float(values.max())
    room = 0.08 * (most - least) or 0.5
    least, most = least - room, most + room
    duration = share.ride.duration or 1.0

    def place(time: float, value: float) -> tuple[float, float]:
        return (
            round(left + (right - left) * time / duration, 1),
            round(low - (low - high) * (value - least) / (most - least), 1),
        )

    yield Text(40, top + 38, f"{panel.title} ({panel.unit})", 34, bold=True)
    for tick in ticks(least, most):
        x, y = place(0.0, tick)
        yield Stroke(((x, y), (right, y)), _GRID, 2)
        yield Text(left - 12, y + 10, f"{tick:g}".replace("-", "−"), 30, _MUTED, "end")
    x, _ = place(share.at, least)
    yield Stroke(((x, high), (x, low)), _MOMENT, 3, (6, 6))
    labels: list[tuple[float, str, str]] = []
    for limit in panel.limits:
        level = limit.value * panel.factor
        if least < level < most:
            _, y = place(0.0, level)
            yield Stroke(((left, y), (right, y)), _MUTED, 3, (3, 6))
            labels.append((y, f"{limit.kind} {level:g}".replace("-", "−"), _MUTED))
    for n, trace in reversed(list(enumerate(panel.traces))):
        for run in _runs(trace.series):
            points = tuple(place(t, v * panel.factor) for t, v in run)
            yield Stroke(points, _COLOURS[n], 4, _DASHES[n])
        if trace.label:
            _, y = place(0.0, float(trace.series.value[-1]) * panel.factor)
            labels.append((y, trace.label, _COLOURS[n]))
    for y, text, colour in _spread(labels, high, low):
        yield Text(right + 14, y + 10, text, 30, colour)


def _spread(
    labels: list[tuple[float, str, str]], high: float, low: float
) -> list[tuple[float, str, str]]:
    """Return the labels in order of height, moved so far apart that all can be read."""
    found: list[tuple[float, str, str]] = []
    for y, text, colour in sorted(labels):
        found.append((max(y, found[-1][0] + 34 if found else high), text, colour))
    over = max(0.0, found[-1][0] - low) if found else 0.0
    placed: list[tuple[float, str, str]] = []
    limit = low
    for y, text, colour in reversed(found):
        y = min(y, limit) if over else y
        placed.append((y, text, colour))
        limit = y - 34
    return placed


def _runs(series: Series) -> Iterator[list[tuple[float, float]]]:
    """Yield the series without its gaps, thinned to its extremes."""
    at = extremes(series.value, None, _POINTS)
    run = breaks(series.gap, None)[at]
    for part in np.split(at, np.flatnonzero(np.diff(run)) + 1):
        if part.size:
            yield list(zip(series.time[part].tolist(), series.value[part].tolist(), strict=True))


def _time_axis(y: float, share: Shared) -> Iterator[Shape]:
    left, right = _LEFT, WIDTH - _RIGHT
    duration = share.ride.duration or 1.0
    for tick in ticks(-share.at, duration - share.at, 6):
        x = left + (right - left) * (tick + share.at) / duration
        yield Stroke(((x, y - 22), (x, y - 8)), _MUTED, 3)
        yield Text(x, y + 24, since(tick), 30, _INK if tick == 0 else _MUTED, "middle", tick == 0)


def ticks(least: float, most: float, about: int = 4) -> list[float]:
    """Return round numbers inside least to most, about so many."""
    rough = (most - least) / about
    power = 10.0 ** np.floor(np.log10(rough))
    step = float(next(m * power for m in (1, 2, 5, 10) if m * power >= rough))
    first = int(np.ceil(least / step))
    return [round(n * step, 10) + 0.0 for n in range(first, int(np.floor(most / step)) + 1)]


def _wrapped(text: str, most: int) -> list[str]:
    """Return ``text`` in lines of at most ``most`` characters, broken between words."""
    lines = [""]
    for word in text.split():
        longer = f"{lines[-1]} {word}".strip()
        if len(longer) <= most:
            lines[-1] = longer
        else:
            lines.append(word[:most])
    return [line for line in lines if line]
