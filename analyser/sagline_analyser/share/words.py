"""The written parts of a shared file; every time in them is counted from the moment."""

from sagline_logger.format import CAUTION, derive_limits
from sagline_logger.format.counting import several

from ..findings.faults.story import Step
from .moment_table import INSTANTS, moment_rows
from .shared import Shared


def since(seconds: float) -> str:
    """Return a time from the moment: ``−1.25 s``, ``+3 s``, ``0 s``."""
    digits = 2 if abs(seconds) < 10 else 1
    text = f"{seconds:+.{digits}f}".rstrip("0").rstrip(".")
    return "0 s" if text in ("+0", "-0") else f"{text} s".replace("-", "−")


def title(share: Shared) -> str:
    """Return what happened, in a few words."""
    text = share.moment.text
    return text[:1].upper() + text[1:]


def told(share: Shared) -> str:
    """Return the story in one or two sentences, without the time of the ride it happened at."""
    start, found, rest = share.story.text.partition(share.moment.text)
    return title(share) + rest if found and start.startswith("At ") else share.story.text


SOON = 0.5
"""s after the moment from which a step is a consequence."""


def steps(share: Shared) -> tuple[list[str], list[str]]:
    """Return what left its bounds, in order, one line each: up to the moment, and what followed."""
    crossed = share.story.crossed
    early = [step.text(share.at) for step in crossed if step.time <= share.at + SOON]
    return early, [step.text(share.at) for step in crossed[len(early) :]]


def leading(share: Shared, most: int) -> list[Step]:
    """Return the first steps up to the moment, those within the window before the older ones."""
    before = [step for step in share.story.crossed if step.time <= share.at and step.channel]
    inside = [step for step in before if step.time >= 0]
    return (inside or before[-most:])[:most]


def quality(share: Shared) -> list[str]:
    """Return what is missing in the window, and what held for the capture."""
    found = share.ride.quality
    lost = [f"{several(n, 'sample')} lost in {name}" for name, n in found.lost_samples.items() if n]
    lines = lost or ["no samples lost in the window"]
    lines += [f"link down at {since(gap.start - share.at)}" for gap in share.ride.link_gaps]
    lines += [
        f"the board started anew at {since(segment.start - share.at)}"
        for segment in share.ride.segments[1:]
    ]
    lines += share.doubts
    if found.lost_events:
        lines.append(f"{several(found.lost_events, 'event')} lost")
    return lines + list(share.ride.warnings)


def limits(share: Shared) -> list[tuple[str, str]]:
    """Return the board's limits as (channel and side, arithmetic)."""
    rows = []
    for limit in derive_limits(share.board) if share.board else ():
        name = limit.channel.replace("_", " ") + (f" {limit.index}" if limit.index else "")
        level = f"{limit.value:g} {limit.unit}".removesuffix(" 1").replace("-", "−")
        rows.append((f"{name} {limit.direction} {level}", limit.arithmetic))
    return rows


def summary(share: Shared) -> str:
    """Return the whole as plain text that can be pasted anywhere."""
    rows, _ = moment_rows(share.ride, share.at)
    keep = [INSTANTS.index(-1.0), INSTANTS.index(0.0)]
    lines = [told(share), "", "In order:"]
    lines += [f"- {line}" for line in steps(share)[0][:12]]
    lines += ["", "Readings 1 s before → at the moment:"]
    for row in rows:
        texts = row.numbers()
        lines.append(f"- {row.title}: {texts[keep[0]]} → {texts[keep[1]]}")
    if share.ride.settings:
        stated = ", ".join(f"{name} {value}" for name, value in share.ride.settings.items())
        lines += ["", f"Settings: {stated}"]
    lines += ["", f"Data: {'; '.join(quality(share))}.", f"Made with sagline-analyser. {CAUTION}"]
    return "\n".join(lines).replace("\u202f", " ")
