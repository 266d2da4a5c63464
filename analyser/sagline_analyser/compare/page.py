"""The comparison as one HTML file, in the shell and the style of the report.  Texts are escaped."""

import math
from collections.abc import Iterator, Sequence
from pathlib import Path
from typing import Any

import numpy as np

from ..findings.series import Array
from ..page.shell import data_block, fill, head, plotly_source, resource, write_parts
from ..page.tables import escape
from ..page.units import moment_text
from .cards import page_cards, runs_strip, score_text
from .comparison import CLEAR, METHOD, Comparison, Group, Row
from .confounders import Confounder
from .predict import Prediction
from .runs import BEFORE, GRID, Run
from .sides import ORDER, settings_of
from .verdict import measure_text, signed_text

DRAWN = 2
"""Every so many points of a run's traces are drawn."""

WIDE = "<div class=wide tabindex=0>"
"""Around a table that may be wider than the screen: reached by key, so that a key can slide it."""

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
    name = comparison.parts[0].ride.board_name or "Unnamed board"
    caution = f"<p class=caution>{escape(comparison.caution)}</p>"
    yield head(f"{name} {TITLE}", plotly, script)
    parts = {
        "heading": _heading(comparison, name),
        "notes": _list([*comparison.doubts, *comparison.notes], "warnings"),
        "strip": runs_strip(comparison),
        "cards": page_cards(comparison, prediction, _behind(comparison, prediction)),
        "caution": caution,
        "launches": _table(group, both),
        "legend": _legend(both),
        "pulls": _pulls(comparison, both),
        "runs": _runs(group),
        "method": escape(METHOD),
    }
    yield from fill(resource("compare.template", __package__), parts)
    yield data_block("spec", _spec(group))
    yield f"<script>{plotly}</script>\n<script>{script}</script>\n</body></html>\n"


def _list(lines: Sequence[str], kind: str = "") -> str:
    if not lines:
        return ""
    return f"<ul class={kind or 'plain'}>{''.join(f'<li>{escape(line)}' for line in lines)}</ul>"


def _heading(comparison: Comparison, name: str) -> str:
    changed = "; ".join(f"{c.name}: A {c.a}, B {c.b}" for c in comparison.changes)
    if not changed and comparison.verdict is not None:
        changed = (
            "the logs state no setting that differs; record with --setting NAME=VALUE, so that a "
            "comparison can say what was changed"
        )
    rows = ""
    for part in comparison.parts:
        settings = ", ".join(f"{k} = {v}" for k, v in settings_of(part.ride, part.board).items())
        rows += (
            f"<tr><th scope=row>{part.side}<td>{escape(part.ride.path)}"
            f"<td>{escape(_stretch(part.name))}"
            f"<td class=n>{sum(run.part == part.number for run in comparison.main.runs)}"
            f"<td>{escape(settings)}"
        )
    stated = (
        f"<p class=settings>Changed between the sides: {escape(changed)}</p>" if changed else ""
    )
    return (
        f"<h1>{escape(name)}: A against B</h1>{stated}"
        "<details><summary>Logs and settings, in the order ridden: "
        f"{escape(comparison.order)}</summary>{WIDE}<table><thead><tr><th>Side<th>Log"
        f"<th>Stretch<th>Runs<th>Settings<tbody>{rows}</table></div></details>"
    )


def _stretch(name: str) -> str:
    return name if name.startswith(("from mark", "before the")) else "whole log"


def _behind(comparison: Comparison, prediction: Prediction | None) -> dict[str, str]:
    """Return what stands behind each card."""
    group, both = comparison.main, comparison.verdict is not None
    return {
        "verdict": _verdict(comparison),
        "conditions": _conditions(group.confounders),
        "causes": _causes(group, both),
        "prediction": _prediction(prediction) if prediction else "",
    }


def _verdict(comparison: Comparison) -> str:
    verdict = comparison.verdict
    if verdict is None:
        return f"<p class=verdict>Only side A was given. {escape(ORDER)}</p>"
    return f"<p class=verdict>{escape(verdict.text)}</p>{_list(verdict.advice)}"


def _table(group: Group, both: bool) -> str:
    if not both:
        body = "".join(
            f"<tr><th scope=row>{escape(row.measure.label)}"
            f"<td class=n>{escape(measure_text(row.mean_a, row.measure.unit))}"
            f"<td>{escape(row.measure.how)}"
            for row in group.rows
        )
        return (
            f"{WIDE}<table class=figures><thead><tr><th>Measure<th>A<th>How it is found"
            f"<tbody>{body}</table></div>"
        )
    widest = max(_reach(row) for row in group.rows)
    body = "".join(_row(row, widest) for row in group.rows)
    count = f"{len(group.side('A'))} on A, {len(group.side('B'))} on B"
    by = group.rows[0].difference
    assert by is not None
    count += f", in {by.stretches[0]} and {by.stretches[1]} stretches"
    return (
        f"<p>{count}. The figures are means over stretches at like conditions. A difference is "
        f"called clear where its p, corrected for the number of measures, is at most {CLEAR:.2f}."
        "</p>"
        f"{WIDE}<table class='figures apart'><thead><tr><th>Measure<th>A<th>B<th>B − A"
        "<th>90 % interval<th>In % of A's<th>p, corrected<th>Clear<th>How it is found"
        f"<tbody>{body}</table></div>"
    )


def _reach(row: Row) -> float:
    assert row.difference is not None
    ends = [abs(x) for x in (row.difference.low, row.difference.high, row.difference.value)]
    return max((x for x in ends if math.isfinite(x)), default=0.0) / (abs(row.mean_a) or 1.0)


def _row(row: Row, widest: float) -> str:
    unit, by = row.measure.unit, row.difference
    assert by is not None and row.mean_b is not None and row.adjusted_p is not None
    interval = f"{signed_text(by.low, unit)} to {signed_text(by.high, unit)}"
    word = "clear" if row.clear else "not clear"
    chance = "&lt; 0.001" if row.adjusted_p < 0.001 else f"{row.adjusted_p:.3f}"
    return (
        f"<tr><th scope=row>{escape(row.measure.label)}"
        f"<td class=n>{escape(measure_text(row.mean_a, unit))}"
        f"<td class=n>{escape(measure_text(row.mean_b, unit))}"
        f"<td class=n>{escape(signed_text(by.value, unit))}<td class=n>{escape(interval)}"
        f"<td class=n>{_bar(row, widest)}<td class=n>{chance}<td class=n>"
        f"{f'<b>{word}</b>' if row.clear else word}<td>{escape(row.measure.how)}"
    )


def _bar(row: Row, widest: float) -> str:
    """Return the interval as a line about zero, in shares of A's figure."""
    by = row.difference
    assert by is not None
    scale = 46 / (widest or 1.0) / (abs(row.mean_a) or 1.0)

    def x(value: float) -> float:
        return 50 + min(max(value * scale, -50.0), 50.0)

    share = f"{by.value / (abs(row.mean_a) or 1.0):+.1%}".replace("-", "−")
    colour = "var(--accent)" if row.clear else "var(--muted)"
    return (
        '<svg width="100" height="14" aria-hidden="true"><path d="M50 0V14" '
        f'style="stroke:var(--muted)"/><path d="M{x(by.low):.1f} 7H{x(by.high):.1f}" '
        f'style="stroke:{colour};stroke-width:2"/><circle cx="{x(by.value):.1f}" cy="7" r="4" '
        f'style="fill:{colour}"/></svg> {share}'
    )


def _legend(both: bool) -> str:
    lines = [("A", "--c5", "")] + ([("B", "--c6", "8 5")] if both else [])
    chips = "".join(
        f'<span class=chip><svg width="34" height="12" aria-hidden="true"><path d="M1 6H33" '
        f'style="stroke:var({colour});stroke-width:3" stroke-dasharray="{dash}"/></svg>side {side}'
        "</span>"
        for side, colour, dash in lines
    )
    return f"<div class=chips>{chips}</div>"


def _causes(group: Group, both: bool) -> str:
    if not group.causes:
        return "<p>The logs do not show what limited the motor current."
    rows = "".join(
        f"<tr><th scope=row>{escape(one.cause)}<td class=n>{one.a:.0%}"
        + (f"<td class=n>{one.b:.0%}" if both else "")
        + f"<td class=bar><i style='width:{100 * one.a:.1f}%'></i>"
        + (f"<i style='width:{100 * one.b:.1f}%;background:var(--c6)'></i>" if both else "")
        for one in group.causes
    )
    return (
        "<table class=bands><caption>Share of the time up to the common speed that each decided "
        f"the motor current</caption><thead><tr><th>What<th>A{'<th>B' if both else ''}<td>"
        f"<tbody>{rows}</table>"
    )


def _conditions(found: Sequence[Confounder]) -> str:
    if not found:
        return f"<p>Nothing to compare yet. {escape(ORDER)}"
    rows = "".join(
        f"<tr><th scope=row>{escape(one.label)}<td class=n>{_plain(one.a, one.unit)}"
        f"<td class=n>{_plain(one.b, one.unit)}<td class=n>{_plain(one.b - one.a, one.unit, '+')}"
        f"<td class=n>{'beyond chance' if one.real else 'within chance'}"
        f"<td class=n>{one.effect:+.1%}".replace("-", "−")
        + f"<td>{_held_against(one)}<td>{_by_stretch(one)}<td>{escape(one.how)}"
        for one in found
    )
    return (
        "<p>Each could make a difference of its own. What it could make is told of the time to a "
        "speed (+ is slower); where it is beyond chance and is not taken out of the figures, it is "
        "held against a verdict that it could have made.</p>"
        f"{WIDE}<table class='figures small'><thead><tr><th>Condition<th>A<th>B<th>B − A"
        "<th>Chance<th>Could make<th>In the verdict<th>Stretch by stretch<th>Reckoned how"
        f"<tbody>{rows}</table></div>"
    )


def _held_against(one: Confounder) -> str:
    if one.taken_out:
        return f"taken out: {escape(one.taken_out)}"
    return "held against the verdict" if one.real else ""


def _by_stretch(one: Confounder) -> str:
    return ", ".join(f"{side} {_plain(value, one.unit)}" for side, _, value in one.stretches)


def _plain(value: float, unit: str, sign: str = "") -> str:
    if unit == "1":
        return f"{100 * value:{sign}.1f}\u202f%"
    digits = 3 if unit == "m/s²" else 2 if unit == "V" else 1
    return f"{round(value, digits) + 0.0:{sign}.{digits}f}\u202f{unit}"


def _pulls(comparison: Comparison, both: bool) -> str:
    pulls = comparison.pulls
    if pulls is None or pulls is comparison.main:
        return ""
    return (
        "<section id=pulls><h2>Pulls from rolling</h2><details class=all><summary>Every measure"
        f"</summary>{_table(pulls, both)}</details></section>"
    )


def _prediction(found: Prediction) -> str:
    rows = "".join(
        f"<tr><th scope=row>{escape(one.measure.label)}"
        f"<td class=n>{escape(measure_text(one.a, one.measure.unit))}"
        f"<td class=n>{escape(measure_text(one.value, one.measure.unit))}"
        f"<td class=n>{escape(measure_text(one.low, one.measure.unit))} to "
        f"{escape(measure_text(one.high, one.measure.unit))}"
        + (
            f"<td class=n>{escape(measure_text(one.measured, one.measure.unit))}"
            f"<td>{'inside' if one.inside else '<b>outside</b>'}"
            if one.measured is not None
            else "<td class=n>—<td>"
        )
        for one in found.figures
    )
    was = f" (A: {found.old:.4g})" if found.old is not None else ""
    return (
        f"<p class=verdict>Predicted from A for {escape(found.name)} = {found.value:g}{was}. "
        f"{escape(score_text(found))}</p>{WIDE}"
        "<table class=figures><thead><tr><th>Measure<th>A<th>Predicted<th>90 % interval"
        f"<th>B measured<th>Inside<tbody>{rows}</table></div>{_list(found.notes)}"
    )


def _runs(group: Group) -> str:
    order = {"A": iter(range(len(group.side("A")))), "B": iter(range(len(group.side("B"))))}
    rows = ""
    for run in group.runs:
        at = next(order[run.side])
        cells = "".join(
            f"<td class=n>{escape(measure_text((row.a if run.side == 'A' else row.b)[at], u))}"
            for row in group.rows
            for u in (row.measure.unit,)
        )
        rows += f"<tr><th scope=row>{run.side}<td>{run.part}<td>{moment_text(run.start)}{cells}"
    heads = "".join(f"<th>{escape(row.measure.label)}" for row in group.rows)
    return (
        "<details class=all><summary>All figures of every run</summary>"
        f"{WIDE}<table><thead><tr><th>Side<th>Log<th>At{heads}<tbody>{rows}</table></div></details>"
    )


# ------------------------------------------------------------------------ what is drawn


def _spec(group: Group) -> dict[str, Any]:
    end = max(run.end - run.zero for run in group.runs)
    panels = []
    for key, title, unit, factor in _PANELS:
        lines = [_line(run, key, factor) for run in group.runs]
        known = [line for line in lines if any(y is not None for y in line["y"])]
        if not known:
            continue
        medians = [
            {**_median([line for line in known if line["side"] == side]), "side": side}
            for side in "AB"
            if any(line["side"] == side for line in known)
        ]
        goal = group.goal.high * factor if key == "speed" else None
        panels.append({"title": title, "unit": unit, "lines": [*known, *medians], "goal": goal})
    return {"step": DRAWN * GRID, "range": [-BEFORE, round(end, 2)], "panels": panels}


def _line(run: Run, key: str, factor: float) -> dict[str, Any]:
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


def _median(lines: Sequence[dict[str, Any]]) -> dict[str, Any]:
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
    return {"bold": True, "start": round(first * step, 3), "y": middle}
