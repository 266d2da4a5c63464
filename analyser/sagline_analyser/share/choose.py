"""Which stretch of a ride to share, from what happened in it or from what was asked."""

import re
from dataclasses import replace

from sagline_logger.format import SaglineError

from ..findings.faults.order import Moment, fault_moments
from ..findings.telling.moment import moment_text
from ..load.ride import Ride
from .window_log import Window

BEFORE, AFTER = 20.0, 10.0
"""s around a moment unless asked otherwise."""
_WORST = ("fault", "cut-out", "voltage collapse", "restart", "link loss")
_BACK = 30.0
"""s after a lost link or a restart in which its return is still taken in."""


def choose(
    ride: Ride, fault: int | None = None, at: float | None = None, mark: int | None = None
) -> Moment:
    """Return the moment to share: the one named, else the first of the worst kind there is.

    Raises:
        SaglineError: there is none, or none of that number or time; those there are, are named.
    """
    moments = fault_moments(ride)
    listed = "; ".join(f"{n}: {moment_text(m.time)} {m.kind}" for n, m in enumerate(moments, 1))
    if at is not None:
        if not 0 <= at <= ride.duration:
            raise SaglineError(
                f"{moment_text(at)} is outside the ride of {moment_text(ride.duration)}",
                where=ride.path,
                remedy="give --at as seconds or minutes:seconds from the start",
            )
        return Moment(at, "chosen", "the chosen moment")
    if mark is not None:
        for one in ride.marks:
            if one.number == mark:
                return Moment(one.time, "chosen", f"mark {mark}")
        numbers = ", ".join(str(one.number) for one in ride.marks)
        raise SaglineError(
            f"no mark {mark}",
            where=ride.path,
            remedy=f"its marks: {numbers}" if numbers else "it has none; choose with --at",
        )
    if fault is not None:
        if 1 <= fault <= len(moments):
            return moments[fault - 1]
        raise SaglineError(
            f"no fault {fault}",
            where=ride.path,
            remedy=f"there are {listed}" if listed else "there are none; choose with --at",
        )
    for kind in _WORST:
        for moment in moments:
            if moment.kind == kind:
                return moment
    raise SaglineError(
        "no fault, cut-out, restart or lost link in this ride",
        where=ride.path,
        remedy="choose a moment with --at or --mark",
    )


def window_around(
    ride: Ride, moment: Moment, before: float | None = None, after: float | None = None
) -> Window:
    """Return the stretch around ``moment``, cut to the ride; a lost board's return is taken in."""
    if after is None:
        after = AFTER
        returns = [gap.end for gap in ride.link_gaps] + [s.start for s in ride.segments[1:]]
        for back in returns:
            if back is not None and AFTER < back + 2 - moment.time <= _BACK:
                after = max(after, back + 2 - moment.time)
    start = max(0.0, moment.time - (BEFORE if before is None else before))
    return Window(start, moment.time, min(ride.duration, moment.time + after))


def shorter(window: Window, share: float) -> Window:
    """Return ``window`` with both sides cut to ``share`` of their length."""
    at = window.at
    return replace(
        window, start=at - (at - window.start) * share, end=at + (window.end - at) * share
    )


def seconds(text: str) -> float:
    """Return s of a time such as ``83.5``, ``1:23.5`` or ``1:02:03``.

    Raises:
        ValueError: it is no time.
    """
    if not re.fullmatch(r"(\d+:){0,2}\d+(\.\d+)?", text):
        raise ValueError(text)
    total = 0.0
    for part in text.split(":"):
        total = total * 60 + float(part)
    return total
