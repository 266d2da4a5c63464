"""Plotly figures of a ride, for notebooks."""

from typing import Any

import numpy as np

from sagline_logger.format import BoardFile, SaglineError, derive_limits

from ..findings.limits.crossings import find_crossings, thresholds
from ..load.ride import Ride
from .columns import page_columns
from .palette import PALETTE
from .panels import Panel, lay_out
from .reduce import breaks, extremes
from .selection import select


def figure(
    ride: Ride,
    board: BoardFile | None = None,
    channels: list[str] | None = None,
    window: tuple[float, float] | None = None,
    points: int = 2000,
) -> Any:
    """Return a ``plotly.graph_objects.Figure`` of the ride, panels below each other.

    ``channels`` chooses columns by name, ``window`` a stretch in s.  Each line has at most about
    ``points`` points, the least and the greatest sample of each stretch, so that no peak is lost.

    Raises:
        SaglineError: a channel is not in the ride, or the window holds nothing.
    """
    import plotly.graph_objects as go
    from plotly.subplots import make_subplots

    ride = select(ride, channels)
    tables, columns = page_columns(ride, board)
    if not columns:
        raise SaglineError("there is nothing to draw", where=ride.path)
    times = {table.name: table for table in tables}
    limits = derive_limits(board) if board else ()
    groups = lay_out(columns, lowest_cell(ride))
    panels = [panel for group in groups for panel in group.panels]
    figure = make_subplots(
        rows=len(panels),
        cols=1,
        shared_xaxes=True,
        vertical_spacing=0.25 / (len(panels) + 4),
        subplot_titles=[plain(f"{panel.title} ({panel.unit or 1})") for panel in panels],
    )
    crossed = find_crossings(ride, limits)
    marked = thresholds(ride, limits)
    for row, panel in enumerate(panels, 1):
        for line in panel.lines:
            table = times[line.column.stream]
            span = slice(None)
            if window:
                span = slice(*np.searchsorted(table.time, window).tolist())
            valid = line.column.valid()
            raw = line.column.raw[span]
            at = extremes(raw, None if valid is None else valid[span], points // 2)
            at = at + (span.start or 0)
            x = table.time[at]
            y = line.column.values(at) * line.factor
            cuts = np.flatnonzero(np.diff(breaks(table.gap, valid)[at])) + 1
            figure.add_trace(
                go.Scatter(
                    x=np.insert(x, cuts, x[cuts]),
                    y=np.insert(y, cuts, np.nan),
                    name=plain(line.label),
                    mode="lines",
                    connectgaps=False,
                    line={
                        "color": PALETTE[line.colour],
                        "dash": line.dash,
                        "width": line.width,
                        "shape": "linear",
                    },
                    hovertemplate=f"%{{y:.6~g}} {plain(line.unit)} at %{{x:.3f}} s",
                ),
                row=row,
                col=1,
            )
        _mark(figure, row, panel, marked, crossed)
    figure.update_xaxes(title_text="time from start (s)", row=len(panels), col=1)
    figure.update_layout(height=220 * len(panels) + 120, template="plotly_white")
    return figure


def _mark(figure: Any, row: int, panel: Panel, marked: Any, crossed: Any) -> None:
    factors = {line.column.key: line.factor for line in panel.lines}
    cells = [line for line in panel.lines if line.column.channel.name == "cell_voltage"]
    if cells:
        factors["cells"] = cells[0].factor
    for threshold in marked:
        key = threshold.key or "cells"
        if key in factors:
            figure.add_hline(
                threshold.level * factors[key],
                line={"dash": "dot", "width": 1, "color": "gray"},
                annotation_text=plain(threshold.limit.part),
                annotation_hovertext=plain(threshold.reason),
                row=row,
                col=1,
            )
    for crossing in crossed:
        if (crossing.threshold.key or "cells") in factors:
            figure.add_vrect(
                crossing.span.start,
                crossing.span.end,
                fillcolor=PALETTE[6],
                opacity=0.2,
                line_width=0,
                row=row,
                col=1,
            )


def lowest_cell(ride: Ride) -> str | None:
    """Return the column of the cell that went lowest, None without cells."""
    keys = ride.keys("cell_voltage")
    lows = [
        (float(np.nanmin(stream.values[key])), key)
        for key in keys
        if (stream := ride.find(key)) is not None and np.isfinite(stream.values[key]).any()
    ]
    return min(lows)[1] if lows else None


def plain(text: str) -> str:
    """Return text as plotly shows it literally: its labels take a few HTML tags."""
    return text.replace("&", "&amp;").replace("<", "&lt;").replace(">", "&gt;")
