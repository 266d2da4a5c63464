"""Crossings of one moment told together: a launch that passes six limits is one episode."""

from collections.abc import Sequence
from dataclasses import dataclass
from enum import StrEnum

import numpy as np

from sagline_logger.format import EventKind

from ..readings.gathered import Gathered
from ..readings.series import interpolate
from ..readings.unknown import NotKnown
from .crossings import Crossing

APART = 2.0
"""s without any crossing that end an episode (our choice)."""

CRAWL = 1.5
"""m/s below which a pull counts as begun from standing (our choice: a slow walk)."""

BEFORE = 2.0
"""s before an episode in which a launch may have begun (our choice)."""

LONG = 15.0
"""s from which a pull counts as a long one: a climb or a headwind, which no channel tells apart
(our choice)."""


class Kind(StrEnum):
    """What the vehicle was doing."""

    CUT = "fault"
    BRAKING = "braking"
    LAUNCH = "launch"
    LONG_PULL = "long pull"
    PULL = "pull"
    REST = "at rest"


@dataclass(frozen=True)
class Passed:
    """One limit in one episode: its ``worst`` crossing, and the share of the limit's level by
    which the peak lay beyond it (0.1: a tenth beyond)."""

    worst: Crossing
    beyond: float
    times: int


@dataclass(frozen=True)
class Episode:
    """What happened from ``start`` to ``end`` s: every limit passed, the furthest first."""

    kind: Kind
    start: float
    end: float
    passed: tuple[Passed, ...]


def find_episodes(it: Gathered, crossings: Sequence[Crossing]) -> tuple[Episode, ...]:
    """Return the episodes of a ride in time order, from its ``crossings``.

    Crossings of settings alone make no episode: a controller that reaches its setting does what it
    was told.
    """
    groups: list[list[Crossing]] = []
    end = -np.inf
    for crossing in sorted(crossings, key=lambda c: c.span.start):
        if crossing.threshold.limit.kind == "setting":
            continue
        if crossing.span.start > end + APART:
            groups.append([])
        groups[-1].append(crossing)
        end = max(end, crossing.span.end)
    return tuple(_episode(it, group) for group in groups)


def beyond(crossing: Crossing) -> float:
    """Return how far a crossing's peak lay beyond its limit, as a share of the limit's size."""
    level = crossing.threshold.level
    way = 1 if crossing.threshold.above else -1
    return way * (crossing.span.peak - level) / max(abs(level), 1e-9)


def _episode(it: Gathered, group: Sequence[Crossing]) -> Episode:
    by_limit: dict[tuple[str, str], list[Crossing]] = {}
    for crossing in group:
        threshold = crossing.threshold
        by_limit.setdefault((threshold.key or "", threshold.reason), []).append(crossing)
    passed = []
    for crossings in by_limit.values():
        worst = max(crossings, key=beyond)
        passed.append(Passed(worst, beyond(worst), len(crossings)))
    start, end = group[0].span.start, max(c.span.end for c in group)
    ordered = tuple(sorted(passed, key=lambda one: -one.beyond))
    return Episode(_kind(it, start, end), start, end, ordered)


def _kind(it: Gathered, start: float, end: float) -> Kind:
    faults = (e.time for e in it.ride.events if e.kind == EventKind.FAULT)
    if any(start - APART <= time <= end + APART for time in faults):
        return Kind.CUT
    mean = np.nan
    if it.current is not None:
        at = np.linspace(start, end, 50)
        values = interpolate(it.current.series, at)
        known = values[np.isfinite(values)]
        mean = float(known.mean()) if len(known) else np.nan
    if mean < -1:
        return Kind.BRAKING
    speed = it.speed
    if not isinstance(speed, NotKnown):
        before = np.abs(interpolate(speed.series, np.linspace(start - BEFORE, start, 20)))
        during = np.abs(interpolate(speed.series, np.linspace(start, end, 50)))
        known_during = during[np.isfinite(during)]
        if len(known_during) and known_during.max() < CRAWL / 5:
            return Kind.REST
        if np.any(before[np.isfinite(before)] < CRAWL):
            return Kind.LAUNCH
    return Kind.LONG_PULL if end - start >= LONG else Kind.PULL
