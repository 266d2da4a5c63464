"""The comparison as one HTML file, in the shell and the style of the report."""

import math
from collections.abc import Iterator, Sequence
from pathlib import Path
from typing import TypedDict

import numpy as np
from markupsafe import Markup

from ..findings.readings.series import Array
from ..findings.telling.moment import moment_text
from ..page.shell import data_block, head, plotly_source, resource, write_parts
from ..page.tables import listed
from ..page.templates import page, part
from .cards import page_cards, runs_strip, score_text
from .comparison import CLEAR, METHOD, Comparison, MeasureRow, RunGroup
from .confounders import Confounder
from .predict import Prediction
from .runs import BEFORE, GRID, Run
from .sides import ORDER, settings_of
from .verdict import measure_text, signed_text

_OURS = "compare/parts.jinja"

DRAWN = 2
"""Every so many points of a run's traces are drawn."""

TITLE = "– Sagline comparison"
"""End of the title, by which a comparison is known."""

_PANELS = (
    ("speed", "Speed", "km/h", 3.6),
    ("motor", "Motor current, mean of the motors", "A", 1.0),
    ("battery", "Battery current", "A", 1.0),
    ("voltage", "Pack voltage", "V", 1.0),
    ("throttle", "Throttle", "%", 100.0),
)


def write_comparison(
    comparison: Comparison, path: str | Path, prediction: Prediction | None = None
) -> int:
    """Write the page to ``path`` and return its size in bytes.

    Raises:
        SaglineError: the file cannot be written.
    """
    return write_parts(Path(path), comparison_page(comparison, prediction), TITLE)


def comparison_page(comparison: Comparison, prediction: Prediction | None = None) -> Iterator[str]:
    """Yield the page piece by piece."""
    plotly, script = plotly_source(), resource("compare.js", __package__)
    group = comparison.main
    both = comparison.verdict is not None
    pulls = comparison.pulls if comparison.pulls is not group else None
    name = comparison.parts[0].ride.board_name or "Unnamed board"
    yield head(f"{name} {TITLE}", plotly, script)
    yield from page(
        "compare/compare.jinja",
        heading=_heading(comparison, name),
        notes=listed([*comparison.doubts, *comparison.notes], "warnings"),
        strip=runs_strip(comparison),
        cards=page_cards(comparison, prediction, _behind(comparison, prediction)),
        caution=comparison.caution,
        launches=_table(group, both),
        legend=part(_OURS, "legend", both),
        pulls=_table(pulls, both) if pulls is not None else "",
        runs=_runs(group),
        method=METHOD,
    )
    yield data_block("spec", _spec(group))
    yield f"<script>{plotly}</script>\n<script>{script}</script>\n</body></html>\n"


def _heading(comparison: Comparison, name: str) -> Markup:
    changed = "; ".join(f"{c.name}: A {c.a}, B {c.b}" for c in comparison.changes)
    if not changed and comparison.verdict is not None:
        changed = (
            "the logs state no setting that differs; record with --setting NAME=VALUE, so that a "
            "comparison can say what was changed"
        )
    rows = [
        {
            "side": one.side,
            "log": one.ride.path,
            "stretch": _stretch(one.name),
            "runs": sum(run.part == one.number for run in comparison.main.runs),
            "settings": ", ".join(
                f"{k} = {v}" for k, v in settings_of(one.ride, one.board).items()
            ),
        }
        for one in comparison.parts
    ]
    return part(_OURS, "heading", name, changed, comparison.order, rows)


def _stretch(name: str) -> str:
    return name if name.startswith(("from mark", "before the")) else "whole log"


def _behind(comparison: Comparison, prediction: Prediction | None) -> dict[str, Markup]:
    """Return what stands behind each card."""
    group, both = comparison.main, comparison.verdict is not None
    return {
        "verdict": part(_OURS, "verdict", comparison.verdict, ORDER),
        "conditions": _conditions(group.confounders),
        "causes": part(_OURS, "causes", group.causes, both),
        "prediction": _prediction(prediction) if prediction else Markup(),
    }


def _table(group: RunGroup, both: bool) -> Markup:
    if not both:
        one_side = [(row.measure, measure_text(row.mean_a, row.measure.unit)) for row in group.rows]
        return part(_OURS, "measures", one_side)
    widest = max(_reach(row) for row in group.rows)
    by = group.rows[0].difference
    assert by is not None
    count = (
        f"{len(group.side('A'))} on A, {len(group.side('B'))} on B, "
        f"in {by.stretches[0]} and {by.stretches[1]} stretches"
    )
    rows = [_row(row, widest) for row in group.rows]
    return part(_OURS, "differences", count, f"{CLEAR:.2f}", rows)


def _reach(row: MeasureRow) -> float:
    assert row.difference is not None
    ends = [abs(x) for x in (row.difference.low, row.difference.high, row.difference.value)]
    return max((x for x in ends if math.isfinite(x)), default=0.0) / (abs(row.mean_a) or 1.0)


def _row(row: MeasureRow, widest: float) -> dict[str, object]:
    unit, by = row.measure.unit, row.difference
    assert by is not None and row.mean_b is not None and row.adjusted_p is not None
    return {
        "measure": row.measure,
        "a": measure_text(row.mean_a, unit),
        "b": measure_text(row.mean_b, unit),
        "apart": signed_text(by.value, unit),
        "interval": f"{signed_text(by.low, unit)} to {signed_text(by.high, unit)}",
        "bar": _bar(row, widest),
        "chance": "< 0.001" if row.adjusted_p < 0.001 else f"{row.adjusted_p:.3f}",
        "clear": row.clear,
    }


def _bar(row: MeasureRow, widest: float) -> Markup:
    """Return the interval as a line about zero, in shares of A's figure."""
    by = row.difference
    assert by is not None
    scale = 46 / (widest or 1.0) / (abs(row.mean_a) or 1.0)

    def x(value: float) -> str:
        return f"{50 + min(max(value * scale, -50.0), 50.0):.1f}"

    share = f"{by.value / (abs(row.mean_a) or 1.0):+.1%}".replace("-", "−")
    return part(_OURS, "bar", x(by.low), x(by.value), x(by.high), row.clear, share)


def _conditions(found: Sequence[Confounder]) -> Markup:
    rows = [
        {
            "one": one,
            "a": _plain(one.a, one.unit),
            "b": _plain(one.b, one.unit),
            "apart": _plain(one.b - one.a, one.unit, "+"),
            "effect": f"{one.effect:+.1%}".replace("-", "−"),
            "stretches": ", ".join(
                f"{side} {_plain(value, one.unit)}" for side, _, value in one.stretches
            ),
        }
        for one in found
    ]
    return part(_OURS, "conditions", rows, ORDER)


def _plain(value: float, unit: str, sign: str = "") -> str:
    if unit == "1":
        return f"{100 * value:{sign}.1f}\u202f%".replace("-", "−")
    digits = 3 if unit == "m/s²" else 2 if unit == "V" else 1
    return f"{round(value, digits) + 0.0:{sign}.{digits}f}\u202f{unit}".replace("-", "−")


def _prediction(found: Prediction) -> Markup:
    rows = [
        {
            "label": one.measure.label,
            "a": measure_text(one.a, one.measure.unit),
            "value": measure_text(one.value, one.measure.unit),
            "low": measure_text(one.low, one.measure.unit),
            "high": measure_text(one.high, one.measure.unit),
            "measured": (
                None if one.measured is None else measure_text(one.measured, one.measure.unit)
            ),
            "inside": one.inside,
        }
        for one in found.figures
    ]
    was = f" (A: {found.old:.4g})" if found.old is not None else ""
    told = f"Predicted from A for {found.name} = {found.value:g}{was}. {score_text(found)}"
    return part(_OURS, "prediction", told, rows, found.notes)


def _runs(group: RunGroup) -> Markup:
    order = {"A": iter(range(len(group.side("A")))), "B": iter(range(len(group.side("B"))))}
    rows = []
    for run in group.runs:
        at = next(order[run.side])
        cells = [
            measure_text((row.a if run.side == "A" else row.b)[at], row.measure.unit)
            for row in group.rows
        ]
        rows.append((run.side, run.part, moment_text(run.start), cells))
    return part(_OURS, "runs", [row.measure.label for row in group.rows], rows)


# ------------------------------------------------------------------------ what is drawn


class OverlayLine(TypedDict):
    """One run, or a side's median (``bold``): readings from ``start`` s on, a step apart."""

    side: str
    bold: bool
    start: float
    y: list[float | None]


class OverlayPanel(TypedDict):
    """One quantity of all runs; ``goal`` is the level that a launch is timed to, if any."""

    title: str
    unit: str
    lines: list[OverlayLine]
    goal: float | None


class OverlayData(TypedDict):
    """What the page's script draws from: step and range in s on the runs' common clock."""

    step: float
    range: tuple[float, float]
    panels: list[OverlayPanel]


def _spec(group: RunGroup) -> OverlayData:
    end = max(run.end - run.zero for run in group.runs)
    panels: list[OverlayPanel] = []
    for key, title, unit, factor in _PANELS:
        lines = [_line(run, key, factor) for run in group.runs]
        known = [line for line in lines if any(y is not None for y in line["y"])]
        if not known:
            continue
        medians = [
            _median(side, [line for line in known if line["side"] == side])
            for side in "AB"
            if any(line["side"] == side for line in known)
        ]
        goal = group.goal.high * factor if key == "speed" else None
        panels.append({"title": title, "unit": unit, "lines": [*known, *medians], "goal": goal})
    return {"step": DRAWN * GRID, "range": (-BEFORE, round(end, 2)), "panels": panels}


def _line(run: Run, key: str, factor: float) -> OverlayLine:
    values: Array = run.currents.mean(axis=0) if key == "motor" else getattr(run, key)
    shown = run.time <= run.end - run.zero
    # On whole steps from the start of the clock, so that runs share their times.
    step = DRAWN * GRID
    first, last = math.ceil(run.time[0] / step), math.floor(run.time[shown][-1] / step)
    at = step * np.arange(max(first, round(-BEFORE / step)), last + 1)
    y = np.interp(at, run.time, values) * factor
    return {
        "side": run.side,
        "bold": False,
        "start": round(float(at[0]), 3),
        "y": [round(v, 3) if math.isfinite(v) else None for v in y.tolist()],
    }


def _median(side: str, lines: Sequence[OverlayLine]) -> OverlayLine:
    """Return the median line, as far as at least half of the lines go."""
    step = DRAWN * GRID
    starts = [round(line["start"] / step) for line in lines]
    first = min(starts)
    length = max(s - first + len(line["y"]) for s, line in zip(starts, lines, strict=True))
    table = np.full((len(lines), length), np.nan)
    for row, start, line in zip(table, starts, lines, strict=True):
        y = [math.nan if v is None else v for v in line["y"]]
        row[start - first : start - first + len(y)] = y
    many = np.isfinite(table).sum(axis=0) * 2 >= len(lines)
    middle = [
        round(float(np.nanmedian(column)), 3) if enough else None
        for column, enough in zip(table.T, many, strict=True)
    ]
    return {"side": side, "bold": True, "start": round(first * step, 3), "y": middle}
