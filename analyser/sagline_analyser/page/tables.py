"""The written parts of a page: summary, crossings, quality, notes; `tables.jinja` draws them."""

import re
from collections.abc import Iterable, Sequence
from datetime import UTC, datetime

from markupsafe import Markup

from sagline_logger.format.counting import often

from ..findings.basis import Basis
from ..findings.limits.crossings import RULES_TEXT, Crossing
from ..findings.readings.summary import Finding, LoadBand, Summary, words
from ..findings.telling.moment import moment_text
from ..load.ride import Ride
from ..markup import html, joined
from .templates import part
from .units import duration_text

_OURS = "page/tables.jinja"

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


def heading(ride: Ride) -> Markup:
    """Return the page's head: board, when, how long, where from."""
    facts = []
    if ride.started_wall is not None:
        facts.append(f"{datetime.fromtimestamp(ride.started_wall, UTC):%Y-%m-%d %H:%M:%S} UTC")
    facts.append(duration_text(ride.duration))
    facts += [text for text in (ride.firmware, ride.source) if text]
    settings = ", ".join(f"{name} = {value}" for name, value in ride.settings.items())
    title = ride.board_name or "Unnamed board"
    return part(_OURS, "heading", title, " · ".join(facts), ride.note, settings)


def warnings(basis: Basis) -> Markup:
    """Return what the reader must know before trusting the figures, or an empty string."""
    ride = basis.raw
    lines = [*basis.mismatches]
    if basis.sensors:
        what = "; ".join(f"{basis.words(d)}, {d.doubt}" for d in basis.sensors)
        lines.append(f"Sensors that cannot be right ({what}): see Data quality.")
    lines += ride.warnings
    if not ride.quality.ended:
        lines.append("The capture was cut off: the log has no end record.")
    return listed(lines, "warnings")


def listed(lines: Sequence[str], kind: str) -> Markup:
    """Return lines as a list of a kind of style, or an empty string."""
    return part(_OURS, "listed", lines, kind) if lines else Markup()


def summary_tiles(summary: Summary) -> Markup:
    """Return the figures a rider looks for first, as tiles."""
    found = {finding.key: finding for finding in summary}
    lost = found.get("lost_samples")
    keys = ("lost_samples", *TILES) if lost and lost.value else TILES
    tiles = [found[key] for key in keys if key in found and found[key].value is not None]
    return part(_OURS, "tiles", [(one, *_under(one), _at(one)) for one in tiles])


_LOSS = re.compile(r"(^|, )[^,]* (set aside|with gaps): .*", re.DOTALL)
"""What a figure's note says of a sensor it does without."""


def _under(finding: Finding) -> tuple[str, bool]:
    """A tile tells its note; of a sensor that is lacking only that it is, the rest behind it."""
    told = _LOSS.sub("", finding.note)
    return told, told != finding.note


def _at(finding: Finding) -> Markup:
    return zoom_link(finding.at) if finding.at is not None else Markup()


def band_table(bands: Sequence[LoadBand]) -> Markup:
    """Return the shares of time by battery current."""
    if not bands:
        return Markup()
    return part(_OURS, "bands", [(band, _span_text(band)) for band in bands])


def _span_text(band: LoadBand) -> str:
    if band.low is None:
        return f"below {band.high:.0f} A".replace("-", "−")
    if band.high is None:
        return f"above {band.low:.0f} A"
    return f"{band.low:.0f} to {band.high:.0f} A".replace("-", "−")


def figure_table(summary: Summary) -> Markup:
    """Return every figure with how it was computed."""
    known = [(one, _at(one)) for one in summary if one.value is not None]
    return part(_OURS, "figures", known, [one for one in summary if one.value is None])


def crossing_table(ride: Ride, crossings: Sequence[Crossing], has_limits: bool) -> Markup:
    """Return the crossings, grouped by limit, each with a link that zooms there."""
    if not has_limits:
        return part(_OURS, "no_limits")
    groups = [_crossing_group(ride, rows) for rows in by_threshold(crossings)]
    return part(_OURS, "crossings", RULES_TEXT, groups)


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
    total = duration_text(sum(c.span.duration for c in rows))
    what = words(ride, threshold.key) if threshold.key else "a cell"
    return what, threshold.words, f"{often(len(rows))}, {total} in all"


def _crossing_group(ride: Ride, rows: Sequence[Crossing]) -> dict[str, object]:
    limit = rows[0].threshold.limit
    worst = sorted(rows, key=lambda c: c.span.peak, reverse=rows[0].threshold.above)[:ROWS]
    worst.sort(key=lambda c: c.span.start)
    what, threshold, often = group_words(ride, rows)
    return {
        "what": what,
        "threshold": threshold,
        "often": often,
        "open": limit.kind in ("stop", "limit", "burst"),
        "unit": limit.unit,
        "rows": [
            (
                c,
                zoom_link(c.span.start, c.span.end),
                f"{words(ride, c.where)}, " if c.threshold.key is None else "",
            )
            for c in worst
        ],
        "left": len(rows) - len(worst),
    }


def sensor_table(basis: Basis) -> Markup:
    """Return the doubted sensors, each with its evidence and links to when."""
    rows = [(doubt, basis.words(doubt), _moments(doubt.spans)) for doubt in basis.sensors]
    return part(_OURS, "sensors", rows)


def _moments(spans: Sequence[tuple[float, float]]) -> Markup:
    links = joined([zoom_link(start, end) for start, end in spans[:ROWS]], ", ")
    return links + (f" and {len(spans) - ROWS} more" if len(spans) > ROWS else "")


def event_table(rows: Iterable[tuple[float, str, str]]) -> Markup:
    """Return (time, what, text) rows of the event lane in writing."""
    return part(_OURS, "events", [(zoom_link(time), what, text) for time, what, text in rows])


def zoom_link(start: float, end: float | None = None) -> Markup:
    """Return a time from the start as a link that shows that stretch of the traces."""
    margin = max(1.0, ((end or start) - start) / 2)
    low, high = max(start - margin, 0), (end or start) + margin
    return html('<a href="#t={:.3f},{:.3f}">{}</a>', low, high, moment_text(start))
