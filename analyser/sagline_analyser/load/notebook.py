"""A ride and a stream as a notebook shows them: one line of text, or facts with a small plot."""

from collections.abc import Sequence
from datetime import UTC, datetime
from typing import TYPE_CHECKING

import numpy as np
import numpy.typing as npt
from markupsafe import Markup

from ..markup import html, joined

if TYPE_CHECKING:
    from .ride import Ride, StreamColumns

WIDTH, HEIGHT = 320, 36
"""px of a small plot."""

DRAWN = ("speed", "battery_current", "pack_voltage", "cell_voltage", "motor_current")
"""Channels that a ride shows first; others follow in their order."""

MOST = 3
"""Small plots of a ride."""

ROWS = 12
"""Channels listed of a stream."""


def stream_text(stream: "StreamColumns") -> str:
    """Return a stream in one line."""
    names = list(stream.channels)
    told = ", ".join(names[:6]) + (f" and {len(names) - 6} more" if len(names) > 6 else "")
    return f"<stream {stream.name!r}: {len(stream.time)} samples{_every(stream)} of {told}>"


def ride_text(ride: "Ride") -> str:
    """Return a ride in one line."""
    streams = ", ".join(
        f"{s.name} ({len(s.channels)} channels, {len(s.time)} samples)"
        for s in ride.streams.values()
    )
    name = ride.board_name or "unnamed board"
    return f"<ride of {name}, {_began(ride)}{ride.duration:.1f} s: {streams or 'no streams'}>"


def ride_html(ride: "Ride") -> Markup:
    """Return a ride as HTML: what it is, and a few of its channels as small plots."""
    first = [key for name in DRAWN for key in ride.keys(name)[:1]]
    others = [key for stream in ride.streams.values() for key in stream.channels]
    plots: list[Markup] = []
    for key in dict.fromkeys([*first, *others]):
        stream = ride.find(key)
        if stream is not None and np.isfinite(stream.values[key]).any() and len(plots) < MOST:
            plots.append(_row(stream, key))
    lost = sum(ride.quality.lost_samples.values())
    return html(
        "<div><b>{}</b> {}<br><small>{}</small><table>{}</table></div>",
        ride.board_name or "Unnamed board",
        f"{_began(ride)}{ride.duration:.1f} s · {lost} samples lost",
        " · ".join(
            f"{s.name}: {len(s.channels)} channels, {len(s.time)} samples"
            for s in ride.streams.values()
        ),
        joined(plots),
    )


def stream_html(stream: "StreamColumns") -> Markup:
    """Return a stream as HTML: a row with a small plot for each channel, the first of many."""
    left = len(stream.channels) - ROWS
    return html(
        "<div><b>{}</b> {} samples{}<table>{}</table>{}</div>",
        *(stream.name, len(stream.time), _every(stream)),
        joined(_row(stream, key) for key in list(stream.channels)[:ROWS]),
        html("<p>and {} more channels</p>", left) if left > 0 else "",
    )


def _began(ride: "Ride") -> str:
    if ride.started_wall is None:
        return ""
    return f"{datetime.fromtimestamp(ride.started_wall, UTC):%Y-%m-%d %H:%M} UTC, "


def _every(stream: "StreamColumns") -> str:
    return f", one every {stream.period * 1e3:g} ms," if stream.period else ""


def _row(stream: "StreamColumns", key: str) -> Markup:
    values, unit = stream.values[key], stream.channels[key].unit
    known = values[np.isfinite(values)]
    range_ = f"{known.min():.4g} … {known.max():.4g}" if len(known) else "no reading"
    drawn = plot(stream.time, values, stream.gap)
    return html("<tr><td>{}</td><td>{}</td><td>{} {}</td></tr>", key, drawn, range_, unit)


def plot(
    time: npt.NDArray[np.float64],
    values: npt.NDArray[np.float64],
    gap: npt.NDArray[np.bool_] | Sequence[bool],
) -> Markup:
    """Return a small plot as SVG: from least to greatest in each px, so that no peak is lost."""
    good = np.isfinite(values)
    if not good.any():
        return Markup()
    low, high = float(values[good].min()), float(values[good].max())
    start, end = float(time[0]), float(time[-1])
    x = (time[good] - start) / ((end - start) or 1.0) * (WIDTH - 2) + 1
    y = HEIGHT - 2 - (values[good] - low) / ((high - low) or 1.0) * (HEIGHT - 4)
    pixel = x.astype(int)
    edges = np.flatnonzero(np.r_[True, np.diff(pixel) > 0])
    tops, feet = np.minimum.reduceat(y, edges), np.maximum.reduceat(y, edges)
    firsts, lasts = y[edges], y[np.r_[edges[1:], len(y)] - 1]
    broken = np.cumsum(np.asarray(gap, bool) | ~good)[good][edges]
    path = ""
    for n, at in enumerate(pixel[edges].tolist()):
        begin = "M" if n == 0 or broken[n] != broken[n - 1] else "L"
        path += f"{begin}{at} {firsts[n]:.1f}"
        if feet[n] > tops[n]:
            path += f"V{tops[n]:.1f}V{feet[n]:.1f}V{lasts[n]:.1f}"
    return html(
        '<svg width="{}" height="{}" role="img" aria-hidden="true">'
        '<path d="{}" fill="none" stroke="currentColor"/></svg>',
        *(WIDTH, HEIGHT, path),
    )
