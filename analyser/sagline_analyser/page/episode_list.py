"""Episodes as HTML: one row each, its limits as bars, the single crossings behind it."""

from collections.abc import Sequence

from sagline_logger.format import Limit

from ..findings.crossings import Crossing
from ..findings.episodes import Episode, Passed
from ..findings.part_names import short_part
from ..findings.summary import words
from ..load.ride import Ride
from .tables import escape, zoom_link
from .units import duration_text, figure_text

BARS = 2
"""Limits shown as bars; the others are behind the row."""

FULL = 0.5
"""Share beyond a limit that fills a bar."""

SHOWN = 3
"""Episodes that stand open, those that went furthest beyond a limit."""


def episode_list(ride: Ride, episodes: Sequence[Episode]) -> str:
    """Return the episodes in time order, the lesser ones folded away."""
    ranked = sorted(episodes, key=lambda episode: -episode.passed[0].beyond)
    furthest = {id(episode) for episode in ranked[:SHOWN]}
    shown = "".join(_episode(ride, one) for one in episodes if id(one) in furthest)
    lesser = [one for one in episodes if id(one) not in furthest]
    if not lesser:
        return shown
    rest = "".join(_episode(ride, one) for one in lesser)
    return f"{shown}<details class=all><summary>{len(lesser)} lesser ones</summary>{rest}</details>"


def _episode(ride: Ride, episode: Episode) -> str:
    bars = "".join(_bar(ride, passed) for passed in episode.passed[:BARS])
    left = len(episode.passed) - BARS
    more = f"+{left}" if left > 0 else "detail"
    rows = "".join(_row(ride, passed) for passed in episode.passed)
    length = duration_text(episode.end - episode.start)
    return (
        f"<div class=episode><p><b>{escape(episode.kind)}</b> "
        f"{zoom_link(episode.start, episode.end)} <span class=count>{length}</span></p>"
        f"<div class=passed>{bars}</div>"
        f"<details><summary>{more}</summary>"
        "<div class=wide tabindex=0>"
        "<table><thead><tr><th>What<th>Limit<th>Peak<th>At<th>Doing then"
        f"<tbody>{rows}</table></div></details></div>"
    )


def _bar(ride: Ride, passed: Passed) -> str:
    crossing = passed.worst
    limit = crossing.threshold.limit
    peak, level = (
        figure_text(value, limit.unit) for value in (crossing.span.peak, crossing.threshold.level)
    )
    unit = level.rpartition("\u202f")[2] if "\u202f" in level else ""
    size = 100 * min(passed.beyond / FULL, 1.0)
    return (
        f"<span class=beyond><span class=what>{escape(short_name(ride, crossing))}</span>"
        f"<i style='width:{max(size, 3):.0f}%'></i>"
        f"<span class=n>{escape(peak.removesuffix(unit).rstrip())} / {escape(level)}"
        "</span></span>"
    )


def _row(ride: Ride, passed: Passed) -> str:
    crossing = passed.worst
    limit: Limit = crossing.threshold.limit
    times = f" ({passed.times} times)" if passed.times > 1 else ""
    return (
        f"<tr><th scope=row>{escape(words(ride, crossing.where))}"
        f"<td>{escape(crossing.threshold.words)}{times}"
        f"<td class=n>{escape(figure_text(crossing.span.peak, limit.unit))}"
        f"<td>{zoom_link(crossing.span.start, crossing.span.end)}<td>{escape(crossing.doing)}"
    )


def short_name(ride: Ride, crossing: Crossing) -> str:
    """Return the part that a limit is of, or the channel where the limit names none."""
    return short_part(crossing.threshold.limit.part) or words(ride, crossing.where)
