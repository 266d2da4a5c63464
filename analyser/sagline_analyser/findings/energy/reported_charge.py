"""The state of charge that the board reports, held against ours."""

from dataclasses import dataclass

from ...load.ride import Ride
from ..readings.series import column

SAME = 0.03
"""Share of charge by which a report may lie beyond our interval without being told as another
answer: boards report in steps, and mean the usable part of a pack (our choice)."""


@dataclass(frozen=True)
class Report:
    """What the board said last within a pack's use, as a share, and ``time`` (s) of it."""

    charge: float
    time: float


def last_report(ride: Ride, start: float, end: float) -> Report | None:
    """Return the last report from ``start`` until before ``end`` s, None without a share."""
    series = column(ride, "state_of_charge")
    if series is None:
        return None
    inside = (series.time >= start) & (series.time < end)
    inside &= (series.value >= 0) & (series.value <= 1)
    if not inside.any():
        return None
    return Report(float(series.value[inside][-1]), float(series.time[inside][-1]))


def compared(report: Report, within: tuple[float, float], words: str) -> tuple[str, bool]:
    """Return the two in words, and whether they disagree: the report lies beyond our interval, of
    which ``within`` are the ends and ``words`` what is told."""
    low, high = within
    apart = not low - SAME <= report.charge <= high + SAME
    said = f"the board reports {report.charge:.0%}, we find {words}"
    if not apart:
        return f"{said}, which agree", False
    lower = "the board" if report.charge < low else "ours"
    return f"{said}: they disagree; until it is known why, go by the lower one, {lower}", True
