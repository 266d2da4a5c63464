"""Episodes as HTML: one row each, its limits as bars, the single crossings behind it."""

from collections.abc import Sequence

from markupsafe import Markup

from ..findings.limits.crossings import Crossing
from ..findings.limits.episodes import Episode, Passed
from ..findings.limits.part_names import short_part
from ..findings.readings.summary import words
from ..load.ride import Ride
from .tables import zoom_link
from .templates import part
from .units import duration_text, figure_text

_OURS = "page/episodes.jinja"

BARS = 2
"""Limits shown as bars; the others are behind the row."""

FULL = 0.5
"""Share beyond a limit that fills a bar."""

SHOWN = 3
"""Episodes that stand open, those that went furthest beyond a limit."""


def episode_list(ride: Ride, episodes: Sequence[Episode]) -> Markup:
    """Return the episodes in time order, the lesser ones folded away."""
    ranked = sorted(episodes, key=lambda episode: -episode.passed[0].beyond)
    furthest = {id(episode) for episode in ranked[:SHOWN]}
    shown = [_episode(ride, one) for one in episodes if id(one) in furthest]
    lesser = [_episode(ride, one) for one in episodes if id(one) not in furthest]
    return part(_OURS, "episodes", shown, lesser)


def _episode(ride: Ride, episode: Episode) -> dict[str, object]:
    return {
        "kind": episode.kind,
        "link": zoom_link(episode.start, episode.end),
        "length": duration_text(episode.end - episode.start),
        "bars": [_bar(ride, passed) for passed in episode.passed[:BARS]],
        "left": len(episode.passed) - BARS,
        "rows": [_row(ride, passed) for passed in episode.passed],
    }


def _bar(ride: Ride, passed: Passed) -> dict[str, object]:
    crossing = passed.worst
    limit = crossing.threshold.limit
    peak, level = (
        figure_text(value, limit.unit) for value in (crossing.span.peak, crossing.threshold.level)
    )
    unit = level.rpartition("\u202f")[2] if "\u202f" in level else ""
    size = 100 * min(passed.beyond / FULL, 1.0)
    return {
        "what": short_name(ride, crossing),
        "size": f"{max(size, 3):.0f}",
        "peak": peak.removesuffix(unit).rstrip(),
        "level": level,
    }


def _row(ride: Ride, passed: Passed) -> dict[str, object]:
    crossing = passed.worst
    return {
        "what": words(ride, crossing.where),
        "limit": crossing.threshold.words,
        "times": passed.times,
        "peak": figure_text(crossing.span.peak, crossing.threshold.limit.unit),
        "link": zoom_link(crossing.span.start, crossing.span.end),
        "doing": crossing.doing,
    }


def short_name(ride: Ride, crossing: Crossing) -> str:
    """Return the part that a limit is of, or the channel where the limit names none."""
    return short_part(crossing.threshold.limit.part) or words(ride, crossing.where)
