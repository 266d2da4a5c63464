"""The written parts of a page: summary, crossings, quality, notes.  Every text is escaped."""

import re
from collections.abc import Iterable, Sequence
from datetime import UTC, datetime
from html import escape as escape_html

from ..findings.basis import Basis
from ..findings.crossings import RULES_TEXT, Crossing
from ..findings.summary import Band, Finding, Summary, words
from ..load.ride import Ride
from .units import duration_text, figure_text, moment_text


def escape(text: str) -> str:
    """Return text as HTML shows it literally; a NUL, which HTML drops, shows as U+FFFD."""
    return escape_html(text).replace("\0", "\ufffd")


TILES = (
    "distance",
    "moving_time",
    "top_speed",
    "energy_net",
    "energy_per_distance",
    "energy_regenerated",
    "charge_net",
    "peak_battery_current",
    "lowest_cell",
    "hottest_part",
)
ROWS = 8
"""Rows shown for one limit, the worst ones; the others are counted."""


def heading(ride: Ride) -> str:
    """Return the page's head: board, when, how long, where from."""
    parts = []
    if ride.started_wall is not None:
        parts.append(f"{datetime.fromtimestamp(ride.started_wall, UTC):%Y-%m-%d %H:%M:%S} UTC")
    parts.append(duration_text(ride.duration))
    parts += [text for text in (ride.firmware, ride.source) if text]
    note = f"<p class=note tabindex=0>{escape(ride.note)}</p>" if ride.note else ""
    settings = ", ".join(f"{name} = {value}" for name, value in ride.settings.items())
    stated = f"<p class=settings>Settings: {escape(settings)}</p>" if settings else ""
    title = escape(ride.board_name or "Unnamed board")
    return f"<h1>{title}</h1><p class=facts>{escape(' · '.join(parts))}</p>{note}{stated}"


def warnings(basis: Basis) -> str:
    """Return what the reader must know before trusting the figures, or an empty string."""
    ride = basis.raw
    lines = [*basis.mismatches]
    if basis.sensors:
        what = "; ".join(f"{basis.words(d)}, {d.doubt}" for d in basis.sensors)
        lines.append(f"Sensors that cannot be right ({what}): see Data quality.")
    lines += ride.warnings
    if not ride.quality.ended:
        lines.append("The capture was cut off: the log has no end record.")
    if not lines:
        return ""
    return f"<ul class=warnings>{''.join(f'<li>{escape(line)}' for line in lines)}</ul>"


def summary_tiles(summary: Summary) -> str:
    """Return the figures a rider looks for first, as tiles."""
    found = {finding.key: finding for finding in summary}
    lost = found.get("lost_samples")
    keys = ("lost_samples", *TILES) if lost and lost.value else TILES
    tiles = [_tile(found[key]) for key in keys if key in found and found[key].value is not None]
    return f"<dl class=tiles>{''.join(tiles)}</dl>"


_LOSS = re.compile(r"(^|, )[^,]* (set aside|with gaps): .*", re.DOTALL)
"""What a figure's note says of a sensor it does without."""


def _tile(finding: Finding) -> str:
    """A tile tells its note; of a sensor that is lacking only that it is, the rest behind it."""
    under = escape(_LOSS.sub("", finding.note))
    title = finding.how
    if under != escape(finding.note):
        title = f"{finding.how} ({finding.note})"
        under += f"{' · ' if under else ''}<a href='#sensors'>in doubt</a>"
    at = f" {zoom_link(finding.at)}" if finding.at is not None else ""
    return (
        f'<div title="{escape(title)}"><dt>{escape(finding.label)}</dt>'
        f"<dd>{escape(figure_text(finding.value, finding.unit))}</dd>"
        f"<dd class=under>{under}{at}</dd></div>"
    )


def band_table(bands: Sequence[Band]) -> str:
    """Return the shares of time by battery current."""
    if not bands:
        return ""
    cells = "".join(
        f"<tr><th scope=row>{escape(band.label)}<td>{_span_text(band)}<td class=n>"
        f"{100 * band.share:.1f}&#8239;%<td class=bar><i style='width:{100 * band.share:.2f}%'></i>"
        for band in bands
    )
    return (
        "<table class=bands><caption>Share of the time by battery current, where it is known"
        "</caption>"
        f"<tbody>{cells}</table>"
    )


def _span_text(band: Band) -> str:
    if band.low is None:
        return f"below {band.high:.0f} A".replace("-", "−")
    if band.high is None:
        return f"above {band.low:.0f} A"
    return f"{band.low:.0f} to {band.high:.0f} A".replace("-", "−")


def figure_table(summary: Summary) -> str:
    """Return every figure with how it was computed."""
    rows = "".join(
        f"<tr><th scope=row>{escape(f.label)}<td class=n>{escape(figure_text(f.value, f.unit))}"
        f"<td>{zoom_link(f.at) if f.at is not None else ''} {escape(f.note)}<td>{escape(f.how)}"
        for f in summary
        if f.value is not None
    )
    lacking = "".join(f"<li>{escape(f.label)}: {escape(f.how)}" for f in summary if f.value is None)
    missing = f"<h3>Could not be computed</h3><ul class=lacking>{lacking}</ul>" if lacking else ""
    return (
        "<div class=wide tabindex=0>"
        "<table class=figures><thead><tr><th>Figure<th>Value<th>When, where"
        f"<th>How it was computed<tbody>{rows}</table></div>{missing}"
    )


def crossing_table(ride: Ride, crossings: Sequence[Crossing], has_limits: bool) -> str:
    """Return the crossings, grouped by limit, each with a link that zooms there."""
    if not has_limits:
        return (
            "<p>No limits to compare with: give the logger or this program a board file "
            "(<code>--board FILE</code>)."
        )
    if not crossings:
        return f"<p>No limit was crossed. {escape(RULES_TEXT)}"
    parts = "".join(_crossing_group(ride, rows) for rows in by_threshold(crossings))
    return (
        f"<p>{escape(RULES_TEXT)} A²s is the integral ∫ i² dt from start to end, the measure of "
        f"heat in leads and fuses.{parts}"
    )


def by_threshold(crossings: Sequence[Crossing]) -> list[list[Crossing]]:
    """Return the crossings of each threshold together, ratings of parts before settings."""
    groups: dict[tuple[str, str, bool], list[Crossing]] = {}
    for crossing in crossings:
        threshold = crossing.threshold
        key = (threshold.key or "", threshold.reason, threshold.above)
        groups.setdefault(key, []).append(crossing)
    return sorted(groups.values(), key=lambda rows: _ORDER.index(rows[0].threshold.limit.kind))


_ORDER = ("stop", "limit", "burst", "full", "alarm", "setting")


def group_words(ride: Ride, rows: Sequence[Crossing]) -> tuple[str, str, str]:
    """Return (what, threshold, how often and how long) of one threshold's crossings."""
    threshold = rows[0].threshold
    times = "once" if len(rows) == 1 else f"{len(rows)} times"
    total = duration_text(sum(c.span.duration for c in rows))
    what = words(ride, threshold.key) if threshold.key else "a cell"
    return what, threshold.words, f"{times}, {total} in all"


def _crossing_group(ride: Ride, rows: Sequence[Crossing]) -> str:
    limit = rows[0].threshold.limit
    worst = sorted(rows, key=lambda c: c.span.peak, reverse=rows[0].threshold.above)[:ROWS]
    worst.sort(key=lambda c: c.span.start)
    left = len(rows) - len(worst)
    more = ""
    if left:
        more = f"<p>{left} lesser ones: <code>sagline-analyser summary --json</code> lists them."
    squares = limit.unit == "A"
    body = "".join(
        f"<tr><td>{zoom_link(c.span.start, c.span.end)}<td class=n>{duration_text(c.span.duration)}"
        f"<td class=n>{escape(figure_text(c.span.peak, limit.unit))}"
        + (f"<td class=n>{c.ampere_squared_seconds:,.0f}" if squares else "")
        + f"<td>{escape(words(ride, c.where)) + ', ' if c.threshold.key is None else ''}"
        f"{escape(c.doing)}{' · cut off by a gap' if c.span.cut else ''}"
        for c in worst
    )
    what, threshold, often = group_words(ride, rows)
    opened = " open" if limit.kind in ("stop", "limit", "burst") else ""
    return (
        f"<details{opened} class=crossing><summary><b>{escape(what)}</b> {escape(threshold)} "
        f"<span class=count>{often}</span></summary>"
        "<div class=wide tabindex=0>"
        "<table><thead><tr><th>Start<th>Duration<th>Peak"
        + ("<th>A²s" if squares else "")
        + f"<th>At the peak<tbody>{body}</table></div>{more}</details>"
    )


def sensor_table(basis: Basis) -> str:
    """Return the doubted sensors, each with its evidence and links to when."""
    if not basis.sensors:
        return "<p>No sensor was found in doubt."
    rows = "".join(
        f"<tr><th scope=row>{escape(basis.words(doubt))}<td>{escape(doubt.doubt)}"
        f"<td>{escape(doubt.evidence)}<td>{_moments(doubt.spans)}"
        f"<td>{'set aside' if doubt.set_aside else 'kept'}"
        for doubt in basis.sensors
    )
    return (
        f"<details class='all paper'><summary>{len(basis.sensors)} in doubt</summary>"
        "<p>Nothing on this page rests on what is set aside; the traces show it as it was sent."
        "<div class=wide tabindex=0>"
        "<table class=figures><thead><tr><th>Sensor<th>Doubt<th>Evidence<th>When"
        f"<th>Readings<tbody>{rows}</table></div></details>"
    )


def _moments(spans: Sequence[tuple[float, float]]) -> str:
    links = ", ".join(zoom_link(start, end) for start, end in spans[:ROWS])
    return links + (f" and {len(spans) - ROWS} more" if len(spans) > ROWS else "")


def event_table(rows: Iterable[tuple[float, str, str]]) -> str:
    """Return (time, what, text) rows of the event lane in writing."""
    body = "".join(
        f"<tr><td>{zoom_link(time)}<td>{_led_up_to(what)}<td>{escape(text)}"
        for time, what, text in rows
    )
    if not body:
        return "<p>No faults, marks, link losses or restarts."
    return (
        "<div class=wide tabindex=0>"
        f"<table><thead><tr><th>Time<th>What<th>Text<tbody>{body}</table></div>"
    )


def _led_up_to(what: str) -> str:
    """Return what an event was; a fault links to the answer that tells what led up to it."""
    return (
        f'{what} (<a href="#answer-fault">what came first</a>)' if what == "fault" else escape(what)
    )


def zoom_link(start: float, end: float | None = None) -> str:
    """Return a time from the start as a link that shows that stretch of the traces."""
    margin = max(1.0, ((end or start) - start) / 2)
    window = f"{max(start - margin, 0):.3f},{(end or start) + margin:.3f}"
    return f'<a href="#t={window}">{moment_text(start)}</a>'
